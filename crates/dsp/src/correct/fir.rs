//! Correction by taps: what the bands leave, with bounded boost and bounded pre-ringing.

use crate::curve::interpolate_log;
use crate::limits::PreRinging;
use crate::spectrum::{Complex, RealTransform, minimum_phase, minimum_phase_impulse};

/// Which phase the taps have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FirKind {
    /// Least delay, no pre-ringing.
    MinimumPhase,
    /// The same delay at every frequency, with pre-ringing of at most [`LONGEST_PRE_RINGING_S`].
    LinearPhase,
}

/// Linear-phase taps ring before the sound for at most this long; pre-echoes within it are masked
/// (backward masking fades within some 20 ms; Zwicker & Fastl, Psychoacoustics).
pub const LONGEST_PRE_RINGING_S: f64 = 0.02;

/// Taps whose level is `wanted_db` over `grid_hz` and flat at its end values beyond, falling to 0 dB an octave out.
///
/// `taps` must be at least 8. A level finer than `rate / taps` is smoothed by the window.
pub(super) fn design(
    grid_hz: &[f64],
    wanted_db: &[f64],
    rate_hz: f64,
    taps: usize,
    kind: FirKind,
) -> Vec<f64> {
    let length = transform_length(taps);
    let magnitude = magnitudes(grid_hz, wanted_db, rate_hz, length);
    match kind {
        FirKind::MinimumPhase => {
            let impulse = minimum_phase_impulse(&magnitude).unwrap_or_else(|_| vec![1.0]);
            // Only the tail is faded; the first samples carry the treble.
            (0..taps).map(|n| impulse.get(n).copied().unwrap_or(0.0) * faded(taps - n, taps)).collect()
        }
        FirKind::LinearPhase => {
            let spectrum: Vec<_> = magnitude.iter().map(|&m| m.into()).collect();
            let impulse = RealTransform::new(length).inverse(&spectrum);
            let middle = (taps - 1) / 2;
            let reach = (middle as f64).min(LONGEST_PRE_RINGING_S * rate_hz);
            (0..taps)
                .map(|n| {
                    let off = n.abs_diff(middle);
                    let window = raised_cosine(1.0 - off as f64 / (reach + 1.0));
                    impulse[off] * window
                })
                .collect()
        }
    }
}

/// Taps with bounded pre-ringing.
#[derive(Debug, Clone, PartialEq)]
pub struct BoundedTaps {
    /// The taps.
    pub taps: Vec<f64>,
    /// Samples from the first tap to the one that stands for the sound's own time.
    pub latency_samples: usize,
    /// What rings ahead of the sound; see [`pre_ringing_db`].
    pub pre_ringing_db: f64,
    /// Above this the phase is left as it is; below, the taps have least phase.
    pub linear_from_hz: f64,
}

/// Clicks nearer than this are one (H. Wallach, E. Newman, M. Rosenzweig, "The precedence effect in sound localization",
/// Am. J. Psychol. 62, 1949, give some milliseconds; from memory): what is that near is part of the sound.
const ONE_SOUND_S: f64 = 1e-3;
/// How far the next frequency is that is tried.
const LINEAR_STEP: f64 = std::f64::consts::SQRT_2;
const LOWEST_OCTAVE_HZ: f64 = 62.5;

/// Samples by which taps bounded by `bound` delay a sound: the same for every level that is wanted.
pub fn latency_samples(bound: PreRinging, rate_hz: f64, taps: usize) -> usize {
    ((1e-3 * bound.longest_ms * rate_hz).round().max(0.0) as usize).min(taps / 2)
}

