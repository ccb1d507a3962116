//! The rig of a visit: devices, microphone, calibration.

use dsp::curve::Curve;
use serde::{Deserialize, Serialize};

/// The devices and how they are used.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct RigRecord {
    /// Output device, as the system names it.
    pub output: String,
    /// Input device, as the system names it.
    pub input: String,
    /// Rate of both.
    pub rate_hz: u32,
    /// Input the microphone is on, counted from 1.
    pub microphone_input: u16,
    /// Input that hears the output directly and gives the time reference, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference_input: Option<u16>,
    /// Level the stimuli are played at.
    pub level_dbfs: f64,
    /// No sample leaves the output above this.
    pub ceiling_dbfs: f64,
    /// The simulated car and its seed, for a rig that exists only in a simulation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub simulation: Option<Simulation>,
}

/// Which simulated car stands in for a rig.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Simulation {
    /// Name of the scenario.
    pub scenario: String,
    /// Seed of everything random in it.
    pub seed: u64,
}

/// The microphone.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Microphone {
    /// Name and serial number as the tuner writes them.
    pub name: String,
    /// Its own response; none means uncalibrated, and every result says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<Calibration>,
    /// Sound level that reads 0 dBFS, when a calibrator was used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub full_scale_db_spl: Option<f64>,
}

/// A microphone's own response, copied into the record so that it cannot get lost.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Calibration {
    /// Name of the file it came from.
    pub file: String,
    /// To be subtracted.
    pub curve: Curve,
}
