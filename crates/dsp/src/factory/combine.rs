//! Joining factory outputs into one full-range signal.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;
use serde::Serialize;

use super::channel::{ChannelFinding, Sure};
use super::model::{AllPass, ChannelModel, DB_PER_NEPER, Taps};
use super::phase::{self, Means};
use super::response::LineResponse;
use crate::filter::taps_responses;
use crate::tune::Crossover;

/// One output as the plan uses it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Use {
    /// Which output, as an index into the findings.
    pub output: usize,
    /// Level trim that makes it meet its neighbour at the crossover.
    pub gain_db: f64,
    /// Delay that brings it level with the latest output.
    pub delay_ms: f64,
    /// Turn it over.
    pub invert: bool,
    /// All-passes to add: those of the other outputs, so that all turn alike and the sum keeps its level.
    pub all_passes: Vec<AllPass>,
    /// Taps that turn its own all-passes back, where the others cannot have the same.
    pub fir: Option<Taps>,
}

impl Use {
    /// What the plan does to the output at each frequency; all-passes run at `rate_hz`.
    pub fn over(&self, frequency_hz: &[f64], rate_hz: f64) -> Vec<Complex64> {
        let gain = (self.gain_db / DB_PER_NEPER).exp() * if self.invert { -1.0 } else { 1.0 };
        let bare = |&f: &f64| {
            let added: Complex64 = self.all_passes.iter().map(|a| a.at(f, rate_hz)).product();
            added * gain * Complex64::cis(-2e-3 * PI * f * self.delay_ms)
        };
        let mut through: Vec<Complex64> = frequency_hz.iter().map(bare).collect();
        if let Some(fir) = &self.fir {
            let taps = taps_responses(&fir.taps, fir.rate_hz, frequency_hz);
            through.iter_mut().zip(taps).for_each(|(h, taps)| *h *= taps);
        }
        through
    }
}

/// An output that stays out of the sum, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// Which output.
    pub output: usize,
    /// Plain words.
    pub reason: String,
}

/// How the outputs are summed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// In order of their bands, lowest first.
    pub uses: Vec<Use>,
    /// The rest.
    pub left_out: Vec<LeftOut>,
    /// What stands in the way of a flat sum.
    pub remarks: Vec<String>,
}

/// Outputs whose bands coincide by more than this share (in octaves) carry the same part of the music.
const SAME_BAND: f64 = 0.7;
/// Outputs whose widths differ by less than this are equally wide.
const AS_WIDE_OCTAVES: f64 = 0.2;

