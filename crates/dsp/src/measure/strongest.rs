//! Where the direct sound of a deconvolved recording lies, roughly, under noise.

use super::deconvolve::around;
use super::window::{Cut, Heard};
use crate::spectrum::{Complex, Gate, smooth_power};

/// A response begins this early and late in the sweep's own time, clocks and headers being what they are.
const PLACES_S: (f64, f64) = (-0.05, 0.4);
/// Beyond the places, so that the edges of the gate do not weigh on them.
const MARGIN_S: f64 = 0.05;
/// The gate around the places.
pub(super) const PLACES: Gate = Gate {
    before_s: MARGIN_S - PLACES_S.0,
    rise_s: MARGIN_S,
    after_s: PLACES_S.1 + MARGIN_S,
    fall_s: MARGIN_S,
};
/// Signal and noise are compared over bands of this part of an octave.
const PER_OCTAVE: f64 = 6.0;

/// The largest sample, counted from the beginning of the sweep: the median over the repeats. Good enough to look for the
/// noise elsewhere.
pub(super) fn loudest(heard: &Heard) -> i64 {
    median(heard, |cyclic| {
        let (from, to) = places(heard);
        (from..to).max_by(|&a, &b| around(cyclic, a).abs().total_cmp(&around(cyclic, b).abs()))
    })
}

/// The strongest sample under noise, counted from the beginning of the sweep: the median over the repeats.
///
/// Division by a sweep, whose power falls with frequency, makes steady noise rise with it, and under much noise the
/// largest sample is the noise's. So each band counts by its share of signal, as in a Wiener filter (N. Wiener,
/// *Extrapolation, Interpolation, and Smoothing of Stationary Time Series*, 1949). `noise` is the power per bin of
/// `spacing_hz` under a gate of `noise_energy` samples; `cut` is that of [`PLACES`].
pub(super) fn strongest(heard: &Heard, cut: &Cut, noise: &[f64], spacing_hz: f64, noise_energy: f64) -> i64 {
    let at_hz: Vec<f64> = (0..cut.bins()).map(|k| k as f64 * cut.spacing_hz()).collect();
    let noise = smooth_power(noise, spacing_hz, &at_hz, PER_OCTAVE);
    let as_much = cut.energy() / noise_energy;
    let (from, to) = places(heard);
    median(heard, |cyclic| {
        let mut bins = cut.spectrum(cyclic, 0);
        let power: Vec<f64> = bins.iter().map(Complex::norm_sqr).collect();
        let power = smooth_power(&power, cut.spacing_hz(), &at_hz, PER_OCTAVE);
        for ((bin, power), noise) in bins.iter_mut().zip(&power).zip(&noise) {
            *bin *= (1.0 - as_much * noise / power.max(f64::MIN_POSITIVE)).max(0.0);
        }
        let (impulse, first) = cut.impulse(&bins, 0);
        let size =
            |n: i64| usize::try_from(n - first).ok().and_then(|i| impulse.get(i)).map_or(0.0, |x| x.abs());
        (from..to).max_by(|&a, &b| size(a).total_cmp(&size(b)))
    })
}

/// Where to look, in samples from the beginning of the sweep.
fn places(heard: &Heard) -> (i64, i64) {
    ((PLACES_S.0 * heard.frames_per_s) as i64, (PLACES_S.1 * heard.frames_per_s) as i64)
}

fn median(heard: &Heard, place: impl Fn(&[f64]) -> Option<i64>) -> i64 {
    let mut found: Vec<i64> = heard.repeats.iter().filter_map(|(_, cyclic)| place(cyclic)).collect();
    found.sort_unstable();
    found.get(found.len() / 2).copied().unwrap_or(0)
}
