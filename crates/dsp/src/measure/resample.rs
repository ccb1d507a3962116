//! A signal between its samples.

use std::f64::consts::PI;
use std::sync::LazyLock;

use super::deconvolve::sample;
use crate::dot::dot;

/// The part of a signal from `from_s` on, at a rate and start of one's own choosing; zero outside the signal.
///
/// Windowed-sinc interpolation (J. O. Smith, *Digital Audio Resampling*; Kaiser window), good to −100 dB up to nine tenths
/// of half the rate. `frames_per_s` is the true rate of `signal`.
pub(super) fn resampled(
    signal: &[f64],
    frames_per_s: f64,
    from_s: f64,
    rate_hz: f64,
    frames: usize,
) -> Vec<f64> {
    (0..frames).map(|n| between_samples(signal, (from_s + n as f64 / rate_hz) * frames_per_s)).collect()
}

/// Taps to either side of the interpolated instant.
const HALF_TAPS: i64 = 48;
const TAPS: usize = 2 * HALF_TAPS as usize + 1;
/// Kaiser shape: side lobes at about −110 dB.
const KAISER_BETA: f64 = 11.0;
/// Offsets from the nearest sample for which the window is tabulated; straight lines between them are right to 1e-7.
const OFFSETS: usize = 256;

/// The Kaiser window at every tap, its sign turning from tap to tap as the sine does, for offsets from −½ to ½ sample.
static WINDOWS: LazyLock<Vec<[f64; TAPS]>> = LazyLock::new(|| {
    let window = |distance: f64| {
        let edge = (distance / (HALF_TAPS as f64 + 0.5)).powi(2);
        if edge > 1.0 { 0.0 } else { bessel_i0(KAISER_BETA * (1.0 - edge).sqrt()) / bessel_i0(KAISER_BETA) }
    };
    (0..=OFFSETS)
        .map(|i| {
            let offset = i as f64 / OFFSETS as f64 - 0.5;
            std::array::from_fn(|tap| {
                let sign = if tap.is_multiple_of(2) { 1.0 } else { -1.0 };
                sign * window(offset - (tap as f64 - HALF_TAPS as f64))
            })
        })
        .collect()
});

fn between_samples(signal: &[f64], at: f64) -> f64 {
    let nearest = at.round();
    let offset = at - nearest;
    let nearest = nearest as i64;
    if offset.abs() < 1e-9 {
        return sample(signal, nearest);
    }
    let place = (offset + 0.5) * OFFSETS as f64;
    let row = (place as usize).min(OFFSETS - 1);
    let share = place - row as f64;
    let (low, high) = (&WINDOWS[row], &WINDOWS[row + 1]);
    let weights: [f64; TAPS] = std::array::from_fn(|tap| {
        (low[tap] + share * (high[tap] - low[tap])) / (offset - (tap as f64 - HALF_TAPS as f64))
    });
    let sum = match usize::try_from(nearest - HALF_TAPS).ok().and_then(|i| signal.get(i..i + TAPS)) {
        Some(samples) => dot(&weights, samples),
        None => (-HALF_TAPS..=HALF_TAPS).zip(&weights).map(|(k, w)| w * sample(signal, nearest + k)).sum(),
    };
    sum * (PI * offset).sin() / PI
}

/// The modified Bessel function of order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}
