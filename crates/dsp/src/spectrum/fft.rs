//! Fast transforms with one normalisation.

use std::sync::{Arc, Mutex, PoisonError};

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};

/// Complex numbers of the whole crate.
pub type Complex = rustfft::num_complex::Complex<f64>;

/// A planned transform of real signals of one even length; plan once, use often, share between threads.
#[derive(Clone)]
pub struct RealTransform {
    length: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl RealTransform {
    /// Plans a transform of `length` samples, rounded up to an even number of at least 2.
    ///
    /// Any even length works; those of [`fast_length`] are quickest.
    pub fn new(length: usize) -> Self {
        let length = length.max(2).next_multiple_of(2);
        let mut planner = RealFftPlanner::new();
        Self { length, forward: planner.plan_fft_forward(length), inverse: planner.plan_fft_inverse(length) }
    }

    /// Samples of a signal.
    pub fn length(&self) -> usize {
        self.length
    }

    /// Bins of a one-sided spectrum, `length / 2 + 1`.
    pub fn bins(&self) -> usize {
        self.length / 2 + 1
    }

    /// One-sided spectrum of `signal`, cut or padded with zeros to the planned length. Not normalised.
    pub fn forward(&self, signal: &[f64]) -> Vec<Complex> {
        let mut time = self.forward.make_input_vec();
        let held = signal.len().min(self.length);
        time[..held].copy_from_slice(&signal[..held]);
        let mut spectrum = self.forward.make_output_vec();
        // Fails only on wrong buffer lengths, and these come from the plan itself.
        let done = self.forward.process(&mut time, &mut spectrum);
        debug_assert!(done.is_ok());
        spectrum
    }

    /// The real signal, of the planned length, of a one-sided spectrum; `inverse(forward(x)) == x`.
    ///
    /// A spectrum of another length is cut or padded with zeros. The imaginary parts of the first and last bin,
    /// which no real signal has, are ignored.
    pub fn inverse(&self, spectrum: &[Complex]) -> Vec<f64> {
        let mut bins = self.inverse.make_input_vec();
        let held = spectrum.len().min(bins.len());
        bins[..held].copy_from_slice(&spectrum[..held]);
        bins[0].im = 0.0;
        if let Some(last) = bins.last_mut() {
            last.im = 0.0;
        }
        let mut time = self.inverse.make_output_vec();
        let done = self.inverse.process(&mut bins, &mut time);
        debug_assert!(done.is_ok());
        let scale = 1.0 / self.length as f64;
        time.iter_mut().for_each(|x| *x *= scale);
        time
    }
}

/// Planned transforms by their length, for threads to share: planning a long one costs about as much as running it.
#[derive(Default)]
pub struct Plans {
    real: Mutex<Vec<RealTransform>>,
    inverse: Mutex<Vec<Arc<dyn Fft<f64>>>>,
}

impl Plans {
    /// The transform of `length` samples, planned when it is first asked for.
    pub fn of(&self, length: usize) -> RealTransform {
        let length = length.max(2).next_multiple_of(2);
        // A list of plans is whole at any time, whatever broke off elsewhere.
        let mut made = self.real.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(plan) = made.iter().find(|plan| plan.length() == length) {
            return plan.clone();
        }
        let plan = RealTransform::new(length);
        made.push(plan.clone());
        plan
    }

