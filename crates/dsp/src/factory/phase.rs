//! Undoing the all-passes of outputs that are summed: the same all-passes given to the others, taps that turn back, or, where
//! the processor has neither, the delay and polarity at which the bands join best.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::channel::ChannelFinding;
use super::combine::Use;
use super::model::{ChannelModel, DB_PER_NEPER, Taps};
use crate::curve::log_grid_hz;
use crate::filter::Cascade;

/// What the processor has against all-passes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Means {
    /// It has all-passes of its own.
    pub all_pass: bool,
    /// Taps for one output.
    pub taps: usize,
    /// The longest delay of one output, where that is known.
    pub most_delay_ms: Option<f64>,
    /// Rate at which it runs.
    pub rate_hz: f64,
}

/// Range in which a sum is judged.
const JUDGED_HZ: (f64, f64) = (30.0, 18_000.0);
/// What lies this far under the loudest part of the sum is left out of the judgement.
const FAINT_DB: f64 = 20.0;
/// What is cut off the taps may add up to this: a tenth of a decibel.
const CUT_OFF: f64 = 0.01;
/// Taps that bring a sum this close are enough.
const CLOSE_DB: f64 = 0.5;
/// Numbers of taps that processors have (common practice, no source).
const USUAL_TAPS: [usize; 6] = [256, 512, 1024, 2048, 4096, 8192];

/// Undoes the all-passes of `uses`, in which each output has those of the others, with what the processor has; gives what
/// there is to say.
pub(super) fn undo(
    uses: &mut [Use],
    findings: &[ChannelFinding],
    names: &[String],
    means: &Means,
) -> Vec<String> {
    let owners: Vec<usize> =
        (0..uses.len()).filter(|&u| !findings[uses[u].output].model.all_passes.is_empty()).collect();
    if uses.len() < 2 || owners.is_empty() {
        return Vec::new();
    }
    let what = |u: usize| {
        let places = findings[uses[u].output].model.all_passes.iter();
        let places: Vec<String> = places.map(|a| format!("{:.0} Hz", a.frequency_hz)).collect();
        format!("{} holds an all-pass at {}", names[uses[u].output], places.join(" and "))
    };
    if means.all_pass {
        let words = |&u: &usize| {
            format!(
                "{}: give the same all-pass to the other outputs of the sum, and the bands join; an FIR of enough taps can undo it instead",
                what(u)
            )
        };
        return owners.iter().map(words).collect();
    }
    let judge = Judge::new(uses, findings);
    let named: Vec<String> = owners.iter().map(|&u| what(u)).collect();
    uses.iter_mut().for_each(|used| used.all_passes.clear());
    let (without_db, at_hz) = judge.worst_db(uses, findings);
    let stands = format!(
        "{}, which leaves the sum up to {without_db:.1} dB off at {at_hz:.0} Hz, and the processor has no all-pass to give to the others",
        named.join("; ")
    );
    if means.taps >= 2 {
        let late_ms = turn_back(uses, findings, &owners, means.taps, means.rate_hz);
        let (left_db, left_hz) = judge.worst_db(uses, findings);
        return vec![format!(
            "{stands}: taps in that output undo it, {late_ms:.1} ms late, for which the others wait; up to {left_db:.1} dB remain at {left_hz:.0} Hz"
        )];
    }
    let enough = USUAL_TAPS.into_iter().find_map(|taps| {
        let mut with = uses.to_vec();
        let late_ms = turn_back(&mut with, findings, &owners, taps, means.rate_hz);
        let (left_db, _) = judge.worst_db(&with, findings);
        (left_db < CLOSE_DB).then_some((taps, late_ms, left_db))
    });
    owners.iter().for_each(|&owner| judge.join_by_delay(uses, findings, owner));
    let (left_db, left_hz) = judge.worst_db(uses, findings);
    let add = match enough {
        Some((taps, late_ms, with_db)) => {
            format!("an FIR of {taps} taps would bring that to {with_db:.1} dB, {late_ms:.1} ms late")
        }
        None => "no FIR of a usual length would undo it".into(),
    };
    vec![format!(
        "{stands}: delay and polarity are chosen so that up to {left_db:.1} dB remain at {left_hz:.0} Hz; {add}"
    )]
}