/// Plans the sum of outputs that were measured on one time base.
///
/// `names` serves the remarks; `means` is what the processor has against all-passes. Polarity and delay come from the
/// findings; gains are those of the filters found, and where these explain an output less well, what makes neighbours equal
/// at the place where their band edges cross.
pub fn plan(
    findings: &[ChannelFinding],
    responses: &[LineResponse],
    names: &[String],
    means: &Means,
) -> Plan {
    let mut order: Vec<usize> = (0..findings.len()).collect();
    let middle = |i: usize| passed_hz(&findings[i]).0 * passed_hz(&findings[i]).1;
    order.sort_by(|&a, &b| middle(a).total_cmp(&middle(b)));

    let mut left_out = Vec::new();
    let mut kept: Vec<usize> = Vec::new();
    for &i in &order {
        let twin = kept.iter().position(|&j| overlap(&findings[i], &findings[j]) > SAME_BAND);
        match twin {
            None => kept.push(i),
            Some(place) => {
                let other = kept[place];
                let width = |k: usize| (passed_hz(&findings[k]).1 / passed_hz(&findings[k]).0).log2();
                // The wider of the two carries the band; the louder where they are equally wide.
                let wider = width(i) - width(other);
                let louder = findings[i].level_db > findings[other].level_db;
                let better = wider > AS_WIDE_OCTAVES || (wider > -AS_WIDE_OCTAVES && louder);
                let (use_, drop) = if better { (i, other) } else { (other, i) };
                kept[place] = use_;
                left_out.push(LeftOut {
                    output: drop,
                    reason: format!(
                        "{} carries the same band as {}; one of the two is enough",
                        names[drop], names[use_]
                    ),
                });
            }
        }
    }

    let latest_s = kept.iter().map(|&i| findings[i].model.delay_s).fold(f64::NEG_INFINITY, f64::max);
    let everywhere: Vec<(usize, AllPass)> =
        kept.iter().flat_map(|&i| findings[i].model.all_passes.iter().map(move |a| (i, *a))).collect();
    let mut remarks = Vec::new();
    let mut uses: Vec<Use> = Vec::new();
    for (place, &i) in kept.iter().enumerate() {
        let gain_db = match place {
            0 => 0.0,
            _ => {
                let below = kept[place - 1];
                let Joint { step_db, gap, sure } =
                    joint(&findings[below], &findings[i], &responses[below], &responses[i]);
                if let Some((from, to)) = gap {
                    remarks.push(format!(
                        "between {} and {} there is a gap from {from:.0} to {to:.0} Hz that no gain, polarity or delay closes",
                        names[below], names[i]
                    ));
                }
                if !sure {
                    remarks.push(format!(
                        "the level of {} against {} in the sum is not sure, since their slopes are in doubt there: record the sum and hold it against the prediction before relying on it",
                        names[i], names[below]
                    ));
                }
                uses[place - 1].gain_db + step_db
            }
        };
        uses.push(Use {
            output: i,
            gain_db,
            delay_ms: (latest_s - findings[i].model.delay_s) * 1e3,
            invert: findings[i].model.inverted,
            all_passes: everywhere.iter().filter(|(owner, _)| *owner != i).map(|(_, a)| *a).collect(),
            fir: None,
        });
    }
    remarks.extend(turn_to_join(&mut uses, findings, names));
    // Nothing is turned up: the loudest need stays where it is.
    let most = uses.iter().map(|u| u.gain_db).fold(f64::NEG_INFINITY, f64::max);
    uses.iter_mut().for_each(|u| u.gain_db -= most);
    remarks.extend(phase::undo(&mut uses, findings, names, means));
    remarks.extend(too_late(&uses, names, means));
    Plan { uses, left_out, remarks }
}

/// What to do where an output must wait for longer than the processor can let it.
pub fn too_late(uses: &[Use], names: &[String], means: &Means) -> Option<String> {
    let latest = uses.iter().max_by(|a, b| a.delay_ms.total_cmp(&b.delay_ms))?;
    let most_ms = means.most_delay_ms.filter(|most_ms| latest.delay_ms > *most_ms)?;
    let instead = if uses.iter().any(|used| used.fir.is_some()) {
        "use fewer taps, or a processor with more delay"
    } else {
        "use a processor with more delay"
    };
    Some(format!(
        "{} has to wait {:.1} ms in the sum and the processor delays by {most_ms:.1} ms at most, so the bands do not join as planned: {instead}",
        names[latest.output], latest.delay_ms
    ))
}