    /// Inverse complex transform in place, any length, not normalised.
    pub fn inverse_complex(&self, values: &mut [Complex]) {
        if values.is_empty() {
            return;
        }
        let plan = {
            let mut made = self.inverse.lock().unwrap_or_else(PoisonError::into_inner);
            match made.iter().find(|plan| plan.len() == values.len()) {
                Some(plan) => plan.clone(),
                None => {
                    let plan = FftPlanner::new().plan_fft_inverse(values.len());
                    made.push(plan.clone());
                    plan
                }
            }
        };
        plan.process(values);
    }
}

/// Smallest even number of at least `at_least` with no prime factor above 5: a length that transforms fast.
pub fn fast_length(at_least: usize) -> usize {
    let mut best = at_least.max(2).next_power_of_two();
    let mut fives = 1;
    while fives < best {
        let mut threes = fives;
        while threes < best {
            let rest = at_least.max(2).div_ceil(threes).next_power_of_two().max(2);
            best = best.min(threes * rest);
            threes *= 3;
        }
        fives *= 5;
    }
    best
}

/// Frequency of bin `k` in a transform of `length` samples.
pub fn bin_hz(k: usize, length: usize, rate_hz: f64) -> f64 {
    k as f64 * rate_hz / length as f64
}

/// Complex transform in place, any length, not normalised.
pub fn forward(values: &mut [Complex]) {
    if !values.is_empty() {
        FftPlanner::new().plan_fft_forward(values.len()).process(values);
    }
}

/// Inverse complex transform in place, any length, normalised by `1/N`.
pub fn inverse(values: &mut [Complex]) {
    if values.is_empty() {
        return;
    }
    FftPlanner::new().plan_fft_inverse(values.len()).process(values);
    let scale = 1.0 / values.len() as f64;
    values.iter_mut().for_each(|v| *v *= scale);
}

/// Linear convolution of two real signals, `a.len() + b.len() − 1` samples; empty where either is empty.
pub fn convolve(a: &[f64], b: &[f64]) -> Vec<f64> {
    if a.is_empty() || b.is_empty() {
        return Vec::new();
    }
    let length = a.len() + b.len() - 1;
    let plan = RealTransform::new(fast_length(length));
    let product: Vec<Complex> = plan.forward(a).iter().zip(plan.forward(b)).map(|(x, y)| x * y).collect();
    let mut out = plan.inverse(&product);
    out.truncate(length);
    out
}

/// The transform of `signal` at one frequency that need not lie on a bin: `Σ x[n] e^(−2πi f n / rate)`.
///
/// Takes `signal.len()` steps; for many frequencies a padded transform is quicker.
pub fn response_at(signal: &[f64], rate_hz: f64, frequency_hz: f64) -> Complex {
    // The rotating phasor is set afresh every block: its rounding error stays below 1e-13.
    const BLOCK: usize = 512;
    let step_rad = -std::f64::consts::TAU * frequency_hz / rate_hz;
    let step = Complex::cis(step_rad);
    let mut sum = Complex::new(0.0, 0.0);
    for (block, samples) in signal.chunks(BLOCK).enumerate() {
        let mut phasor = Complex::cis(step_rad * (block * BLOCK) as f64);
        for &x in samples {
            sum += phasor * x;
            phasor *= step;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, term by term.
    fn slow_transform(signal: &[f64]) -> Vec<Complex> {
        let n = signal.len();
        (0..=n / 2)
            .map(|k| {
                (0..n)
                    .map(|i| Complex::cis(-std::f64::consts::TAU * (k * i % n) as f64 / n as f64) * signal[i])
                    .sum()
            })
            .collect()
    }

    #[test]
    fn agrees_with_the_definition_and_comes_back() {
        let signal: Vec<f64> = (0..90).map(|i| ((i * i) as f64 * 0.37).sin()).collect();
        let plan = RealTransform::new(90);
        let fast = plan.forward(&signal);
        // 90 terms of size 1: rounding stays under 90 · 2e-16 · a few.
        for (a, b) in fast.iter().zip(slow_transform(&signal)) {
            assert!((a - b).norm() < 1e-12);
        }
        for (a, b) in plan.inverse(&fast).iter().zip(&signal) {
            assert!((a - b).abs() < 1e-14);
        }
        for (k, bin) in fast.iter().enumerate() {
            assert!((response_at(&signal, 90.0, k as f64) - bin).norm() < 1e-12);
        }
        let mut values: Vec<Complex> = signal.iter().map(|&x| Complex::new(x, 0.0)).collect();
        forward(&mut values);
        assert!(values.iter().zip(&fast).all(|(a, b)| (a - b).norm() < 1e-12));
        inverse(&mut values);
        assert!(values.iter().zip(&signal).all(|(a, b)| (a - b).norm() < 1e-14));
    }

    #[test]
    fn fast_lengths_are_even_and_tight() {
        for (at_least, expected) in
            [(0, 2), (2, 2), (3, 4), (17, 18), (97, 100), (1025, 1080), (65_536, 65_536)]
        {
            assert_eq!(fast_length(at_least), expected, "at least {at_least}");
        }
    }

    #[test]
    fn convolution_of_short_signals() {
        let out = convolve(&[1.0, 2.0], &[3.0, 0.0, -1.0]);
        for (a, b) in out.iter().zip([3.0, 6.0, -1.0, -2.0]) {
            assert!((a - b).abs() < 1e-14);
        }
        assert_eq!(out.len(), 4);
        assert!(convolve(&[], &[1.0]).is_empty());
    }
}