/// Taps whose level is `wanted_db` over `grid_hz`, flat at its end values beyond and falling to 0 dB an octave out, that
/// leave the phase as it is wherever that rings no more ahead of the sound than `bound` allows.
///
/// Leaving the phase rings ahead as long as after, and the lower a frequency, the longer; least phase does not ring ahead
/// at all. So the lowest frequency, `linear_from_hz` or higher, is looked for from which the phase can be left: over the
/// octave around it the taps pass from least phase to none. `taps` must be at least 8.
pub fn bounded_taps(
    grid_hz: &[f64],
    wanted_db: &[f64],
    rate_hz: f64,
    taps: usize,
    bound: PreRinging,
    linear_from_hz: f64,
) -> BoundedTaps {
    let length = transform_length(taps);
    let magnitude = magnitudes(grid_hz, wanted_db, rate_hz, length);
    let least = minimum_phase(&magnitude).unwrap_or_else(|_| vec![Complex::new(1.0, 0.0); magnitude.len()]);
    let plan = RealTransform::new(length);
    let latency_samples = latency_samples(bound, rate_hz, taps);
    let with_phase_from = |linear_from_hz: f64| {
        let turned = |(k, h): (usize, &Complex)| {
            let octaves = (k as f64 * rate_hz / length as f64 / linear_from_hz).max(1e-9).log2();
            Complex::from_polar(h.norm(), h.arg() * (1.0 - raised_cosine(octaves + 0.5)))
        };
        let spectrum: Vec<Complex> = least.iter().enumerate().map(turned).collect();
        let impulse = plan.inverse(&spectrum);
        let after = taps - latency_samples;
        let taps: Vec<f64> = (0..taps)
            .map(|n| match n.checked_sub(latency_samples) {
                Some(later) => impulse[later] * faded(after - later, after),
                None => impulse[length + n - latency_samples] * faded(n + 1, latency_samples),
            })
            .collect();
        let pre_ringing_db = pre_ringing_db(&taps, latency_samples, rate_hz);
        BoundedTaps { taps, latency_samples, pre_ringing_db, linear_from_hz }
    };
    let mut from_hz = if latency_samples == 0 { rate_hz } else { linear_from_hz };
    loop {
        let made = with_phase_from(from_hz);
        // An octave beyond half the rate nothing is left to turn.
        if made.pre_ringing_db <= bound.loudest_db || from_hz >= rate_hz {
            return made;
        }
        from_hz *= LINEAR_STEP;
    }
}

/// The loudest of what comes earlier than a millisecond before tap `latency_samples`, in any octave, against the loudest
/// of all in that octave, in dB; −∞ where nothing comes.
///
/// Octave by octave, since a low tone that rings ahead is small beside a main tap that holds all frequencies alike.
pub fn pre_ringing_db(taps: &[f64], latency_samples: usize, rate_hz: f64) -> f64 {
    let end = latency_samples.saturating_sub((ONE_SOUND_S * rate_hz) as usize);
    let ahead = taps.get(..end).unwrap_or_default();
    if ahead.iter().all(|tap| *tap == 0.0) {
        return f64::NEG_INFINITY;
    }
    // As much silence as taps: an octave's ringing dies away in it.
    let length = (2 * taps.len()).next_power_of_two();
    let plan = RealTransform::new(length);
    let (ahead, all) = (plan.forward(ahead), plan.forward(taps));
    let loudest = |spectrum: &[Complex], middle_hz: f64| {
        let in_octave = |(k, h): (usize, &Complex)| {
            let octaves = (k as f64 * rate_hz / length as f64 / middle_hz).max(1e-9).log2();
            h * raised_cosine(1.0 - octaves.abs())
        };
        let part: Vec<Complex> = spectrum.iter().enumerate().map(in_octave).collect();
        plan.inverse(&part).into_iter().fold(0.0, |most: f64, x| most.max(x.abs()))
    };
    let octaves = std::iter::successors(Some(LOWEST_OCTAVE_HZ), |f| Some(2.0 * f));
    octaves
        .take_while(|f| *f < 0.35 * rate_hz)
        .map(|f| 20.0 * (loudest(&ahead, f) / loudest(&all, f)).log10())
        .fold(f64::NEG_INFINITY, f64::max)
}

/// Long enough that a cepstrum and an impulse die away within it.
fn transform_length(taps: usize) -> usize {
    (8 * taps).next_power_of_two().max(8192)
}

/// Linear, at the bins of a transform of `length`.
fn magnitudes(grid_hz: &[f64], wanted_db: &[f64], rate_hz: f64, length: usize) -> Vec<f64> {
    let (low_hz, high_hz) = (grid_hz[0], grid_hz[grid_hz.len() - 1]);
    let level_db = |f: f64| {
        let inside = interpolate_log(grid_hz, wanted_db, f.clamp(low_hz, high_hz)).unwrap_or(0.0);
        let octaves_out = (low_hz / f.max(1e-3)).max(f / high_hz).log2().clamp(0.0, 1.0);
        inside * (1.0 - octaves_out)
    };
    (0..=length / 2).map(|k| 10f64.powf(level_db(k as f64 * rate_hz / length as f64) / 20.0)).collect()
}