/// Turns an output over where that joins it to the one below by far better: slopes of 12 and 36 dB per octave are made
/// to be joined that way. Says which.
fn turn_to_join(uses: &mut [Use], findings: &[ChannelFinding], names: &[String]) -> Option<String> {
    let mut turned = Vec::new();
    for place in 1..uses.len() {
        let (below, above) = uses.split_at(place);
        let (Some(lower), Some(upper)) = (below.last(), above.first()) else { continue };
        let models = [lower, upper].map(|used| &findings[used.output].model);
        let (end, start) = facing_hz(&findings[lower.output], &findings[upper.output]);
        let joint_hz = (end * start).sqrt();
        let hz = crate::curve::log_grid_hz(joint_hz / 1.5, joint_hz * 1.5, 24.0);
        let as_used = |used: &Use, model: &ChannelModel| -> Vec<Complex64> {
            // Delays are taken out as the plan does, so that only the filters' own phase is left.
            let bare =
                ChannelModel { delay_s: 0.0, inverted: model.inverted != used.invert, ..model.clone() };
            let gain = (used.gain_db / DB_PER_NEPER).exp();
            let turn = |f: f64| used.all_passes.iter().map(|a| a.at(f, model.rate_hz)).product::<Complex64>();
            bare.responses(&hz).into_iter().zip(&hz).map(|(h, &f)| h * gain * turn(f)).collect()
        };
        let (low, high) = (as_used(lower, models[0]), as_used(upper, models[1]));
        let mean_db = |sign: f64| {
            let levels =
                low.iter().zip(&high).map(|(a, b)| DB_PER_NEPER * (a + b * sign).norm().max(1e-9).ln());
            levels.sum::<f64>() / hz.len() as f64
        };
        if mean_db(-1.0) > mean_db(1.0) + BETTER_TURNED_DB {
            turned.push(format!("{} and {}", names[lower.output], names[upper.output]));
            uses[place].invert = !uses[place].invert;
        }
    }
    (!turned.is_empty()).then(|| {
        format!(
            "{} join only with one of them turned over, as the slopes found there are made for",
            turned.join("; ")
        )
    })
}

/// A joint must gain this much in the mean to be turned over against the polarity found.
const BETTER_TURNED_DB: f64 = 2.0;

/// A level that is explained to this is explained by the right filters where two sides agree.
const EXPLAINED_DB: f64 = 0.01;
/// Below this bands too small to be told move the places of edges: two sides that name one filter may then lie this far
/// apart. Their gains still know the joint better than what was measured at it, which holds the equalisation of both there.
const NOISY_DB: f64 = 45.0;
const SAME_UNDER_NOISE_OCTAVES: f64 = 0.15;
/// An output whose filters leave no more than this beyond its noise is explained well; noise adds to what they leave, but
/// takes nothing from the gain that all of its band tells.
const WELL_EXPLAINED_DB: f64 = 0.15;
/// Two sides of a split that lie this close show one filter.
const SAME_PLACE_OCTAVES: f64 = 0.03;

/// Shared octaves over the narrower one's.
fn overlap(a: &ChannelFinding, b: &ChannelFinding) -> f64 {
    let (a, b) = (passed_hz(a), passed_hz(b));
    let (low, high) = (a.0.max(b.0), a.1.min(b.1));
    let width = |band: (f64, f64)| (band.1 / band.0).log2();
    (high / low).log2().max(0.0) / width(a).min(width(b)).max(1e-9)
}

/// What an output passes by the edges found, which equalisation and gentle slopes do not widen; what was measured elsewhere.
fn passed_hz(finding: &ChannelFinding) -> (f64, f64) {
    let low_hz = finding.model.high_pass.map_or(finding.band_hz.0, |edge| edge.frequency_hz);
    let high_hz = finding.model.low_pass.map_or(finding.band_hz.1, |edge| edge.frequency_hz);
    if low_hz < high_hz { (low_hz, high_hz) } else { finding.band_hz }
}

/// Where the lower output ends and the upper one begins: by the edges of the filters found, which equalisation does not
/// bend, or else by what was measured.
fn facing_hz(lower: &ChannelFinding, upper: &ChannelFinding) -> (f64, f64) {
    match (lower.model.low_pass, upper.model.high_pass) {
        (Some(end), Some(start)) => (end.frequency_hz, start.frequency_hz),
        _ => (lower.band_hz.1, upper.band_hz.0),
    }
}

/// How two neighbours meet.
struct Joint {
    /// Gain of the upper output over the lower one.
    step_db: f64,
    /// A gap between the two where there is one.
    gap: Option<(f64, f64)>,
    /// False where the gain rests on filters that are in doubt.
    sure: bool,
}

