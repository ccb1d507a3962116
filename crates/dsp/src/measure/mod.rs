//! From a recording of a known stimulus to a response with its uncertainty.
//!
//! [`locate`] finds the stimulus and the speed of the recording's clock; [`Played`] works out the response of each
//! channel on that time base; [`analyse`] does both for one microphone and judges the result.

mod clock;
mod compressed;
mod deconvolve;
mod facts;
mod follow;
mod harmonics;
mod instant;
mod judge;
mod lag;
mod level;
mod noise;
mod repeats;
mod resample;
mod search;
mod strongest;
mod time_base;
mod transfer;
mod window;

pub use facts::{BandSnr, Distortion, Facts, HeardPolarity, RepeatsUsed};
pub use follow::{Follower, Heard, ToneFollower, ToneHeard};
pub use time_base::TimeBase;
pub use transfer::{Played, Transfer};

use crate::align::{Arrival, Confidence, arrival_within};
use crate::calibration::MicCalibration;
use crate::curve::Curve;
use crate::spectrum::{Complex, Plans};
use crate::stimulus::{Recipe, Signal, Sweep, SweepShape};
use crate::tune::Polarity;
use crate::verdict::Verdict;
use harmonics::Harmonics;
use judge::JudgedBand;
use resample::resampled;
use transfer::AFTER_S;

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
    /// Length of the response kept after the direct sound; `None` keeps half a second.
    pub window_ms: Option<f64>,
    /// The microphone's own response, which is subtracted (level, and phase where it has one).
    pub microphone: Option<MicCalibration>,
}

impl Default for Options {
    fn default() -> Self {
        Self { smoothing: 12.0, window_ms: None, microphone: None }
    }
}

/// Everything one capture tells.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Level, phase from time zero, spread and signal-to-noise ratio on a logarithmic grid.
    pub curve: Curve,
    /// Impulse response from time zero on.
    pub impulse: Vec<f64>,
    /// The response with what rings before time zero; its own time zero is where the stimulus was heard.
    pub transfer: Transfer,
    /// All else.
    pub facts: Facts,
}

/// Why a capture gives no response at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeasureError {
    /// The recipe is not one of sweeps.
    #[error("the stimulus holds no sweep; a response is measured with `stimulus sweep`")]
    NoSweep,
    /// The recipe has no two markers.
    #[error("the stimulus has no markers at its ends to be followed by; make one with markers")]
    NoMarkers,
    /// Nothing was recorded.
    #[error("the recording is silent; check the microphone, its input and its gain, and record again")]
    Silent,
    /// The stimulus is not there.
    #[error(
        "the stimulus is not in this recording: it holds something else, or too much noise; check that this is the recording of this very stimulus"
    )]
    NotFound,
    /// The recording is not as fast as its header says.
    #[error(
        "the header says {says_hz} Hz, but the stimulus in it runs as if recorded at {is_hz} Hz; save it again with its true rate"
    )]
    WrongRate {
        /// By its own account.
        says_hz: u32,
        /// By the markers.
        is_hz: u32,
    },
    /// No sweep lies wholly in the recording.
    #[error(
        "the recording is {has_s:.1} s long and holds no complete sweep; the stimulus takes {needed_s:.1} s: record from before it begins until after it ends"
    )]
    TooShort {
        /// Length of the recording.
        has_s: f64,
        /// Length of the stimulus.
        needed_s: f64,
    },
    /// A sample is not a number.
    #[error("sample {at} of the recording is not a finite number; record again or export it again")]
    NotFinite {
        /// Counted from 0.
        at: usize,
    },
    /// A rate that no recording has.
    #[error("a recording at {0} Hz cannot be analysed; give one at 8000 to 192000 Hz")]
    Rate(u32),
}

/// Where the direct sound lies in an impulse response without a time reference.
pub const DIRECT_AT_MS: f64 = 10.0;

/// The sweeps of a recipe.
fn sweep_of(recipe: &Recipe) -> Result<&Sweep, MeasureError> {
    match &recipe.signal {
        Signal::Sweep(sweep) => Ok(sweep),
        _ => Err(MeasureError::NoSweep),
    }
}

/// Finds the stimulus in one channel of a recording, and the error of the recording's clock.
///
/// # Errors
/// [`MeasureError`] where it is not there.
pub fn locate(
    plans: &Plans,
    recipe: &Recipe,
    channel: &[f64],
    rate_hz: u32,
) -> Result<TimeBase, MeasureError> {
    let sweep = sweep_of(recipe)?;
    if !(8000..=192_000).contains(&rate_hz) {
        return Err(MeasureError::Rate(rate_hz));
    }
    if let Some(at) = channel.iter().position(|x| !x.is_finite()) {
        return Err(MeasureError::NotFinite { at });
    }
    clock::Search::new(plans, recipe, sweep, channel, f64::from(rate_hz)).locate()
}

