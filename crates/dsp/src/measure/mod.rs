//! From a recording of a known stimulus to a response with its uncertainty.
//!
//! [`locate`] finds the stimulus and the speed of the recording's clock; [`transfer`] works out the response of one
//! channel on that time base; [`analyse`] does both for one microphone and judges the result.

mod clock;
mod deconvolve;
mod facts;
mod lag;
mod search;

pub use clock::TimeBase;
pub use deconvolve::Spectrum;
pub use facts::{BandSnr, Distortion, Facts, HeardPolarity, RepeatsUsed};

use crate::calibration::MicCalibration;
use crate::curve::{Curve, log_grid_hz};
use crate::spectrum::{Gate, RealTransform, fast_length, smoothed_curve};
use crate::stimulus::{Recipe, Signal, Sweep};
use crate::verdict::Verdict;
use deconvolve::{Stretch, around, deconvolve, resampled};

/// One recording of a stimulus.
#[derive(Debug, Clone, Copy)]
pub struct Capture<'a> {
    /// Sample rate by its own account.
    pub rate_hz: u32,
    /// The microphone's channel.
    pub microphone: &'a [f64],
    /// A loop-back of the played signal in the same recording: it gives time zero.
    pub reference: Option<&'a [f64]>,
}

/// How to analyse.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// The curve is smoothed over 1/`smoothing` octave; 0 smooths nothing.
    pub smoothing: f64,
    /// Length of the response kept after the direct sound; `None` lets the noise decide.
    pub window_ms: Option<f64>,
    /// The microphone's own response, which is subtracted (level, and phase where it has one).
    pub microphone: Option<MicCalibration>,
}

impl Default for Options {
    fn default() -> Self {
        Self { smoothing: 12.0, window_ms: None, microphone: None }
    }
}

/// A response on a time base: impulse response, and its complex spectrum.
#[derive(Debug, Clone, PartialEq)]
pub struct Transfer {
    /// Sample rate of `impulse`.
    pub rate_hz: u32,
    /// The whole windowed response, in played time.
    pub impulse: Vec<f64>,
    /// Where time zero lies in `impulse`, in seconds from its first sample.
    pub zero_at_s: f64,
    /// Its spectrum; phase is counted from time zero.
    pub spectrum: Spectrum,
}

/// Everything one capture tells.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Level, phase from time zero, spread and signal-to-noise ratio on a logarithmic grid.
    pub curve: Curve,
    /// Impulse response from time zero on.
    pub impulse: Vec<f64>,
    /// The response with what rings before time zero.
    pub transfer: Transfer,
    /// All else.
    pub facts: Facts,
}

/// Why a capture gives no response at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeasureError {
    /// The recipe is not one of sweeps.
    #[error("the stimulus holds no sweep; a response is measured with \"stimulus sweep\"")]
    NoSweep,
    /// The stimulus is not there.
    #[error(
        "the stimulus was not found in the recording; check that it was played, and that this is its recording"
    )]
    NotFound,
}

/// Where the direct sound lies in an impulse response without a time reference.
pub const DIRECT_AT_MS: f64 = 10.0;
/// What is kept before the direct sound: the band edge at 20 Hz rings both ways.
const BEFORE_S: f64 = 0.2;
/// What is kept after it when nobody asks for less.
const AFTER_S: f64 = 0.6;

/// The sweeps of a recipe.
fn sweep_of(recipe: &Recipe) -> Result<&Sweep, MeasureError> {
    match &recipe.signal {
        Signal::Sweep(sweep) => Ok(sweep),
        _ => Err(MeasureError::NoSweep),
    }
}

/// Finds the stimulus in one channel of a recording.
///
/// # Errors
/// [`MeasureError`] where it is not there.
pub fn locate(recipe: &Recipe, channel: &[f64], rate_hz: u32) -> Result<TimeBase, MeasureError> {
    clock::by_markers(sweep_of(recipe)?, recipe.rate_hz, channel, f64::from(rate_hz))
}

