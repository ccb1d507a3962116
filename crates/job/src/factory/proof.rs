//! The proof: a second recording, through the processor with plan and undo typed in, against what was predicted.

use dsp::curve::Curve;
use dsp::factory::DB_PER_NEPER;
use dsp::factory::combine::{Plan, Use};
use dsp::filter::ChannelFilter;
use dsp::target::Target;
use dsp::tune::ChannelTune;
use dsp::verdict::Verdict;
use rustfft::num_complex::Complex64;
use serde::Serialize;

use super::captures::{self, CaptureRef, Output};
use super::{FactoryOrder, Worked, level_db};
use crate::error::JobError;
use crate::handover::changes::hertz;
use crate::judged::Judged;

/// What the joined and undone signal really became.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proof {
    /// The recording's name.
    pub name: String,
    /// Distance from the target, rms about its mean, over the range of the flatness.
    pub rms_db: f64,
    /// Largest distance from the target about its mean.
    pub worst_db: f64,
    /// What was predicted for the rms.
    pub rms_db_predicted: f64,
    /// Measured less predicted, the overall level taken out, rms.
    pub difference_rms_db: f64,
    /// Where that is largest.
    pub difference_worst_hz: f64,
    /// And how large, with its sign.
    pub difference_worst_db: f64,
    /// Half-width of the 95 % interval of that difference, rms over the range: noise of both recordings.
    pub uncertainty_db: f64,
    /// Overall level against the prediction: the gain of what lies between.
    pub level_db: f64,
    /// True where the two agree.
    pub agrees: bool,
    /// What would explain the difference, likeliest first.
    pub causes: Vec<String>,
}

/// What a proof is held against.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Basis {
    pub plan: Plan,
    /// Each output on the grid.
    pub outputs: Vec<Vec<Complex64>>,
    /// Power of the noise in each.
    pub noise: Vec<Vec<f64>>,
    pub names: Vec<String>,
    pub rate_hz: f64,
    pub target: Target,
}

/// Differences below this, rms, are no reason to look for a cause.
const AGREE_DB: f64 = 0.3;
/// 95 % of a normal distribution lie within this many standard deviations.
pub(super) const NORMAL_95: f64 = 1.96;
/// A cause must take away at least this share of the difference.
const EXPLAINS: f64 = 0.5;
/// Slips that are looked for in one proof.
const MOST_CAUSES: usize = 3;

/// Holds a recording made through the processor against the prediction; gives the curve that is written beside it.
///
/// # Errors
/// [`JobError`], naming the file, where there is nothing to find in it.
pub fn prove(order: &FactoryOrder, capture: &CaptureRef, worked: &mut Worked) -> Result<Curve, JobError> {
    let recipe = captures::recipe_beside(&order.stimulus)?;
    let mut judged = Judged::good(());
    let captures = std::slice::from_ref(capture);
    let read = captures::read(&recipe, captures, None, &mut judged, &mut |_| {})?;
    for words in judged.remarks {
        worked.findings.note(judged.verdict, words);
    }
    let output = read
        .channels
        .into_iter()
        .next()
        .ok_or_else(|| JobError::Analysis(format!("{}: nothing was measured", capture.path.display())))?;
    let (proof, curve) = held_against(&output, worked)?;
    let said = words(&proof);
    worked.findings.note(if proof.agrees { Verdict::Good } else { Verdict::Retake }, said);
    worked.findings.result.proof = Some(proof);
    Ok(curve)
}

