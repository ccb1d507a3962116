//! Pink noise with an exact spectrum.

use std::f64::consts::TAU;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use realfft::{RealFftPlanner, num_complex::Complex};
use serde::{Deserialize, Serialize};

use super::sweep::fade;
use super::{RecipeError, band_within, channel_within, frames_of, within};

/// Noise with equal power in every octave of its band and nothing outside it.
///
/// Magnitudes follow `1/√f` exactly and only the phases are drawn (common practice, no source), so that a
/// short take already has the right spectrum.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pink {
    /// The channel that carries it, counted from 1.
    pub on: usize,
    /// Lower edge.
    pub low_hz: f64,
    /// Upper edge.
    pub high_hz: f64,
    /// Length.
    pub seconds: f64,
    /// Fade at both ends.
    pub fade_s: f64,
    /// Seed of the phases.
    pub seed: u64,
}

/// Most that pink noise may have in rms, so that its peaks (about 13 dB above) stay below full scale.
const LOUDEST_DBFS: f64 = -14.0;

impl Pink {
    pub(super) fn check(&self, rate_hz: u32, channels: usize, level_dbfs: f64) -> Result<(), RecipeError> {
        channel_within(self.on, channels)?;
        band_within(rate_hz, self.low_hz, self.high_hz)?;
        within("the length of the noise in seconds", self.seconds, 0.1, 600.0)?;
        within("the fade in seconds", self.fade_s, 0.0, self.seconds / 2.0)?;
        within("the rms level of pink noise in dBFS", level_dbfs, -120.0, LOUDEST_DBFS)
    }

    pub(super) fn frames(&self, rate_hz: u32) -> usize {
        frames_of(self.seconds, rate_hz)
    }

    pub(super) fn render(&self, rate_hz: u32, rms: f64) -> Result<Vec<f64>, RecipeError> {
        let frames = self.frames(rate_hz);
        let inverse = RealFftPlanner::<f64>::new().plan_fft_inverse(frames);
        let mut spectrum = inverse.make_input_vec();
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        let bin_hz = f64::from(rate_hz) / frames as f64;
        let last = (frames - 1) / 2;
        for (k, bin) in spectrum.iter_mut().enumerate().skip(1).take(last) {
            let hz = k as f64 * bin_hz;
            let phase = random.random_range(0.0..TAU);
            if (self.low_hz..=self.high_hz).contains(&hz) {
                *bin = Complex::from_polar(hz.sqrt().recip(), phase);
            }
        }
        let mut samples = inverse.make_output_vec();
        let transformed = inverse.process(&mut spectrum, &mut samples);
        debug_assert!(transformed.is_ok(), "buffers come from the plan itself");
        let power = samples.iter().map(|x| x * x).sum::<f64>() / frames as f64;
        let scale = rms / power.sqrt().max(f64::MIN_POSITIVE);
        for (i, sample) in samples.iter_mut().enumerate() {
            let t_s = i as f64 / f64::from(rate_hz);
            *sample *= scale * fade(t_s, self.seconds, self.fade_s, self.fade_s);
        }
        let peak = samples.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
        within("the peak of the noise", peak, 0.0, 1.0)?;
        Ok(samples)
    }
}
