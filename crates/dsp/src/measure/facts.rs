//! What a measurement found, in the words of the facts file.

use serde::{Deserialize, Serialize};

use crate::verdict::Verdict;

/// Everything about one capture that is not a curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// Sample rate of the capture and of the impulse response.
    pub sample_rate_hz: u32,
    /// Capture time of the impulse response's time zero.
    pub start_offset_s: f64,
    /// Positive when the capture holds more samples than were played; `None` when nothing tells.
    pub clock_skew_ppm: Option<f64>,
    /// Direct sound, from the impulse response's time zero, in played time.
    pub arrival_ms: f64,
    /// Which way round the direct sound is.
    pub polarity: HeardPolarity,
    /// Largest sample of the capture.
    pub peak_dbfs: f64,
    /// The capture hit its ceiling while the stimulus played.
    pub clipped: bool,
    /// Signal-to-noise ratio in third-octave bands.
    pub snr_db: Vec<BandSnr>,
    /// Harmonics over the frequency of the fundamental.
    pub distortion: Vec<Distortion>,
    /// Which repeats count.
    pub repeats: RepeatsUsed,
    /// How far to trust the measurement.
    pub verdict: Verdict,
    /// Each reason, in plain words, with what to do about it.
    pub remarks: Vec<String>,
}

/// Polarity as far as a measurement can tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum HeardPolarity {
    /// As it was played.
    Normal,
    /// Turned over.
    Inverted,
    /// The measurement cannot tell.
    Unclear,
}

/// Signal-to-noise ratio of one third-octave band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BandSnr {
    /// Nominal mid-band frequency.
    pub band_hz: f64,
    /// Power of the response over the power of the noise in it.
    pub db: f64,
}

/// Harmonics of one third-octave band of fundamentals.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Distortion {
    /// Mid-band frequency of the fundamental.
    pub frequency_hz: f64,
    /// Second harmonic relative to the fundamental.
    pub h2_db: f64,
    /// Third harmonic; absent where it lies beyond the measured band.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub h3_db: Option<f64>,
    /// Fourth harmonic.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub h4_db: Option<f64>,
    /// Fifth harmonic.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub h5_db: Option<f64>,
    /// Root of the summed power of the harmonics over the fundamental (THD-F).
    pub thd_percent: f64,
    /// What noise alone would look like: a harmonic near it is not there, as far as is known.
    pub floor_db: f64,
}

/// Repeats by number, counted from 1.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RepeatsUsed {
    /// How many were averaged.
    pub used: usize,
    /// Those left out because something disturbed them.
    pub rejected: Vec<usize>,
}
