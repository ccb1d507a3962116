//! Transforms of whole signals: long convolution, and filters made from magnitudes.

use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;

/// A forward and a backward real transform of one length.
#[derive(Clone)]
pub struct Transform {
    length: usize,
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
}

impl Transform {
    /// A pair of transforms of `length` samples; `length` must be even and positive.
    pub fn new(length: usize) -> Self {
        let mut planner = RealFftPlanner::new();
        Self { length, forward: planner.plan_fft_forward(length), backward: planner.plan_fft_inverse(length) }
    }

    /// Length in samples.
    pub fn length(&self) -> usize {
        self.length
    }

    /// Bins of `length / 2 + 1` frequencies; `signal` is cut or filled with zeros to the length.
    pub fn spectrum(&self, signal: &[f64]) -> Vec<Complex<f64>> {
        let mut input = signal[..signal.len().min(self.length)].to_vec();
        input.resize(self.length, 0.0);
        let mut bins = self.forward.make_output_vec();
        // The lengths come from the plan itself, so this cannot fail.
        let _ = self.forward.process(&mut input, &mut bins);
        bins
    }

    /// The signal of `bins`, scaled so that it undoes [`Transform::spectrum`].
    pub fn signal(&self, mut bins: Vec<Complex<f64>>) -> Vec<f64> {
        bins.resize(self.length / 2 + 1, Complex::default());
        bins[0].im = 0.0;
        bins[self.length / 2].im = 0.0;
        let mut output = self.backward.make_output_vec();
        // As above; the two bins that must be real were made so.
        let _ = self.backward.process(&mut bins, &mut output);
        let scale = 1.0 / self.length as f64;
        output.iter_mut().for_each(|sample| *sample *= scale);
        output
    }
}

/// Convolution with one set of taps by overlapping blocks.
#[derive(Clone)]
pub struct Convolver {
    taps: usize,
    transform: Transform,
    bins: Vec<Complex<f64>>,
}

impl Convolver {
    /// Prepares `taps`; without taps everything becomes silence.
    pub fn new(taps: &[f64]) -> Self {
        let transform = Transform::new((4 * taps.len().max(64)).next_power_of_two());
        let bins = transform.spectrum(taps);
        Self { taps: taps.len(), transform, bins }
    }

    /// `signal` convolved with the taps, cut to the length of `signal`.
    pub fn run(&self, signal: &[f64]) -> Vec<f64> {
        let mut output = vec![0.0; signal.len()];
        let block = self.transform.length() - self.taps.max(1) + 1;
        for (i, piece) in signal.chunks(block).enumerate() {
            if piece.iter().all(|&sample| sample == 0.0) {
                continue;
            }
            let mut bins = self.transform.spectrum(piece);
            bins.iter_mut().zip(&self.bins).for_each(|(a, b)| *a *= b);
            let ringing = self.transform.signal(bins);
            for (out, add) in output[i * block..].iter_mut().zip(ringing) {
                *out += add;
            }
        }
        output
    }
}

/// The minimum-phase spectrum with the given magnitudes at the bins of `transform`.
///
/// By folding the cepstrum (Oppenheim and Schafer, *Discrete-Time Signal Processing*, ch. 12). Magnitudes below
/// −200 dB are raised to it, since a minimum phase has no zeros on the unit circle.
pub fn minimum_phase(transform: &Transform, magnitudes: &[f64]) -> Vec<Complex<f64>> {
    let logs = magnitudes.iter().map(|&m| Complex::new(m.max(1e-10).ln(), 0.0)).collect();
    let mut cepstrum = transform.signal(logs);
    let half = transform.length() / 2;
    cepstrum[1..half].iter_mut().for_each(|c| *c *= 2.0);
    cepstrum[half + 1..].fill(0.0);
    transform.spectrum(&cepstrum).into_iter().map(Complex::exp).collect()
}