/// Gives each owner taps that turn its all-passes back and makes the others wait; by how much, in milliseconds.
fn turn_back(
    uses: &mut [Use],
    findings: &[ChannelFinding],
    owners: &[usize],
    taps: usize,
    rate_hz: f64,
) -> f64 {
    let mut late = vec![0usize; uses.len()];
    for &owner in owners {
        let turned = reversed(&findings[uses[owner].output].model, taps, rate_hz);
        late[owner] = turned.len() - 1;
        uses[owner].fir = Some(Taps { rate_hz, taps: turned });
    }
    let latest = late.iter().copied().max().unwrap_or(0);
    for (used, own) in uses.iter_mut().zip(&late) {
        used.delay_ms += (latest - own) as f64 / rate_hz * 1e3;
    }
    latest as f64 / rate_hz * 1e3
}

/// The impulse response of a model's all-passes, backwards and cut to `taps`: of all FIR filters of that length and delay the
/// one that leaves least (the autocorrelation of an all-pass is an impulse, so the normal equations are solved by it).
fn reversed(model: &ChannelModel, taps: usize, rate_hz: f64) -> Vec<f64> {
    let biquads: Vec<_> = model.all_passes.iter().map(|a| a.biquad(rate_hz)).collect();
    // Long enough for the slowest to fade out.
    let lowest_hz = model.all_passes.iter().map(|a| a.frequency_hz).fold(f64::INFINITY, f64::min);
    let highest_q = model.all_passes.iter().filter_map(|a| a.q).fold(1.0, f64::max);
    let length = ((8.0 * highest_q / lowest_hz * rate_hz) as usize).clamp(taps + 1, 1 << 20);
    let mut impulse = vec![0.0; length];
    impulse[0] = 1.0;
    Cascade::new(&biquads).process(&mut impulse);
    let mut cut_off = 0.0;
    let enough = impulse.iter().rposition(|x| {
        cut_off += x.abs();
        cut_off > CUT_OFF
    });
    let kept = (enough.unwrap_or(0) + 1).min(taps);
    impulse.truncate(kept);
    impulse.reverse();
    impulse
}

/// The sum as it would be without any all-pass, on a grid.
struct Judge {
    hz: Vec<f64>,
    ideal: Vec<Complex64>,
}

impl Judge {
    fn new(uses: &[Use], findings: &[ChannelFinding]) -> Self {
        let hz = log_grid_hz(JUDGED_HZ.0, JUDGED_HZ.1, 24.0);
        let bare = |used: &Use| {
            let model = ChannelModel { all_passes: Vec::new(), ..findings[used.output].model.clone() };
            used_alone(&Use { all_passes: Vec::new(), fir: None, ..used.clone() }, &model, &hz)
        };
        let ideal = total(uses.iter().map(bare), hz.len());
        Self { ideal, hz }
    }

    /// The most that the level of the sum is off, and where.
    fn worst_db(&self, uses: &[Use], findings: &[ChannelFinding]) -> (f64, f64) {
        let parts = uses.iter().map(|used| used_alone(used, &findings[used.output].model, &self.hz));
        let off = self.off_db(&total(parts, self.hz.len()));
        let worst = off.iter().zip(&self.hz).max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        worst.map_or((0.0, 0.0), |(db, hz)| (db.abs(), *hz))
    }

    /// By how much the level of a sum differs, 0 where there is next to nothing.
    fn off_db(&self, sum: &[Complex64]) -> Vec<f64> {
        let loudest = self.ideal.iter().map(|h| h.norm()).fold(0.0, f64::max);
        let faint = loudest * (-FAINT_DB / DB_PER_NEPER).exp();
        let pairs = sum.iter().zip(&self.ideal);
        pairs
            .map(
                |(s, r)| {
                    if r.norm() < faint { 0.0 } else { DB_PER_NEPER * (s.norm() / r.norm()).max(1e-6).ln() }
                },
            )
            .collect()
    }

