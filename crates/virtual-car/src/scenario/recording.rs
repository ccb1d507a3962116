//! The part of a scenario that listens: microphone, recorder, noise, mishaps.

use serde::{Deserialize, Serialize};

/// The measuring microphone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Microphone {
    /// What is engraved on it.
    pub serial: String,
    /// Level of a sine that reaches digital full scale.
    pub full_scale_db_spl: f64,
    /// Its own response, `(frequency_hz, level_db)` ascending: what its calibration file says.
    pub response: Vec<(f64, f64)>,
    /// Its own hiss.
    pub hiss_db_spl: f64,
}

/// The recording device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recorder {
    /// How much faster its clock runs than the player's; a fast clock records more samples.
    pub clock_skew_ppm: f64,
    /// Recording starts this long before the stimulus; each take adds its own share of up to 20 ms.
    pub lead_s: f64,
    /// Rates it offers, ascending.
    pub rates_hz: Vec<u32>,
    /// Gain of its line inputs; the reference input is at unity.
    pub line_gain_db: f64,
    /// Hiss of its line inputs.
    pub line_noise_dbfs: f64,
}

/// The idle cabin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noise {
    /// Unweighted level from 20 Hz to 20 kHz.
    pub level_db_spl: f64,
    /// How the spectrum falls above 30 Hz: 6 is an idle cabin, 0 is white.
    pub falls_db_per_octave: f64,
}

/// Something that happens at a time of one take, or of every take.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScriptedEvent {
    /// Which take, counted from 0; every take where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub take: Option<u64>,
    /// When, from the start of the recording.
    pub at_s: f64,
    /// What.
    pub event: Event,
}

/// What can go wrong.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Event {
    /// Somebody shuts a door nearby.
    DoorSlam {
        /// Peak level at the microphone.
        level_db_spl: f64,
    },
    /// A truck goes by.
    Truck {
        /// Level as it is nearest.
        level_db_spl: f64,
        /// From coming to gone.
        seconds: f64,
    },
    /// The recorder loses a block and says so.
    DroppedBlock {
        /// Frames lost.
        frames: u64,
    },
    /// The recorder loses frames and does not notice.
    SilentGap {
        /// Frames lost.
        frames: u64,
    },
    /// The recording device vanishes.
    Unplug,
    /// From here the recorder's clock runs off by this much more.
    ClockError {
        /// Added to the skew.
        ppm: f64,
    },
    /// The microphone is too sensitive for what comes: its gain is higher by this much.
    GainError {
        /// Added gain.
        gain_db: f64,
    },
}
