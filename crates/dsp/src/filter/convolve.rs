//! Convolution with a fixed set of taps, block after block.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex64;

/// Runs taps over audio by overlap-add; output appears with its input, whatever the block size.
///
/// Cheapest with blocks of at least as many samples as there are taps.
pub struct Convolver {
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
    taps_spectrum: Vec<Complex64>,
    /// Samples taken per transform.
    span: usize,
    /// What earlier input still adds to the next samples; `taps − 1` of them.
    overlap: Vec<f64>,
}

impl Convolver {
    /// For at least one tap; an empty slice behaves as a single tap of zero.
    pub fn new(taps: &[f64]) -> Self {
        let taps_len = taps.len().max(1);
        let length = (4 * taps_len).next_power_of_two().max(256);
        let mut planner = RealFftPlanner::<f64>::new();
        let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
        let mut padded = vec![0.0; length];
        padded[..taps.len()].copy_from_slice(taps);
        let mut taps_spectrum = forward.make_output_vec();
        // Lengths are the plan's own, so the transforms cannot fail.
        let _ = forward.process(&mut padded, &mut taps_spectrum);
        // The inverse transform is not normalised.
        taps_spectrum.iter_mut().for_each(|x| *x /= length as f64);
        Self {
            forward,
            inverse,
            taps_spectrum,
            span: length + 1 - taps_len,
            overlap: vec![0.0; taps_len - 1],
        }
    }

    /// Filters `samples` in place.
    pub fn process(&mut self, samples: &mut [f64]) {
        let mut buffer = self.forward.make_input_vec();
        let mut spectrum = self.forward.make_output_vec();
        for block in samples.chunks_mut(self.span) {
            let taken = block.len();
            buffer[..taken].copy_from_slice(block);
            buffer[taken..].fill(0.0);
            let _ = self.forward.process(&mut buffer, &mut spectrum);
            spectrum.iter_mut().zip(&self.taps_spectrum).for_each(|(x, h)| *x *= h);
            // A product of two real signals' spectra is real at both ends up to rounding, which the inverse refuses.
            for end in [0, spectrum.len() - 1] {
                spectrum[end].im = 0.0;
            }
            let _ = self.inverse.process(&mut spectrum, &mut buffer);
            buffer.iter_mut().zip(&self.overlap).for_each(|(y, before)| *y += before);
            block.copy_from_slice(&buffer[..taken]);
            let kept = self.overlap.len();
            self.overlap.copy_from_slice(&buffer[taken..taken + kept]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn noise(seed: u64, length: usize) -> Vec<f64> {
        let mut generator = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..length).map(|_| generator.random_range(-1.0..1.0)).collect()
    }

    fn direct(taps: &[f64], x: &[f64]) -> Vec<f64> {
        (0..x.len()).map(|n| taps.iter().enumerate().take(n + 1).map(|(k, h)| h * x[n - k]).sum()).collect()
    }

    #[test]
    fn it_is_the_sum_of_products_whatever_the_blocks() {
        for (taps_len, block) in [(1, 7), (3, 1), (64, 50), (300, 999), (513, 2_000)] {
            let (taps, x) = (noise(1, taps_len), noise(2, 2_000));
            let expected = direct(&taps, &x);
            let mut found = x.clone();
            let mut convolver = Convolver::new(&taps);
            for part in found.chunks_mut(block) {
                convolver.process(part);
            }
            let worst = found.iter().zip(&expected).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            // Rounding of a 2048-point transform of values near 1 with sums near 20.
            assert!(worst < 1e-12, "{taps_len} taps, blocks of {block}: {worst}");
        }
    }
}
