//! Delay by any number of samples.

use std::f64::consts::PI;

use super::Convolver;

/// Half the length of the interpolating kernel: flat within 0.001 dB up to 0.47 of the sample rate.
const HALF_LENGTH: usize = 64;
/// Kaiser window shape for stop-band ripple near −100 dB (Kaiser 1974).
const KAISER_BETA: f64 = 10.0;
/// A delay closer than this to a whole number of samples is one.
const WHOLE_SAMPLE: f64 = 1e-6;

/// A delay line; whole samples exactly, parts of a sample by a windowed sinc (Laakso et al. 1996).
pub struct DelayLine {
    waiting: Vec<f64>,
    next: usize,
    interpolation: Option<Convolver>,
    latency_samples: usize,
}

impl DelayLine {
    /// For a delay of zero or more samples.
    pub fn new(delay_samples: f64) -> Self {
        let whole = delay_samples.round();
        if (delay_samples - whole).abs() < WHOLE_SAMPLE {
            return Self::of_whole(whole as usize, None, 0);
        }
        let floor = delay_samples.floor();
        let kernel = fractional_kernel(delay_samples - floor);
        // The kernel itself delays by HALF_LENGTH − 1 samples; a shorter delay can only be had later.
        let built_in = HALF_LENGTH - 1;
        let floor = floor as usize;
        Self::of_whole(
            floor.saturating_sub(built_in),
            Some(Convolver::new(&kernel)),
            built_in.saturating_sub(floor),
        )
    }

    fn of_whole(samples: usize, interpolation: Option<Convolver>, latency_samples: usize) -> Self {
        Self { waiting: vec![0.0; samples], next: 0, interpolation, latency_samples }
    }

    /// Samples by which the output comes later than asked: a causal filter cannot interpolate a short delay without.
    pub fn latency_samples(&self) -> usize {
        self.latency_samples
    }

    /// Delays `samples` in place.
    pub fn process(&mut self, samples: &mut [f64]) {
        if !self.waiting.is_empty() {
            for sample in samples.iter_mut() {
                std::mem::swap(sample, &mut self.waiting[self.next]);
                self.next = (self.next + 1) % self.waiting.len();
            }
        }
        if let Some(interpolation) = &mut self.interpolation {
            interpolation.process(samples);
        }
    }
}

/// Taps that delay by `HALF_LENGTH − 1 + fraction` samples.
fn fractional_kernel(fraction: f64) -> Vec<f64> {
    let edge = bessel_i0(KAISER_BETA);
    let mut taps: Vec<f64> = (0..2 * HALF_LENGTH)
        .map(|n| {
            let t = n as f64 - (HALF_LENGTH - 1) as f64 - fraction;
            let place = t / HALF_LENGTH as f64;
            let sinc = if t == 0.0 { 1.0 } else { (PI * t).sin() / (PI * t) };
            sinc * bessel_i0(KAISER_BETA * (1.0 - place * place).max(0.0).sqrt()) / edge
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|h| *h /= sum);
    taps
}

/// Modified Bessel function of the first kind, order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-17 * sum {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_samples_are_exact() {
        let mut line = DelayLine::new(3.0);
        let mut samples = vec![1.0, 2.0, 3.0, 4.0, 5.0];
        line.process(&mut samples[..2]);
        line.process(&mut samples[2..]);
        assert_eq!(samples, [0.0, 0.0, 0.0, 1.0, 2.0]);
        assert_eq!(line.latency_samples(), 0);
    }

    /// A tone comes out as the same tone later; 22 kHz of 48 is near the end of the kernel's flat band.
    #[test]
    fn parts_of_a_sample_shift_a_tone() {
        for delay in [0.25, 5.5, 100.75, 200.04] {
            for frequency_hz in [50.0, 1_000.0, 15_000.0, 22_000.0] {
                let w = 2.0 * PI * frequency_hz / 48_000.0;
                let mut samples: Vec<f64> = (0..2_000).map(|n| (w * f64::from(n)).sin()).collect();
                let mut line = DelayLine::new(delay);
                line.process(&mut samples);
                let shift = delay + line.latency_samples() as f64;
                let worst = (600..2_000)
                    .map(|n| (samples[n] - (w * (n as f64 - shift)).sin()).abs())
                    .fold(0.0, f64::max);
                // −80 dB: the kernel's ripple at the end of its flat band.
                assert!(worst < 1e-4, "{delay} samples, {frequency_hz} Hz: {worst}");
            }
        }
    }
}
