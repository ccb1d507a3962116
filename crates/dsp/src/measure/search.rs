//! Finding a known sound in a recording.

use super::deconvolve::sample;
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
    let pieces = Pieces::of(recording.len(), template.len(), rate_hz);
    let plan = plans.of(pieces.length);
    let spacing_hz = rate_hz / pieces.length as f64;
    let (first, last) =
        ((low_hz / spacing_hz) as usize, ((high_hz / spacing_hz) as usize).min(plan.bins() - 1));
    // The band alone, moved to zero frequency, and twice as many values as it has bins: its magnitude is the envelope.
    let values = pieces.values(2 * (last + 1).saturating_sub(first));
    let step = pieces.length as f64 / values as f64;
    let heard: Vec<Vec<Complex>> = pieces.cut(recording).map(|piece| plan.forward(&piece)).collect();
    let mut power = vec![0.0; plan.bins()];
    for spectrum in &heard {
        power.iter_mut().zip(spectrum).for_each(|(sum, bin)| *sum += bin.norm_sqr());
    }
    let colour = running_mean(&power, (WHITENING_HZ / spacing_hz) as usize);
    let sought: Vec<Complex> = (plan.forward(template).iter().zip(&colour))
        .map(|(bin, colour)| {
            let size = (colour * bin.norm_sqr()).sqrt();
            if size > 0.0 { bin.conj() / size } else { Complex::ZERO }
        })
        .collect();
    let (from, to) =
        ((pieces.lead as f64 / step) as usize, ((pieces.lead + pieces.hop) as f64 / step) as usize);
    let within = (recording.len() as f64 / step) as usize;
    let mut strength = Vec::with_capacity(heard.len() * (to - from));
    let mut alike = vec![Complex::ZERO; values];
    for spectrum in &heard {
        alike.fill(Complex::ZERO);
        for (k, value) in (first..=last).zip(&mut alike) {
            *value = spectrum[k] * sought[k];
        }
        plans.inverse_complex(&mut alike);
        strength.extend(alike[from..to].iter().map(|v| v.norm()));
    }
    strength.truncate(within);
    // Where nothing at all was recorded, as before a digital input's first sound, there is no noise to tell it from.
    let mut next = 0;
    let mut anything_at = |i: usize| {
        let from = (i as f64 * step) as usize;
        next = next.max(from);
        next += recording.iter().skip(next).take_while(|x| **x == 0.0).count();
        next < (from + template.len()).min(recording.len())
    };
    let noise: Vec<f64> = (0..strength.len()).filter(|&i| anything_at(i)).map(|i| strength[i]).collect();
    Likeness { floor: median(noise), strength, step }
}

/// The pieces in which a recording is searched, since several short transforms are quicker than a long one. All are
/// whitened by the same colour.
struct Pieces {
    /// Samples of each.
    length: usize,
    /// What the whitening smears around the ends of a piece is left out: so much at its beginning, and as much and the
    /// template at its end.
    lead: usize,
    /// From the beginning of one to that of the next.
    hop: usize,
}

/// A piece is this many times as long as the template at least.
const TEMPLATES_TO_A_PIECE: usize = 4;

impl Pieces {
    fn of(recording: usize, template: usize, rate_hz: f64) -> Self {
        // Powers of two, so that the places of one piece's values go on where the last piece's end.
        let lead = ((2.0 * rate_hz / WHITENING_HZ) as usize).next_power_of_two();
        let length = (TEMPLATES_TO_A_PIECE * (template + lead)).next_power_of_two();
        let whole = fast_length(recording + template);
        if whole <= length {
            return Self { length: whole, lead: 0, hop: whole };
        }
        let hop = (length - template - 2 * lead) / lead * lead;
        Self { length, lead, hop }
    }

    /// Values of the envelope of one piece: `least`, and as many more as transform fast.
    fn values(&self, least: usize) -> usize {
        let alone = self.hop == self.length;
        let fast =
            if alone { fast_length(least) } else { least.next_power_of_two().max(self.length / self.lead) };
        fast.min(self.length)
    }

    fn cut<'a>(&'a self, recording: &'a [f64]) -> impl Iterator<Item = Vec<f64>> + 'a {
        (0..recording.len()).step_by(self.hop).map(|begins| {
            let first = begins as i64 - self.lead as i64;
            (first..first + self.length as i64).map(|n| sample(recording, n)).collect()
        })
    }
}

/// Mean power over `half` bins to either side.
fn running_mean(power: &[f64], half: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(power.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    for value in power {
        sum += value;
        sums.push(sum);
    }
    (0..power.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(half), (k + half + 1).min(power.len()));
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
}

/// The middle value; 0 without values.
fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
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