/// The last quarter of `of` samples fades; `left` counts from the end, the last sample being 1.
fn faded(left: usize, of: usize) -> f64 {
    let fade = of / 4;
    if left > fade { 1.0 } else { raised_cosine(left as f64 / (fade + 1) as f64) }
}

/// 0 at 0 and below, 1 at 1.
fn raised_cosine(share: f64) -> f64 {
    0.5 - 0.5 * (std::f64::consts::PI * share.clamp(0.0, 1.0)).cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;
    use crate::filter::taps_responses;

    const RATE_HZ: f64 = 48_000.0;

    fn bells(grid_hz: &[f64], at: &[(f64, f64, f64)]) -> Vec<f64> {
        let bell = |f: f64, (hz, db, octaves): &(f64, f64, f64)| {
            db * (-0.5 * ((f / hz).log2() / octaves).powi(2)).exp()
        };
        grid_hz.iter().map(|f| at.iter().map(|it| bell(*f, it)).sum()).collect()
    }

    /// Low and narrow wants ring long: the bound holds for whatever is wanted, and the level is there all the same.
    #[test]
    fn what_rings_ahead_is_bounded_and_the_level_is_there() {
        let grid = log_grid_hz(60.0, 16_000.0, 24.0);
        let bound = PreRinging::default();
        for wants in [
            vec![(300.0, 5.0, 0.2), (2_500.0, -4.0, 0.1)],
            vec![(180.0, -8.0, 0.3), (700.0, 4.0, 0.15), (9_000.0, 6.0, 0.3)],
            vec![(5_000.0, -3.0, 0.1)],
        ] {
            let wanted = bells(&grid, &wants);
            let made = bounded_taps(&grid, &wanted, RATE_HZ, 2048, bound, 100.0);
            assert_eq!((made.taps.len(), made.latency_samples), (2048, 240));
            assert!(made.pre_ringing_db <= bound.loudest_db, "{wants:?}: {}", made.pre_ringing_db);
            // 1807 taps after the main one resolve 27 Hz; the bells are wider.
            for (h, wanted) in taps_responses(&made.taps, RATE_HZ, &grid).iter().zip(&wanted) {
                assert!((20.0 * h.norm().log10() - wanted).abs() < 0.5, "{wants:?}");
            }
        }
    }

    #[test]
    fn the_phase_is_left_above_and_least_below() {
        let grid = log_grid_hz(60.0, 16_000.0, 24.0);
        let wanted = bells(&grid, &[(150.0, 6.0, 0.3), (6_000.0, 6.0, 0.2)]);
        let made = bounded_taps(&grid, &wanted, RATE_HZ, 2048, PreRinging::default(), 100.0);
        // Between the two bells.
        assert!((160.0..5_000.0).contains(&made.linear_from_hz), "{}", made.linear_from_hz);
        let turned = |f: f64| {
            let wait = Complex::cis(std::f64::consts::TAU * f * made.latency_samples as f64 / RATE_HZ);
            (taps_responses(&made.taps, RATE_HZ, &[f])[0] * wait).arg().to_degrees()
        };
        assert!(turned(5_300.0).abs() < 1.0 && turned(6_700.0).abs() < 1.0);
        // A rise of least phase leads below its middle and lags above.
        assert!(turned(120.0) > 5.0 && turned(190.0) < -5.0, "{} {}", turned(120.0), turned(190.0));
    }

    /// Without anything ahead of the sound there is no delay either.
    #[test]
    fn no_pre_ringing_asked_is_least_phase_without_delay() {
        let grid = log_grid_hz(60.0, 16_000.0, 24.0);
        let wanted = bells(&grid, &[(800.0, -5.0, 0.2)]);
        let bound = PreRinging { longest_ms: 0.0, loudest_db: -40.0 };
        let made = bounded_taps(&grid, &wanted, RATE_HZ, 1024, bound, 100.0);
        let least = design(&grid, &wanted, RATE_HZ, 1024, FirKind::MinimumPhase);
        assert_eq!((made.latency_samples, made.pre_ringing_db), (0, f64::NEG_INFINITY));
        let apart = made.taps.iter().zip(&least).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(apart < 1e-9, "{apart}");
    }
}