fn held_against(output: &Output, worked: &Worked) -> Result<(Proof, Curve), JobError> {
    let basis = &worked.basis;
    let grid = &worked.predicted.frequency_hz;
    let flatness = &worked.findings.result.flatness;
    let measured = output.on_grid(grid);
    let own_noise = output.noise_on(grid);
    let measured_db: Vec<f64> = measured.iter().map(|h| level_db(*h)).collect();
    let inside: Vec<usize> =
        (0..grid.len()).filter(|&k| (flatness.from_hz..=flatness.to_hz).contains(&grid[k])).collect();

    let typed = Typed {
        uses: basis.plan.uses.clone(),
        undo: worked.undo.channels.first().cloned().unwrap_or_default(),
    };
    let predicted_db = typed.levels_db(basis, worked, grid)?;
    let difference: Vec<f64> = measured_db.iter().zip(&predicted_db).map(|(m, p)| m - p).collect();
    let level = mean(inside.iter().map(|&k| difference[k]));
    let worst = inside
        .iter()
        .copied()
        .max_by(|&a, &b| (difference[a] - level).abs().total_cmp(&(difference[b] - level).abs()));
    let expected = rms(inside.iter().map(|&k| {
        let sum = basis.plan.sum(&grid[k..=k], basis.rate_hz, |output, _| basis.outputs[output][k]);
        let power = sum.first().map_or(1.0, |h| h.norm_sqr());
        let of_sum: f64 = typed
            .uses
            .iter()
            .map(|u| (2.0 * u.gain_db / DB_PER_NEPER).exp() * basis.noise[u.output][k])
            .sum();
        half_width_db(own_noise[k] / measured[k].norm_sqr() + of_sum / power)
    }));
    let difference_rms_db = spread(&difference, &inside);
    let agrees = difference_rms_db < AGREE_DB.max(2.0 * expected / NORMAL_95);
    let from_target: Vec<f64> =
        grid.iter().zip(&measured_db).map(|(f, db)| db - basis.target.level_at_db(*f)).collect();
    let middle = mean(inside.iter().map(|&k| from_target[k]));
    let proof = Proof {
        name: output.name.clone(),
        rms_db: spread(&from_target, &inside),
        worst_db: inside.iter().map(|&k| (from_target[k] - middle).abs()).fold(0.0, f64::max),
        rms_db_predicted: flatness.rms_db_after,
        difference_rms_db,
        difference_worst_hz: worst.map_or(0.0, |k| grid[k]),
        difference_worst_db: worst.map_or(0.0, |k| difference[k] - level),
        uncertainty_db: expected,
        level_db: level,
        agrees,
        causes: if agrees { Vec::new() } else { causes(typed, &measured_db, &inside, worked)? },
    };
    let spread_db = own_noise.iter().zip(&measured).map(|(n, h)| half_width_db(n / h.norm_sqr())).collect();
    let curve = Curve { spread_db: Some(spread_db), ..Curve::of_levels(grid.clone(), measured_db) };
    Ok((proof, curve))
}

/// Half-width of the 95 % interval of a level whose noise has this share of its power: half of it lies along the level.
fn half_width_db(noise_share: f64) -> f64 {
    NORMAL_95 * DB_PER_NEPER * (0.5 * noise_share).sqrt()
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), x| (sum + x, count + 1.0));
    sum / f64::max(count, 1.0)
}

fn rms(values: impl Iterator<Item = f64>) -> f64 {
    mean(values.map(|x| x * x)).sqrt()
}

/// Rms about the mean.
fn spread(values: &[f64], inside: &[usize]) -> f64 {
    let middle = mean(inside.iter().map(|&k| values[k]));
    rms(inside.iter().map(|&k| values[k] - middle))
}

/// The settings as they may have been typed in.
#[derive(Clone)]
struct Typed {
    uses: Vec<Use>,
    undo: ChannelTune,
}

impl Typed {
    fn levels_db(&self, basis: &Basis, worked: &Worked, grid: &[f64]) -> Result<Vec<f64>, JobError> {
        let plan = Plan { uses: self.uses.clone(), left_out: Vec::new(), remarks: Vec::new() };
        let undo = ChannelFilter::new(&self.undo, worked.undo.sample_rate_hz)
            .map_err(|e| JobError::Analysis(e.to_string()))?;
        let sum = plan.sum(grid, basis.rate_hz, |output, k| basis.outputs[output][k]);
        Ok(sum.iter().zip(grid).map(|(h, &f)| level_db(h * undo.response(f))).collect())
    }

