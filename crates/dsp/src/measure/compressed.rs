//! A short sound of a recording compressed to an impulse, for comparing when two of them arrive.

use super::deconvolve::around;
use super::lag::{self, Lag};
use crate::spectrum::{Complex, Plans, fast_length};

/// What is heard of a sound before and after its direct sound.
pub(super) const BEFORE_S: f64 = 0.02;
pub(super) const AFTER_S: f64 = 0.12;

/// The spectrum of a short gated response, for comparing times.
pub(super) struct Compressed {
    bins: Vec<Complex>,
    spacing_hz: f64,
    low_hz: f64,
    high_hz: f64,
    /// Bins that share one independent value.
    correlated: f64,
    /// Noise grows as this power of frequency.
    noise_power: i32,
    /// How much later than where it was compressed its time is counted from.
    counted_later_s: f64,
}

impl Compressed {
    /// Gates `cyclic` around the largest sample near its beginning.
    pub fn new(
        plans: &Plans,
        cyclic: &[f64],
        frames_per_s: f64,
        low_hz: f64,
        high_hz: f64,
        noise_power: i32,
    ) -> Self {
        let before = (BEFORE_S * frames_per_s) as i64;
        let after = (AFTER_S * frames_per_s) as i64;
        let ramp = |share: f64| 0.5 - 0.5 * (std::f64::consts::PI * (4.0 * share).min(1.0)).cos();
        let gated: Vec<f64> = (-before..after)
            .map(|n| {
                let inside =
                    if n < 0 { 1.0 + n as f64 / before as f64 } else { 1.0 - n as f64 / after as f64 };
                around(cyclic, n) * ramp(inside)
            })
            .collect();
        let plan = plans.of(fast_length(2 * gated.len()));
        Self {
            bins: plan.forward(&gated),
            spacing_hz: frames_per_s / plan.length() as f64,
            low_hz,
            high_hz,
            correlated: plan.length() as f64 / gated.len() as f64,
            noise_power,
            counted_later_s: 0.0,
        }
    }

    /// Counts its time from `seconds` later.
    pub fn count_later(&mut self, seconds: f64) {
        self.counted_later_s += seconds;
    }

    /// How much later this is than `other`, by phase within `band_hz` or the whole band that both have.
    pub fn after(&self, other: &Self, band_hz: Option<(f64, f64)>) -> Option<Lag> {
        let (low_hz, high_hz) =
            band_hz.unwrap_or((self.low_hz.max(other.low_hz), self.high_hz.min(other.high_hz)));
        let range = (low_hz / self.spacing_hz).ceil() as usize..(high_hz / self.spacing_hz) as usize;
        let hz: Vec<f64> = range.clone().map(|k| k as f64 * self.spacing_hz).collect();
        let cross: Vec<Complex> = range
            .zip(&hz)
            .filter_map(|(k, f)| {
                let (a, b) = (self.bins.get(k)?, other.bins.get(k)?);
                let product = a * b.conj();
                // The weaker of the two decides: a bang in one must not outweigh the rest.
                let size = a.norm_sqr().min(b.norm_sqr()) / f.powi(self.noise_power);
                let norm = product.norm();
                Some(if norm > 0.0 { product * (size / norm) } else { product })
            })
            .collect();
        let lag = lag::between(&cross, &hz, self.correlated)?;
        Some(Lag { seconds: lag.seconds - (self.counted_later_s - other.counted_later_s), ..lag })
    }
}
