//! What a processor can do.

use serde::{Deserialize, Serialize};

use crate::tune::SectionKind;

/// A range with an optional step; without a step the setting is continuous.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Range {
    /// Smallest setting.
    pub min: f64,
    /// Largest setting.
    pub max: f64,
    /// Distance between settings, counted from zero.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<f64>,
}

/// The frequencies a band may have.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Frequencies {
    /// A graphic equaliser's fixed list, in hertz.
    List {
        /// Ascending.
        list: Vec<f64>,
    },
    /// A range, continuous or in equal parts of an octave counted from 1 kHz.
    Span {
        /// Lowest frequency.
        min: f64,
        /// Highest frequency.
        max: f64,
        /// Settings in each octave.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        per_octave: Option<f64>,
    },
}

/// The delay a processor offers on each channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DelayRange {
    /// Longest delay.
    pub max: f64,
    /// Distance between settings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<f64>,
}

/// One processor's means, per channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// The processor's own sample rate.
    pub sample_rate_hz: f64,
    /// Equaliser bands per channel.
    pub bands: usize,
    /// The kinds of band it has.
    pub kinds: Vec<SectionKind>,
    /// Gain of a band.
    pub gain_db: Range,
    /// Q of a band.
    pub q: Range,
    /// Frequency of a band.
    pub frequency_hz: Frequencies,
    /// Delay of a channel, in milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delay_ms: Option<DelayRange>,
    /// FIR taps per channel; 0 where there are none.
    #[serde(default)]
    pub fir_taps: usize,
}
