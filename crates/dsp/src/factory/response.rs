//! A line-level response, thinned to what a fit needs.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::model::DB_PER_NEPER;

/// What a clean measurement leaves at best, in nepers: 0.001 dB. Explanations are told apart down to this.
const FLOOR_NEPER: f64 = 0.001 / DB_PER_NEPER;
/// What converters and leads bend besides, in nepers: 0.004 dB, 0.03°. No explanation is doubted for this.
const TRUST_NEPER: f64 = 0.004 / DB_PER_NEPER;

/// How many times the power of a cell must be that of its noise for its own turning to be believed.
const CLEAR: f64 = 100.0;

/// A complex response on ascending frequencies with the uncertainty of its logarithm.
#[derive(Debug, Clone, PartialEq)]
pub struct LineResponse {
    /// Ascending, in hertz.
    pub frequency_hz: Vec<f64>,
    /// `H` at each frequency.
    pub value: Vec<Complex64>,
    /// Standard deviation of the real and of the imaginary part of `ln H`.
    pub sigma_ln: Vec<f64>,
}

impl LineResponse {
    /// From linearly spaced bins (`spectrum[k]` at `k · spacing_hz`) with the standard deviation of each bin,
    /// and what may leak into each of them from elsewhere.
    ///
    /// Cells are `1/per_octave` octave wide, at least one bin. `delay_s` is left out of the result, so that the phase
    /// turns slowly from cell to cell; what still turns within a cell, where the response rings longer than its strongest
    /// part, is turned back about the cell's centre before its bins are averaged, so that no level is lost by the
    /// averaging. Cells whose level is not 5 standard deviations above nothing are dropped.
    pub fn from_bins(
        spectrum: &[Complex64],
        (sigma, leak): (&[f64], f64),
        spacing_hz: f64,
        delay_s: f64,
        (from_hz, to_hz): (f64, f64),
        per_octave: f64,
    ) -> Self {
        let mut thinned = Self { frequency_hz: Vec::new(), value: Vec::new(), sigma_ln: Vec::new() };
        let ratio = (1.0 / per_octave).exp2();
        let mut first = (from_hz / spacing_hz).ceil().max(1.0) as usize;
        let end = ((to_hz / spacing_hz).floor() as usize + 1).min(spectrum.len()).min(sigma.len());
        let mut clear_delay_s = delay_s;
        while first < end {
            let after = ((first as f64 * ratio).round() as usize).clamp(first + 1, end);
            let count = (after - first) as f64;
            let hz = ((first..after).map(|k| (k as f64 * spacing_hz).ln()).sum::<f64>() / count).exp();
            let heard = spectrum[first..after].iter().map(|h| h.norm_sqr()).sum::<f64>();
            let unheard = (first..after).map(|k| sigma[k] * sigma[k]).sum::<f64>();
            let turned_back = |own_delay_s: f64| {
                (first..after)
                    .map(|k| {
                        spectrum[k] * Complex64::cis(2.0 * PI * (k as f64 * spacing_hz - hz) * own_delay_s)
                    })
                    .sum::<Complex64>()
            };
            // In noise the turning of the last cell that was clear may be the better guess: far outside its band an
            // output turns evenly. What lines the bins up best loses the least.
            let own_delay_s = turn_s(spectrum, spacing_hz, first, after, end);
            let (own, last) = (turned_back(own_delay_s), turned_back(clear_delay_s));
            let sum = if own.norm() >= last.norm() { own } else { last };
            if heard > CLEAR * unheard {
                clear_delay_s = own_delay_s;
            }
            let value = sum / count * Complex64::cis(2.0 * PI * hz * delay_s);
            let variance = (first..after).map(|k| sigma[k] * sigma[k]).sum::<f64>() / (count * count);
            // A leak hangs together over the cell and does not average away.
            let relative = (variance.sqrt() / value.norm()).hypot(leak / value.norm());
            // Each of the two parts holds half the power.
            if relative < 0.2 && heard > unheard {
                thinned.frequency_hz.push(hz);
                thinned.value.push(value);
                thinned.sigma_ln.push((0.5 * relative * relative + FLOOR_NEPER * FLOOR_NEPER).sqrt());
            }
            first = after;
        }
        thinned
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.frequency_hz.len()
    }

    /// True without any point.
    pub fn is_empty(&self) -> bool {
        self.frequency_hz.is_empty()
    }

    /// Levels in dB.
    pub fn level_db(&self) -> Vec<f64> {
        self.value.iter().map(|h| DB_PER_NEPER * h.norm().ln()).collect()
    }

    /// Every `n`-th point.
    pub fn every(&self, n: usize) -> Self {
        self.keep(|i| i % n == 0)
    }

    /// The points at and below a frequency.
    pub fn up_to(&self, hz: f64) -> Self {
        self.keep(|i| self.frequency_hz[i] <= hz)
    }

    /// The points for which `wanted` holds.
    pub fn keep(&self, wanted: impl Fn(usize) -> bool) -> Self {
        let kept = (0..self.len()).filter(|&i| wanted(i));
        let mut thinned = Self { frequency_hz: Vec::new(), value: Vec::new(), sigma_ln: Vec::new() };
        for i in kept {
            thinned.frequency_hz.push(self.frequency_hz[i]);
            thinned.value.push(self.value[i]);
            thinned.sigma_ln.push(self.sigma_ln[i]);
        }
        thinned
    }

    /// The same response trusted no further than converters and leads allow.
    pub(super) fn as_trusted(&self) -> Self {
        let sigma_ln = self.sigma_ln.iter().map(|sigma| sigma.hypot(TRUST_NEPER)).collect();
        Self { sigma_ln, ..self.clone() }
    }

    /// The same response `delay_s` later.
    pub fn delayed(mut self, delay_s: f64) -> Self {
        for (h, f) in self.value.iter_mut().zip(&self.frequency_hz) {
            *h *= Complex64::cis(-2.0 * PI * f * delay_s);
        }
        self
    }
}

/// Group delay around the bins `first..after`, from how each bin is turned against its neighbour.
///
/// The cell on either side counts too, since the turn within one cell alone is noisy. No bin from `end` on.
fn turn_s(spectrum: &[Complex64], spacing_hz: f64, first: usize, after: usize, end: usize) -> f64 {
    let width = after - first;
    let around = first.saturating_sub(width).max(1)..(after + width).min(end);
    let turned: Complex64 = spectrum[around].windows(2).map(|pair| pair[1] * pair[0].conj()).sum();
    -turned.arg() / (2.0 * PI * spacing_hz)
}