/// Response, impulse response and facts of one capture.
///
/// # Errors
/// [`MeasureError`] where the capture gives no response at all; everything less is a remark and a verdict.
pub fn analyse(recipe: &Recipe, capture: &Capture, options: &Options) -> Result<Measured, MeasureError> {
    let sweep = sweep_of(recipe)?;
    let shape = &sweep.shape;
    if let Some(at) = capture.microphone.iter().position(|x| !x.is_finite()) {
        return Err(MeasureError::NotFinite { at });
    }
    let rate = f64::from(capture.rate_hz);
    let plans = Plans::default();
    let base = locate(&plans, recipe, capture.reference.unwrap_or(capture.microphone), capture.rate_hz)?;
    let after_s = options.window_ms.map_or(AFTER_S, |ms| ms / 1000.0);
    let microphone = options.microphone.as_ref();
    let played = Played::new(&plans, recipe, &base, after_s)?;
    let (whole, working) = played.worked_out(capture.microphone, capture.rate_hz, microphone);
    let top_hz = shape.whole_to_hz().min(0.499 * rate);
    let bands = judge::bands(&whole, shape, top_hz);
    if !judge::stands_out(&bands) || judge::smeared(&working.heard, working.direct) {
        let silent = capture.microphone.iter().all(|x| x.abs() < 1e-5);
        return Err(if silent { MeasureError::Silent } else { MeasureError::NotFound });
    }
    let direct = Direct::of(&whole, shape, &bands);
    let zero_s = match capture.reference {
        Some(reference) => {
            let heard = played.response(reference, capture.rate_hz, None);
            Direct::of(&heard, shape, &judge::bands(&heard, shape, top_hz)).at_s
        }
        None => direct.at_s - DIRECT_AT_MS / 1000.0,
    };
    let mut curve = level::curve(
        &whole,
        level::grid_hz(&whole, shape.low_hz, top_hz, options.smoothing),
        options.smoothing,
        direct.at_s,
        top_hz,
    );
    count_phase_from(&mut curve, zero_s);
    let peak_dbfs = 20.0 * capture.microphone.iter().fold(1e-10f64, |m, x| m.max(x.abs())).log10();
    let clipped = judge::clipped(capture.microphone);
    let mut remarks = base.remarks.clone();
    remarks.extend(whole.remarks.iter().cloned());
    if clipped {
        let words =
            "The recording is clipped: turn the input down, by 6 dB to begin with, and take it again.";
        remarks.push((Verdict::Retake, words.into()));
    }
    remarks.extend(judge::noise(&bands, peak_dbfs));
    if remarks.iter().all(|(verdict, _)| *verdict == Verdict::Good) {
        remarks.extend(judge::loudness(&whole, shape, working.gate_energy));
    }
    if direct.polarity == HeardPolarity::Unclear {
        let words =
            "Polarity cannot be told from this response; a wider band or less reflected sound would help.";
        remarks.push((Verdict::Good, words.into()));
    }
    let start = base.sweeps.first().map_or(0.0, |(_, at)| *at);
    let power: Vec<f64> = whole.bins.iter().map(Complex::norm_sqr).collect();
    let mic_db = |hz: f64| microphone.map_or(0.0, |m| m.level_at_db(hz));
    let distortion =
        Harmonics::read(&plans, &working.heard, &working.used, &working.gate, working.direct, shape)
            .distortion(shape, &power, &whole.noise, whole.spacing_hz, working.gate_energy, mic_db);
    let facts = Facts {
        sample_rate_hz: capture.rate_hz,
        start_offset_s: start_offset_s(start, zero_s, &base, rate, capture.reference.is_some(), direct.at_s),
        clock_skew_ppm: base.skew_ppm,
        arrival_ms: (direct.at_s - zero_s) * 1000.0,
        polarity: direct.polarity,
        peak_dbfs,
        clipped,
        snr_db: judge::snr(&bands),
        distortion,
        repeats: whole.repeats.clone(),
        verdict: remarks.iter().map(|(verdict, _)| *verdict).max().unwrap_or_default(),
        remarks: remarks.into_iter().map(|(_, words)| words).collect(),
    };
    Ok(Measured { curve, impulse: impulse_from(&whole, zero_s), transfer: whole, facts })
}