/// The response of one channel on a time base that may come from another channel of the same recording.
///
/// Time zero is where `base` places the stimulus.
///
/// # Errors
/// [`MeasureError`] where the time base holds no complete sweep.
pub fn transfer(
    recipe: &Recipe,
    base: &TimeBase,
    channel: &[f64],
    rate_hz: u32,
    after_s: f64,
) -> Result<Transfer, MeasureError> {
    let sweep = sweep_of(recipe)?;
    let seconds = sweep.shape.seconds + sweep.gap_s;
    let mut sum: Vec<f64> = Vec::new();
    for (_, start) in &base.sweeps {
        let before = (0.25 * base.frames_per_s) as i64;
        let frames = fast_length((seconds * base.frames_per_s) as usize + before as usize);
        let at = Stretch {
            first: start.floor() as i64 - before,
            frames,
            start: *start,
            frames_per_s: base.frames_per_s,
        };
        let cyclic = deconvolve(channel, &sweep.shape, recipe.amplitude(), &at);
        if sum.is_empty() {
            sum = cyclic;
        } else {
            sum.iter_mut().zip(&cyclic).for_each(|(s, c)| *s += c);
        }
    }
    if sum.is_empty() {
        return Err(MeasureError::NotFound);
    }
    let share = 1.0 / base.sweeps.len() as f64;
    sum.iter_mut().for_each(|s| *s *= share);
    let peak = (0..sum.len()).max_by(|&a, &b| sum[a].abs().total_cmp(&sum[b].abs())).unwrap_or(0);
    let direct_s = signed(peak, sum.len()) as f64 / base.frames_per_s;
    let gate = Gate { before_s: BEFORE_S, rise_s: 0.05, after_s, fall_s: 0.3 * after_s };
    let zero_at_s = 0.25;
    let rate = f64::from(rate_hz);
    let kept = ((zero_at_s + direct_s.max(0.0) + after_s) * rate) as usize;
    let raw = resampled(&sum, base.frames_per_s, -zero_at_s, rate, kept);
    let impulse = gate.apply(&raw, rate, zero_at_s + direct_s);
    let plan = RealTransform::new(fast_length(4 * impulse.len()));
    let spacing_hz = rate / plan.length() as f64;
    let mut bins = plan.forward(&impulse);
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= crate::spectrum::Complex::cis(std::f64::consts::TAU * k as f64 * spacing_hz * zero_at_s);
    }
    Ok(Transfer { rate_hz, impulse, zero_at_s, spectrum: Spectrum { bins, spacing_hz } })
}

/// Index on a ring as a signed distance from its first entry.
fn signed(index: usize, length: usize) -> i64 {
    if index > length / 2 { index as i64 - length as i64 } else { index as i64 }
}

/// Response, impulse response and facts of one capture.
///
/// # Errors
/// [`MeasureError`] where the capture gives no response at all; everything less is a remark and a verdict.
pub fn analyse(recipe: &Recipe, capture: &Capture, options: &Options) -> Result<Measured, MeasureError> {
    let sweep = sweep_of(recipe)?;
    let base = locate(recipe, capture.reference.unwrap_or(capture.microphone), capture.rate_hz)?;
    let after_s = options.window_ms.map_or(AFTER_S, |ms| ms / 1000.0);
    let whole = transfer(recipe, &base, capture.microphone, capture.rate_hz, after_s)?;
    let rate = f64::from(capture.rate_hz);
    let peak = whole.impulse.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let (peak_at, peak_value) = peak.map_or((0, 0.0), |(i, v)| (i, *v));
    let direct_s = peak_at as f64 / rate - whole.zero_at_s;
    let grid = log_grid_hz(sweep.shape.low_hz, sweep.shape.high_hz, 96.0);
    let curve =
        smoothed_curve(&whole.spectrum.bins, whole.spectrum.spacing_hz, &grid, options.smoothing, direct_s);
    let zero_s = if capture.reference.is_some() { 0.0 } else { direct_s - DIRECT_AT_MS / 1000.0 };
    let first = ((whole.zero_at_s + zero_s) * rate).round() as i64;
    let impulse = (first..whole.impulse.len() as i64).map(|n| around(&whole.impulse, n)).collect();
    let played_peak = capture.microphone.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    let start = base.sweeps.first().map_or(0.0, |(_, s)| *s);
    Ok(Measured {
        curve,
        impulse,
        facts: Facts {
            sample_rate_hz: capture.rate_hz,
            start_offset_s: start / rate + zero_s,
            clock_skew_ppm: base.skew_ppm,
            arrival_ms: (direct_s - zero_s) * 1000.0,
            polarity: if peak_value > 0.0 { HeardPolarity::Normal } else { HeardPolarity::Inverted },
            peak_dbfs: 20.0 * played_peak.log10(),
            clipped: played_peak >= 1.0,
            snr_db: Vec::new(),
            distortion: Vec::new(),
            repeats: RepeatsUsed { used: base.sweeps.len(), rejected: Vec::new() },
            verdict: Verdict::Good,
            remarks: base.remarks.clone(),
        },
        transfer: whole,
    })
}

#[cfg(test)]
mod tests;
