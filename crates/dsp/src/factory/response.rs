//! A line-level response, thinned to what a fit needs.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::model::DB_PER_NEPER;

/// Where the measurement itself is trusted no further, in nepers: 0.01 dB, 0.07°.
const FLOOR_NEPER: f64 = 0.01 / DB_PER_NEPER;

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
    /// From linearly spaced bins (`spectrum[k]` at `k · spacing_hz`) with the standard deviation of each bin.
    ///
    /// Cells are `1/per_octave` octave wide, at least one bin. `delay_s` is taken out before the bins of a cell are
    /// averaged and left out of the result, so that the phase turns slowly from cell to cell. Cells whose level is
    /// not 5 standard deviations above nothing are dropped.
    pub fn from_bins(
        spectrum: &[Complex64],
        sigma: &[f64],
        spacing_hz: f64,
        delay_s: f64,
        (from_hz, to_hz): (f64, f64),
        per_octave: f64,
    ) -> Self {
        let mut thinned = Self { frequency_hz: Vec::new(), value: Vec::new(), sigma_ln: Vec::new() };
        let ratio = (1.0 / per_octave).exp2();
        let mut first = (from_hz / spacing_hz).ceil().max(1.0) as usize;
        let end = ((to_hz / spacing_hz).floor() as usize + 1).min(spectrum.len()).min(sigma.len());
        while first < end {
            let after = ((first as f64 * ratio).round() as usize).clamp(first + 1, end);
            let count = (after - first) as f64;
            let hz = (first..after).map(|k| (k as f64 * spacing_hz).ln()).sum::<f64>() / count;
            let turned = |k: usize| spectrum[k] * Complex64::cis(2.0 * PI * k as f64 * spacing_hz * delay_s);
            let value = (first..after).map(turned).sum::<Complex64>() / count;
            let variance = (first..after).map(|k| sigma[k] * sigma[k]).sum::<f64>() / (count * count);
            let relative = variance.sqrt() / value.norm();
            // Each of the two parts holds half the power.
            if relative < 0.2 {
                thinned.frequency_hz.push(hz.exp());
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

    /// The same response `delay_s` later.
    pub fn delayed(mut self, delay_s: f64) -> Self {
        for (h, f) in self.value.iter_mut().zip(&self.frequency_hz) {
            *h *= Complex64::cis(-2.0 * PI * f * delay_s);
        }
        self
    }
}