    /// Delay and polarity of one output at which the sum is least off, rms; within a period of its all-pass.
    fn join_by_delay(&self, uses: &mut [Use], findings: &[ChannelFinding], owner: usize) {
        const STEPS: i32 = 96;
        let model = &findings[uses[owner].output].model;
        let period_ms = model.all_passes.iter().map(|a| 1e3 / a.frequency_hz).fold(0.0, f64::max);
        let own = used_alone(&uses[owner], model, &self.hz);
        let others = uses.iter().enumerate().filter(|(u, _)| *u != owner);
        let others = others.map(|(_, used)| used_alone(used, &findings[used.output].model, &self.hz));
        let others = total(others, self.hz.len());
        let mut best = (f64::INFINITY, 0.0, false);
        for step in -STEPS..=STEPS {
            let later_ms = period_ms * f64::from(step) / f64::from(STEPS);
            for turned in [false, true] {
                let sign = if turned { -1.0 } else { 1.0 };
                let moved = own.iter().zip(&self.hz).map(|(h, f)| h * turn(*f, later_ms) * sign);
                let sum: Vec<Complex64> = moved.zip(&others).map(|(a, b)| a + b).collect();
                let cost: f64 = self.off_db(&sum).iter().map(|db| db * db).sum();
                if cost < best.0 {
                    best = (cost, later_ms, turned);
                }
            }
        }
        uses[owner].delay_ms += best.1;
        uses[owner].invert ^= best.2;
        // Nothing can come earlier than it does.
        let earliest = uses.iter().map(|used| used.delay_ms).fold(f64::INFINITY, f64::min);
        uses.iter_mut().for_each(|used| used.delay_ms -= earliest);
    }
}

fn turn(hz: f64, later_ms: f64) -> Complex64 {
    Complex64::cis(-2e-3 * PI * hz * later_ms)
}

fn total(parts: impl Iterator<Item = Vec<Complex64>>, length: usize) -> Vec<Complex64> {
    parts.fold(vec![Complex64::ZERO; length], |sum, part| sum.iter().zip(&part).map(|(a, b)| a + b).collect())
}

/// One output as the plan uses it, by its model.
fn used_alone(used: &Use, model: &ChannelModel, hz: &[f64]) -> Vec<Complex64> {
    model
        .responses(hz)
        .into_iter()
        .zip(used.over(hz, model.rate_hz))
        .map(|(h, through)| h * through)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::model::AllPass;
    use super::*;

    /// Closed form: an all-pass times its own reversal is a delay. What is cut off bounds the error.
    #[test]
    fn reversed_all_passes_turn_back() {
        const RATE_HZ: f64 = 48_000.0;
        for (frequency_hz, q, order) in [(310.0, Some(0.7), 2), (90.0, Some(2.0), 2), (900.0, None, 1)] {
            let all_pass = AllPass { frequency_hz, q, order };
            let model = ChannelModel { all_passes: vec![all_pass], ..ChannelModel::flat(RATE_HZ) };
            let turned = reversed(&model, 8192, RATE_HZ);
            let late_s = (turned.len() - 1) as f64 / RATE_HZ;
            for hz in log_grid_hz(20.0, 20_000.0, 12.0) {
                let product = all_pass.at(hz, RATE_HZ)
                    * crate::spectrum::response_at(&turned, RATE_HZ, hz)
                    * Complex64::cis(2.0 * PI * hz * late_s);
                assert!((product - 1.0).norm() < CUT_OFF * 1.1, "{frequency_hz} Hz at {hz}: {product}");
            }
            assert!(reversed(&model, 64, RATE_HZ).len() <= 64);
        }
    }
}
