//! The part of a deconvolved recording that belongs to one thing: the direct sound and its ringing, a harmonic, noise.

use super::deconvolve::around;
use crate::spectrum::{Complex, Gate, Plans, RealTransform, fast_length};

/// Cyclic responses of all sweeps of one recording, sample 0 at the beginning of each sweep.
pub(super) struct Heard {
    /// The number of each sweep from 1, and its response.
    pub repeats: Vec<(usize, Vec<f64>)>,
    /// Samples per second of played time.
    pub frames_per_s: f64,
}

/// How one gate cuts, for any place.
pub(super) struct Cut {
    gate: Gate,
    frames_per_s: f64,
    first: i64,
    weights: Vec<f64>,
    plan: RealTransform,
}

/// Bins are this much closer than the gate's length would need, so that straight lines between them serve.
const OVERSAMPLED: usize = 3;

impl Cut {
    pub fn new(gate: Gate, frames_per_s: f64, plans: &Plans) -> Self {
        let first = -(gate.before_s * frames_per_s).floor() as i64;
        let last = (gate.after_s * frames_per_s).floor() as i64;
        let weights: Vec<f64> = (first..=last).map(|n| gate.weight(n as f64 / frames_per_s)).collect();
        let plan = plans.of(fast_length(OVERSAMPLED * weights.len()));
        Self { gate, frames_per_s, first, weights, plan }
    }

    pub fn spacing_hz(&self) -> f64 {
        self.frames_per_s / self.plan.length() as f64
    }

    pub fn bins(&self) -> usize {
        self.plan.bins()
    }

    pub fn gate(&self) -> &Gate {
        &self.gate
    }

    /// Energy of the gate itself, in samples.
    pub fn energy(&self) -> f64 {
        self.weights.iter().map(|w| w * w).sum()
    }

    /// The time over which noise under the gate is one independent value.
    pub fn independent_s(&self) -> f64 {
        let fourth: f64 = self.weights.iter().map(|w| w.powi(4)).sum();
        self.energy().powi(2) / fourth / self.frames_per_s
    }

    /// Spectrum of what the gate lets through at `centre` (samples); phase counts from sample 0 of `cyclic`.
    pub fn spectrum(&self, cyclic: &[f64], centre: i64) -> Vec<Complex> {
        let start = centre + self.first;
        let mut bins = self.let_through(cyclic, start);
        let turn = -std::f64::consts::TAU * start as f64 / self.plan.length() as f64;
        bins.iter_mut().enumerate().for_each(|(k, bin)| *bin *= Complex::cis(turn * k as f64));
        bins
    }

    /// Power of what the gate lets through at `centre` (samples).
    pub fn power(&self, cyclic: &[f64], centre: i64) -> Vec<f64> {
        self.let_through(cyclic, centre + self.first).iter().map(Complex::norm_sqr).collect()
    }

    /// Spectrum of what the gate lets through from `start` on; phase counts from there.
    fn let_through(&self, cyclic: &[f64], start: i64) -> Vec<Complex> {
        let gated = self.weights.iter().enumerate().map(|(i, w)| w * around(cyclic, start + i as i64));
        self.plan.forward(&gated.collect::<Vec<f64>>())
    }

    /// The gated response of a spectrum made at `centre`, and the sample at which it begins.
    pub fn impulse(&self, bins: &[Complex], centre: i64) -> (Vec<f64>, i64) {
        let start = centre + self.first;
        let turn = std::f64::consts::TAU * start as f64 / self.plan.length() as f64;
        let turned: Vec<Complex> =
            bins.iter().enumerate().map(|(k, bin)| bin * Complex::cis(turn * k as f64)).collect();
        let mut impulse = self.plan.inverse(&turned);
        impulse.truncate(self.weights.len());
        (impulse, start)
    }
}

impl Heard {
    /// Samples in each response.
    pub fn length(&self) -> usize {
        self.repeats.first().map_or(0, |(_, cyclic)| cyclic.len())
    }
}
