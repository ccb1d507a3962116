//! Finding a known sound in a recording.

use crate::spectrum::{Complex, Plans, fast_length};

/// How strongly each instant of a recording looks like the beginning of a template, without regard to phase.
pub(super) struct Likeness {
    /// One value every [`Self::step`] samples of the recording.
    strength: Vec<f64>,
    /// Samples of the recording from one value to the next: the band needs no more.
    step: f64,
    /// What noise alone gives, as a median.
    floor: f64,
}

/// A sound of `seconds`, sampled for [`likeness`]; `at` gives its value so many seconds after its beginning.
pub(super) fn rendered(seconds: f64, rate_hz: f64, at: impl Fn(f64) -> f64) -> Vec<f64> {
    (0..(seconds * rate_hz).ceil() as usize + 1).map(|n| at(n as f64 / rate_hz)).collect()
}

/// Width over which the recording's spectrum is evened out before it is correlated.
const WHITENING_HZ: f64 = 40.0;

/// Envelope of the correlation of `recording` with `template` within `low_hz..high_hz`.
///
/// Both are whitened, so that neither a hum nor the colour of the noise outweighs the band (generalised
/// cross-correlation: C. Knapp and G. Carter, IEEE Trans. ASSP 24(4), 1976; from memory).
pub(super) fn likeness(
    plans: &Plans,
    recording: &[f64],
    template: &[f64],
    rate_hz: f64,
    low_hz: f64,
    high_hz: f64,
) -> Likeness {
    let length = fast_length(recording.len() + template.len());
    let plan = plans.of(length);
    let heard = plan.forward(recording);
    let sought = plan.forward(template);
    let spacing_hz = rate_hz / length as f64;
    let (first, last) =
        ((low_hz / spacing_hz) as usize, ((high_hz / spacing_hz) as usize).min(plan.bins() - 1));
    let colour = running_mean(&heard, (WHITENING_HZ / spacing_hz) as usize);
    // The band alone, moved to zero frequency, and twice as many values as it has bins: its magnitude is the envelope.
    let values = fast_length(2 * (last + 1).saturating_sub(first)).min(length);
    let mut alike = vec![Complex::new(0.0, 0.0); values];
    for (k, value) in (first..=last).zip(&mut alike) {
        let size = (colour[k] * sought[k].norm_sqr()).sqrt();
        if size > 0.0 {
            *value = heard[k] * sought[k].conj() / size;
        }
    }
    plans.inverse_complex(&mut alike);
    let step = length as f64 / values as f64;
    let within = ((recording.len() as f64 / step) as usize).min(values);
    let strength: Vec<f64> = alike.iter().take(within).map(|v| v.norm()).collect();
    let floor = median(&strength);
    Likeness { strength, step, floor }
}

/// Mean power over `half` bins to either side.
fn running_mean(spectrum: &[Complex], half: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(spectrum.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for value in spectrum {
        sum += value.norm_sqr();
        sums.push(sum);
    }
    (0..spectrum.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(half), (k + half + 1).min(spectrum.len()));
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
}

/// The middle value; 0 without values.
pub(super) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    let middle = sorted.len() / 2;
    if sorted.is_empty() {
        return 0.0;
    }
    *sorted.select_nth_unstable_by(middle, f64::total_cmp).1
}

impl Likeness {
    /// The `count` strongest instants that are at least `apart` samples from one another, strongest first, in samples of
    /// the recording.
    pub fn peaks(&self, count: usize, apart: usize) -> Vec<f64> {
        let block_length = ((apart as f64 / self.step) as usize).max(1);
        let mut best_of_block: Vec<(f64, usize)> = self
            .strength
            .chunks(block_length)
            .enumerate()
            .filter_map(|(block, values)| {
                let (i, v) = values.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
                Some((*v, block * block_length + i))
            })
            .collect();
        best_of_block.sort_by(|a, b| b.0.total_cmp(&a.0));
        best_of_block.into_iter().take(count).map(|(_, at)| at as f64 * self.step).collect()
    }

    /// The strongest instant from `from` to `to`, in samples of the recording, and how strong it is.
    pub fn strongest_in(&self, from: f64, to: f64) -> Option<(f64, f64)> {
        let from = (from / self.step).ceil().max(0.0) as usize;
        let to = ((to / self.step).floor().max(-1.0) + 1.0) as usize;
        let range = self.strength.get(from..to.min(self.strength.len()))?;
        let (i, v) = range.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
        Some(((from + i) as f64 * self.step, *v))
    }

    /// How many times a strength stands above what noise alone gives.
    pub fn clearness(&self, strength: f64) -> f64 {
        strength / self.floor.max(f64::MIN_POSITIVE)
    }
}

/// The instants of several equal sounds whose distances are known up to a common stretch.
pub(super) struct Found {
    /// One instant per sound, in samples.
    pub at: Vec<f64>,
    /// The weakest of them over the floor of the noise, as a ratio.
    pub clearness: f64,
}

/// Candidates for the first sound.
const CANDIDATES: usize = 64;

/// Finds sounds at the known `distances` (samples, the first is 0), each stretched by at most `stretch`.
///
/// The product of all likenesses decides, so that one loud coincidence does not. `None` where they do not all fit
/// into the recording.
pub(super) fn find_jointly(
    likeness: &Likeness,
    distances: &[f64],
    stretch: f64,
    apart: usize,
) -> Option<Found> {
    let mut best: Option<(f64, Found)> = None;
    // Any of the sounds may be the one that stands out: candidates are taken from all of them.
    for peak in likeness.peaks(CANDIDATES, apart) {
        for &own in distances {
            let mut at = Vec::with_capacity(distances.len());
            let (mut score, mut weakest) = (0.0, f64::INFINITY);
            for &other in distances {
                let slack = 2.0 * likeness.step.max(1.0) + stretch * (other - own).abs();
                let centre = peak + other - own;
                let Some((i, v)) = likeness.strongest_in(centre - slack, centre + slack) else { break };
                at.push(i);
                score += v.max(f64::MIN_POSITIVE).ln();
                weakest = weakest.min(v);
            }
            if at.len() == distances.len() && best.as_ref().is_none_or(|(s, _)| score > *s) {
                best = Some((score, Found { at, clearness: likeness.clearness(weakest) }));
            }
        }
    }
    best.map(|(_, found)| found)
}
