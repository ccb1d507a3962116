//! The spectrum of one input, on bins common to all recordings.

use std::f64::consts::PI;

use dsp::measure::{Played, Transfer};
use dsp::spectrum::Plans;
use rustfft::num_complex::Complex64;

/// Length of response that is looked at after the direct sound: a 10 Hz all-pass rings for a while.
pub(super) const AFTER_S: f64 = 1.0;
/// What leaks from an output's strongest part into its stop-bands (gate, converters, the player's rounding), as a ratio:
/// 86 dB down. A fit must not explain it by filters.
pub(super) const LEAK: f64 = 5e-5;

fn spacing_of(rate: u32) -> f64 {
    f64::from(rate) / common_length(rate) as f64
}

fn common_length(rate: u32) -> usize {
    dsp::spectrum::fast_length(4 * f64::from(rate) as usize)
}

/// A spectrum whose phase counts from the stimulus's own start, on bins common to all outputs.
pub(crate) struct Spectrum {
    pub bins: Vec<Complex64>,
    /// Power of the noise in each bin.
    pub noise: Vec<f64>,
    pub spacing_hz: f64,
    /// How many neighbouring bins share their noise.
    pub shared: f64,
    /// From where to where noise follows the signal, where it does over a good part of what is heard.
    pub follows_hz: Option<(f64, f64)>,
}

/// Noise that follows the signal over less than this many octaves is some disturbance.
const FOLLOWS_OCTAVES: f64 = 2.0;
/// It matters where it is less than this far under the signal.
const FOLLOWS_DB: f64 = 50.0;

/// From where to where noise follows the signal.
fn follows_hz(heard: &Transfer) -> Option<(f64, f64)> {
    let share = 10f64.powf(-FOLLOWS_DB / 10.0);
    let follows = |k: &usize| {
        heard.noise_with_signal[*k] > heard.noise[*k]
            && heard.noise[*k] < heard.bins[*k].norm_sqr()
            && heard.noise_with_signal[*k] > share * heard.bins[*k].norm_sqr()
    };
    let bins: Vec<usize> = (1..heard.bins.len()).filter(follows).collect();
    // Each bin is one k-th of an octave.
    let octaves = bins.iter().map(|&k| 1.0 / (k as f64 * std::f64::consts::LN_2)).sum::<f64>();
    let hz = |k: &usize| *k as f64 * heard.spacing_hz;
    (octaves > FOLLOWS_OCTAVES).then(|| Some((hz(bins.first()?), hz(bins.last()?))))?
}

impl Spectrum {
    pub fn heard(plans: &Plans, played: &Played, samples: &[f64], rate: u32) -> Self {
        let heard = played.response(samples, rate, None);
        let length = common_length(rate);
        let spacing_hz = spacing_of(rate);
        let mut bins = plans.of(length).forward(&heard.impulse);
        for (k, bin) in bins.iter_mut().enumerate() {
            *bin *= Complex64::cis(2.0 * PI * k as f64 * spacing_hz * heard.zero_at_s);
        }
        let noise_at = |k: usize| {
            let own = (k as f64 * spacing_hz / heard.spacing_hz) as usize;
            let all = &heard.noise_with_signal;
            all.get(own).or(all.last()).copied().unwrap_or(0.0)
        };
        let noise = (0..bins.len()).map(noise_at).collect();
        let follows_hz = follows_hz(&heard);
        Self {
            bins,
            noise,
            spacing_hz,
            shared: (1.0 / (spacing_hz * heard.independent_s)).max(1.0),
            follows_hz,
        }
    }

    /// Makes everything `factor` times as large.
    pub fn scale(&mut self, factor: f64) {
        self.bins.iter_mut().for_each(|bin| *bin *= factor);
        self.noise.iter_mut().for_each(|power| *power *= factor * factor);
    }

    /// The strongest bin.
    pub fn loudest(&self) -> f64 {
        self.bins.iter().map(|h| h.norm()).fold(0.0, f64::max)
    }

    /// How much later `second` is: two responses of the same thing, so nothing but a delay lies between them.
    pub fn lag_s(&self, second: &Self) -> f64 {
        let floor = (LEAK * self.loudest() * LEAK * second.loudest()).max(f64::MIN_POSITIVE);
        // Each bin counts by what noise leaves of its phase, and not at all where noise outweighs it.
        let weighed = |k: usize| {
            let (a, b) = (self.bins[k], second.bins[k]);
            let product = b * a.conj();
            let doubt =
                self.noise[k] / a.norm_sqr().max(floor) + second.noise[k] / b.norm_sqr().max(floor) + 1e-8;
            if doubt < 0.1 && product.norm() > floor {
                product / product.norm() / doubt
            } else {
                Complex64::ZERO
            }
        };
        let count = self.bins.len().min(second.bins.len()).min(self.noise.len()).min(second.noise.len());
        let cross: Vec<Complex64> = (0..count).map(weighed).collect();
        // First to a sample by the peak of the correlation, then by least squares of the phase that is left.
        let length = 2 * (count.max(2) - 1);
        let alike = dsp::spectrum::RealTransform::new(length).inverse(&cross);
        let peak = (0..length).max_by(|&i, &j| alike[i].total_cmp(&alike[j])).unwrap_or(0);
        let samples = if peak > length / 2 { peak as f64 - length as f64 } else { peak as f64 };
        let mut lag = samples / (self.spacing_hz * length as f64);
        for _ in 0..4 {
            let (mut up, mut down) = (0.0, 0.0);
            for (k, c) in cross.iter().enumerate().skip(1) {
                let w = 2.0 * PI * k as f64 * self.spacing_hz;
                up -= c.norm() * w * (c * Complex64::cis(w * lag)).arg();
                down += c.norm() * w * w;
            }
            lag += up / down.max(1e-300);
        }
        lag
    }

    /// How far the levels of two outputs differ in shape where both are heard, rms; none where they share nothing.
    pub fn unlike_db(&self, other: &Self) -> Option<f64> {
        let (own, others) = (self.third_octaves(), other.third_octaves());
        let loud = |list: &[f64]| list.iter().copied().fold(f64::NEG_INFINITY, f64::max) - 25.0;
        let (own_limit, other_limit) = (loud(&own), loud(&others));
        let pairs = own.iter().zip(&others).filter(|(a, b)| **a > own_limit || **b > other_limit);
        let differences: Vec<f64> = pairs.map(|(a, b)| (a - b).clamp(-60.0, 60.0)).collect();
        let n = differences.len() as f64;
        let mean = differences.iter().sum::<f64>() / n;
        (n > 3.0).then(|| (differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / n).sqrt())
    }

    /// Levels of third octaves from 20 Hz to 16 kHz.
    fn third_octaves(&self) -> Vec<f64> {
        let mean_db = |n: i32| {
            let centre_hz = 1_000.0 * 10f64.powf(f64::from(n) / 10.0);
            let range = (centre_hz / 1.122 / self.spacing_hz) as usize
                ..(centre_hz * 1.122 / self.spacing_hz) as usize;
            let powers: Vec<f64> = range.filter_map(|k| self.bins.get(k)).map(|h| h.norm_sqr()).collect();
            dsp::decibel::of_power((powers.iter().sum::<f64>() / powers.len().max(1) as f64).max(1e-30))
        };
        (-17..=12).map(mean_db).collect()
    }
}