fn joint(
    lower: &ChannelFinding,
    upper: &ChannelFinding,
    lower_response: &LineResponse,
    upper_response: &LineResponse,
) -> Joint {
    let (end, start) = facing_hz(lower, upper);
    let centre = (end * start).sqrt();
    let gap = (start > 1.5 * end).then_some((end, start));
    // Level that each would have without its own band edge, where both are heard; of one split the surer side is believed.
    let (lower_edges, upper_edges) = one_split(lower, upper);
    let bare = |edges: &ChannelModel, response: &LineResponse, hz: f64| -> Option<f64> {
        let i = response.frequency_hz.partition_point(|&f| f < hz);
        let at = *response.frequency_hz.get(i)?;
        if (at / hz).log2().abs() > 0.1 {
            return None;
        }
        let edge = edges.edge_responses(&[at])[0].norm();
        (edge > 0.02).then(|| DB_PER_NEPER * (response.value[i].norm() / edge).ln())
    };
    let mut differences: Vec<f64> = crate::curve::log_grid_hz(centre / 1.6, centre * 1.6, 12.0)
        .into_iter()
        .filter_map(|hz| {
            Some(bare(&lower_edges, lower_response, hz)? - bare(&upper_edges, upper_response, hz)?)
        })
        .collect();
    differences.sort_by(f64::total_cmp);
    // Where both are explained well and agree about their split, their broad-band gains are known whatever equalisation
    // lies at the joint. Where one is in doubt, what was measured counts.
    let noisy = lower.snr_db.min(upper.snr_db) < NOISY_DB;
    let same_octaves = if noisy { SAME_UNDER_NOISE_OCTAVES } else { SAME_PLACE_OCTAVES };
    let alike_within = |octaves: f64| match (lower.model.low_pass, upper.model.high_pass) {
        (Some(a), Some(b)) => {
            (a.family, a.order) == (b.family, b.order)
                && (a.frequency_hz / b.frequency_hz).log2().abs() < octaves
        }
        _ => false,
    };
    let alike = alike_within(same_octaves);
    let explained = |finding: &ChannelFinding| {
        (finding.confidence.shape == Sure::High || finding.beyond_noise_db < WELL_EXPLAINED_DB)
            && (alike || finding.confidence.edges == Sure::High)
    };
    let met = differences.get(differences.len() / 2).copied();
    let step_db = match met {
        _ if explained(lower) && explained(upper) => lower.model.gain_db - upper.model.gain_db,
        Some(met) => met,
        None => lower.level_db - upper.level_db,
    };
    let sure = |finding: &ChannelFinding| {
        finding.confidence.edges == Sure::High || finding.unexplained_db < EXPLAINED_DB
    };
    Joint { step_db, gap, sure: alike_within(SAME_PLACE_OCTAVES) && sure(lower) && sure(upper) }
}

/// The models of two neighbours; where one is sure of its edge at their split and the other is not, both have that edge.
fn one_split(lower: &ChannelFinding, upper: &ChannelFinding) -> (ChannelModel, ChannelModel) {
    let (mut low, mut high) = (lower.model.clone(), upper.model.clone());
    let sure = |finding: &ChannelFinding| finding.confidence.edges == Sure::High;
    if let (Some(end), Some(start)) = (&mut low.low_pass, &mut high.high_pass) {
        match (sure(lower), sure(upper)) {
            (true, false) => *start = Crossover { pass: start.pass, ..*end },
            (false, true) => *end = Crossover { pass: end.pass, ..*start },
            _ => {}
        }
    }
    (low, high)
}

impl Plan {
    /// The sum at `frequency_hz`, each output from `response(output, f)`; all-passes run at `rate_hz`.
    pub fn sum(
        &self,
        frequency_hz: &[f64],
        rate_hz: f64,
        response: impl Fn(usize, usize) -> Complex64,
    ) -> Vec<Complex64> {
        let mut sum = vec![Complex64::ZERO; frequency_hz.len()];
        for used in &self.uses {
            let through = used.over(frequency_hz, rate_hz);
            for (k, (sum, through)) in sum.iter_mut().zip(through).enumerate() {
                *sum += response(used.output, k) * through;
            }
        }
        sum
    }
}
