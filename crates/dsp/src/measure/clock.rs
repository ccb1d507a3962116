//! Where a stimulus lies in a recording, and how fast the recording's clock runs.

use super::MeasureError;
use super::deconvolve::{Stretch, around};
use super::lag;
use super::search::{find_jointly, likeness};
use crate::spectrum::{Complex, RealTransform, fast_length};
use crate::stimulus::{MarkerShape, Sweep};

/// The place of a stimulus in a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeBase {
    /// Recorded samples per second of played time.
    pub frames_per_s: f64,
    /// Recording clock against playing clock, positive when the recording holds more samples than were played.
    /// `None` when nothing in the recording tells, and then `frames_per_s` is the nominal rate.
    pub skew_ppm: Option<f64>,
    /// One standard deviation of `skew_ppm`.
    pub skew_sigma_ppm: f64,
    /// Where each complete sweep begins as heard, in samples of the recording, with its repeat's number from 1.
    pub sweeps: Vec<(usize, f64)>,
    /// What is worth saying about the clock.
    pub remarks: Vec<String>,
}

/// Largest clock error that is searched for.
pub(super) const LARGEST_SKEW: f64 = 600e-6;
/// A marker counts as found when its likeness is this many times that of noise.
const CLEAR: f64 = 5.0;
/// What is heard of a marker's echo before and after its direct sound.
const MARKER_BEFORE_S: f64 = 0.02;
const MARKER_AFTER_S: f64 = 0.12;

/// Finds `plan` in `recording` by its markers.
pub(super) fn by_markers(
    plan: &Sweep,
    stimulus_rate_hz: u32,
    recording: &[f64],
    rate_hz: f64,
) -> Result<TimeBase, MeasureError> {
    let line = plan.timeline(stimulus_rate_hz);
    let marker = &plan.marker;
    let frames = (marker.seconds * rate_hz).ceil() as usize + 1;
    let template: Vec<f64> = (0..frames).map(|n| marker.at(n as f64 / rate_hz)).collect();
    let alike = likeness(recording, &template, rate_hz, marker.low_hz, marker.high_hz);
    let since_first = |&at: &usize| (at as f64 - line.markers[0] as f64) / f64::from(stimulus_rate_hz);
    let distances_s: Vec<f64> = line.markers.iter().map(since_first).collect();
    let distances: Vec<f64> = distances_s.iter().map(|s| s * rate_hz).collect();
    let found = find_jointly(&alike, &distances, LARGEST_SKEW, (0.02 * rate_hz) as usize)
        .filter(|found| found.clearness >= CLEAR)
        .ok_or(MeasureError::NotFound)?;
    let mut times: Vec<f64> = found.at.iter().map(|&at| at as f64).collect();
    let mut frames_per_s = rate_hz;
    let mut sigma_s = 0.0;
    for _ in 0..2 {
        let heard: Vec<Vec<Complex>> =
            found.at.iter().map(|&at| compressed(recording, marker, at, frames_per_s)).collect();
        let padded = 2 * (heard[0].len() - 1);
        let spacing_hz = rate_hz / padded as f64;
        let band = (marker.low_hz / spacing_hz).ceil() as usize..(marker.high_hz / spacing_hz) as usize;
        let hz: Vec<f64> = band.clone().map(|k| k as f64 * spacing_hz).collect();
        let correlated = padded as f64 / ((MARKER_BEFORE_S + MARKER_AFTER_S) * rate_hz);
        for (i, spectrum) in heard.iter().enumerate().skip(1) {
            let cross: Vec<Complex> = band.clone().map(|k| spectrum[k] * heard[0][k].conj()).collect();
            let lag = lag::between(&cross, &hz, correlated).ok_or(MeasureError::NotFound)?;
            times[i] = found.at[i] as f64 + lag.seconds * rate_hz;
            sigma_s = lag.sigma_s;
        }
        if let Some((slope, _)) = line_through(&distances_s, &times) {
            frames_per_s = slope;
        }
    }
    let span_s = distances_s.last().copied().unwrap_or(0.0);
    let skewed = span_s > 0.0;
    let (frames_per_s, first) =
        line_through(&distances_s, &times).unwrap_or((rate_hz, times.first().copied().unwrap_or(0.0)));
    let place = |at: &usize| first + since_first(at) * frames_per_s;
    let complete_s = plan.shape.seconds;
    let sweeps = line
        .sweeps
        .iter()
        .map(place)
        .enumerate()
        .filter(|(_, start)| *start >= 0.0 && start + complete_s * frames_per_s <= recording.len() as f64)
        .map(|(i, start)| (i + 1, start))
        .collect();
    Ok(TimeBase {
        frames_per_s,
        skew_ppm: skewed.then_some((frames_per_s / rate_hz - 1.0) * 1e6),
        skew_sigma_ppm: if skewed { sigma_s / span_s * 1e6 } else { f64::INFINITY },
        sweeps,
        remarks: Vec::new(),
    })
}

/// Least-squares line `y = slope · x + offset`; `None` where `x` does not spread.
fn line_through(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let n = x.len() as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let xx: f64 = x.iter().map(|v| (v - mx).powi(2)).sum();
    let xy: f64 = x.iter().zip(y).map(|(v, w)| (v - mx) * (w - my)).sum();
    (xx > 0.0).then(|| (xy / xx, my - xy / xx * mx))
}

/// Spectrum of what one marker says of the car: divided by the marker and gated around `at`.
fn compressed(recording: &[f64], marker: &MarkerShape, at: usize, frames_per_s: f64) -> Vec<Complex> {
    let before = (MARKER_BEFORE_S * frames_per_s) as i64;
    let after = (MARKER_AFTER_S * frames_per_s) as i64;
    let frames = fast_length((marker.seconds * frames_per_s) as usize + (before + after) as usize);
    let stretch = Stretch { first: at as i64 - before, frames, start: at as f64, frames_per_s };
    let plan = RealTransform::new(frames);
    let heard: Vec<f64> = (0..frames as i64)
        .map(|n| {
            usize::try_from(stretch.first + n).ok().and_then(|n| recording.get(n)).copied().unwrap_or(0.0)
        })
        .collect();
    let played: Vec<f64> = (0..frames as i64)
        .map(|n| marker.at(((stretch.first + n) as f64 - stretch.start) / frames_per_s))
        .collect();
    let (mut response, played) = (plan.forward(&heard), plan.forward(&played));
    // A matched filter: its weight is the marker's own power, which is flat, and nothing is amplified.
    response.iter_mut().zip(&played).for_each(|(y, x)| *y *= x.conj());
    let cyclic = plan.inverse(&response);
    let gated: Vec<f64> = (-before..after)
        .map(|n| {
            let edge = if n < 0 { 1.0 + n as f64 / before as f64 } else { 1.0 - n as f64 / after as f64 };
            around(&cyclic, n) * (0.5 - 0.5 * (std::f64::consts::PI * (4.0 * edge).min(1.0)).cos())
        })
        .collect();
    RealTransform::new(fast_length(2 * gated.len())).forward(&gated)
}