/// Capture time of the impulse response's time zero.
///
/// Without a reference the sum with the arrival is the capture time of the direct sound, exactly; with one it is the
/// place of the stimulus in the reference channel, exactly. (The arrival is in played time, and the two clocks differ.)
fn start_offset_s(start: f64, zero_s: f64, base: &TimeBase, rate: f64, referred: bool, direct_s: f64) -> f64 {
    if referred {
        (start + zero_s * base.frames_per_s) / rate
    } else {
        (start + direct_s * base.frames_per_s) / rate - DIRECT_AT_MS / 1000.0
    }
}

/// The direct sound of a response.
struct Direct {
    /// From the response's time zero.
    at_s: f64,
    polarity: HeardPolarity,
}

/// The direct sound comes no earlier than this before the strongest sample of a response, and no later after it.
const NEAR_STRONGEST_S: (f64, f64) = (0.03, 0.01);
/// What is looked at around the strongest sample where noise is as strong elsewhere.
const CLOSE_LOOK_S: (f64, f64) = (0.05, 0.1);

impl Direct {
    fn of(transfer: &Transfer, shape: &SweepShape, bands: &[JudgedBand]) -> Self {
        let heard_hz = judge::clear_hz(bands, shape);
        let strongest_s = transfer.zero_at_s + transfer.strongest_s;
        let near = |arrival: &Arrival| {
            (-NEAR_STRONGEST_S.0..NEAR_STRONGEST_S.1).contains(&(arrival.time_s - strongest_s))
        };
        let found = heard_in(transfer, heard_hz, 0.0, f64::INFINITY).filter(near).or_else(|| {
            let (from_s, to_s) = (strongest_s - CLOSE_LOOK_S.0, strongest_s + CLOSE_LOOK_S.1);
            heard_in(transfer, heard_hz, from_s, to_s).filter(near)
        });
        match found {
            Some(Arrival { time_s, polarity, confidence, band, .. }) => Self {
                at_s: finer(transfer, shape, time_s, polarity, band) - transfer.zero_at_s,
                polarity: match (confidence, polarity) {
                    (Confidence::Low, _) => HeardPolarity::Unclear,
                    (_, Polarity::Normal) => HeardPolarity::Normal,
                    (_, Polarity::Inverted) => HeardPolarity::Inverted,
                },
            },
            None => Self { at_s: transfer.strongest_s, polarity: HeardPolarity::Unclear },
        }
    }
}

/// The arrival in a part of a response, by what is heard from `low_hz` to `high_hz`, on the time base of the whole; `None`
/// where there is none to be found.
fn heard_in(transfer: &Transfer, (low_hz, high_hz): (f64, f64), from_s: f64, to_s: f64) -> Option<Arrival> {
    let rate = f64::from(transfer.rate_hz);
    let frame = |at_s: f64| ((at_s * rate).max(0.0) as usize).min(transfer.impulse.len());
    let (first, last) = (frame(from_s), frame(to_s));
    let found = arrival_within(transfer.impulse.get(first..last)?, rate, low_hz, high_hz);
    let begins_s = first as f64 / rate;
    found.ok().map(|it| Arrival {
        time_s: it.time_s + begins_s,
        threshold_s: it.threshold_s + begins_s,
        ..it
    })
}

/// The arrival from the whole measured band, where the channel fills it up to its upper edge; `coarse_s` elsewhere.
fn finer(
    transfer: &Transfer,
    shape: &SweepShape,
    coarse_s: f64,
    polarity: Polarity,
    band: crate::align::Band,
) -> f64 {
    let known_hz = (1.25 * shape.low_hz, 0.97 * shape.high_hz);
    if band.high_hz < 0.9 * known_hz.1 {
        return coarse_s;
    }
    let inverted = polarity == Polarity::Inverted;
    instant::refined(&transfer.impulse, f64::from(transfer.rate_hz), known_hz, coarse_s, inverted)
        .unwrap_or(coarse_s)
}

/// Counts the phase of a curve from `zero_s` instead of 0.
fn count_phase_from(curve: &mut Curve, zero_s: f64) {
    if let Some(phase) = &mut curve.phase_deg {
        for (angle, hz) in phase.iter_mut().zip(&curve.frequency_hz) {
            *angle = crate::spectrum::wrap_deg(*angle + 360.0 * hz * zero_s);
        }
    }
}

/// The impulse response from `zero_s` on.
fn impulse_from(transfer: &Transfer, zero_s: f64) -> Vec<f64> {
    let rate = f64::from(transfer.rate_hz);
    let begins_s = transfer.zero_at_s + zero_s;
    let frames = (transfer.impulse.len() as f64 - begins_s * rate).max(1.0) as usize;
    resampled(&transfer.impulse, rate, begins_s, rate, frames)
}

#[cfg(test)]
mod tests;
