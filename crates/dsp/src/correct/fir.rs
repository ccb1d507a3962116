//! Correction by taps: what the bands leave, with bounded boost and bounded pre-ringing.

use crate::curve::interpolate_log;
use crate::spectrum::{RealTransform, minimum_phase_impulse};

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
    let length = (8 * taps).next_power_of_two().max(8192);
    let (low_hz, high_hz) = (grid_hz[0], grid_hz[grid_hz.len() - 1]);
    let level_db = |f: f64| {
        let inside = interpolate_log(grid_hz, wanted_db, f.clamp(low_hz, high_hz)).unwrap_or(0.0);
        let octaves_out = (low_hz / f.max(1e-3)).max(f / high_hz).log2().clamp(0.0, 1.0);
        inside * (1.0 - octaves_out)
    };
    let magnitude: Vec<f64> =
        (0..=length / 2).map(|k| 10f64.powf(level_db(k as f64 * rate_hz / length as f64) / 20.0)).collect();
    match kind {
        FirKind::MinimumPhase => {
            let impulse = minimum_phase_impulse(&magnitude).unwrap_or_else(|_| vec![1.0]);
            // Only the tail is faded; the first samples carry the treble.
            let fade = taps / 4;
            (0..taps)
                .map(|n| {
                    let left = taps - n;
                    let window =
                        if left > fade { 1.0 } else { raised_cosine(left as f64 / (fade + 1) as f64) };
                    impulse.get(n).copied().unwrap_or(0.0) * window
                })
                .collect()
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

/// 0 at 0 and below, 1 at 1.
fn raised_cosine(share: f64) -> f64 {
    0.5 - 0.5 * (std::f64::consts::PI * share.clamp(0.0, 1.0)).cos()
}