    /// Slips of one setting, each with the words for it.
    fn slips(&self, names: &[String]) -> Vec<(String, Self)> {
        let mut list = Vec::new();
        let mut slip = |words: String, change: &dyn Fn(&mut Self)| {
            let mut other = self.clone();
            change(&mut other);
            if other.uses != self.uses || other.undo != self.undo {
                list.push((words, other));
            }
        };
        for (i, used) in self.uses.iter().enumerate() {
            let name = &names[used.output];
            slip(format!("the polarity of {name} is the other way round than planned"), &|it| {
                it.uses[i].invert = !it.uses[i].invert;
            });
            slip(format!("{name} does not reach the sum"), &|it| it.uses[i].gain_db = SILENT_DB);
            slip(format!("the delay of {name} is not set"), &|it| it.uses[i].delay_ms = 0.0);
            slip(format!("the all-passes of {name} are not set"), &|it| it.uses[i].all_passes.clear());
            slip(format!("the taps of {name} are not loaded"), &|it| it.uses[i].fir = None);
            slip(format!("the level trim of {name} is not set"), &|it| it.uses[i].gain_db = 0.0);
            for half_db in (-24..=24).filter(|it| *it != 0) {
                let off_db = 0.5 * f64::from(half_db);
                let way = if off_db > 0.0 { "loud" } else { "soft" };
                slip(format!("{name} is about {:.1} dB too {way} in the sum", off_db.abs()), &|it| {
                    it.uses[i].gain_db += off_db;
                });
            }
        }
        for (k, section) in self.undo.sections.iter().enumerate() {
            let place =
                format!("{} at {}", garage::entry::gain_words(section.gain_db), hertz(section.frequency_hz));
            slip(format!("the band of {place} is not typed in"), &|it| it.undo.sections[k].gain_db = 0.0);
            slip(format!("the band of {place} has the wrong sign"), &|it| {
                it.undo.sections[k].gain_db = -it.undo.sections[k].gain_db;
            });
        }
        slip("the undo is not switched on".into(), &|it| {
            it.undo.sections.clear();
            it.undo.biquads.clear();
            it.undo.fir = None;
        });
        slip("the taps are not loaded".into(), &|it| it.undo.fir = None);
        list
    }
}

/// As good as nothing.
const SILENT_DB: f64 = -150.0;

/// The slips that explain the difference, one after the other, each on top of those before it.
fn causes(
    typed: Typed,
    measured_db: &[f64],
    inside: &[usize],
    worked: &Worked,
) -> Result<Vec<String>, JobError> {
    let grid = &worked.predicted.frequency_hz;
    let left = |typed: &Typed| -> Result<f64, JobError> {
        let modelled = typed.levels_db(&worked.basis, worked, grid)?;
        let difference: Vec<f64> = measured_db.iter().zip(&modelled).map(|(m, p)| m - p).collect();
        Ok(spread(&difference, inside))
    };
    let (mut now, mut found) = (typed, Vec::new());
    let mut rest = left(&now)?;
    while found.len() < MOST_CAUSES && rest > AGREE_DB {
        let mut best: Option<(f64, String, Typed)> = None;
        for (words, slip) in now.slips(&worked.basis.names) {
            let after = left(&slip)?;
            if best.as_ref().is_none_or(|(least, ..)| after < *least) {
                best = Some((after, words, slip));
            }
        }
        match best {
            Some((after, words, slip)) if after < EXPLAINS * rest => {
                found.push(words);
                (rest, now) = (after, slip);
            }
            _ => break,
        }
    }
    Ok(found)
}

fn words(proof: &Proof) -> String {
    let became = format!(
        "proof {}: the sum became flat to {:.2} dB rms ({:.2} predicted)",
        proof.name, proof.rms_db, proof.rms_db_predicted
    );
    if proof.agrees {
        return format!("{became}; the two agree within {:.2} dB rms", proof.difference_rms_db);
    }
    let off = format!(
        "it is {:.2} dB rms (±{:.2}) from what was predicted, {:+.1} dB at {}",
        proof.difference_rms_db,
        proof.uncertainty_db,
        proof.difference_worst_db,
        hertz(proof.difference_worst_hz)
    );
    if proof.causes.is_empty() {
        format!(
            "{became}; {off}, and no single setting explains it: check every setting, the volume step and the tone controls, and record it again"
        )
    } else {
        format!(
            "{became}; {off}; it looks as though {}: check it and record it again",
            proof.causes.join(", and ")
        )
    }
}
