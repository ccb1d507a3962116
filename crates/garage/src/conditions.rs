//! The state the car and the bay were in, and the cautions that go with the work.

use serde::{Deserialize, Serialize};

/// One line of the checklist.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Condition {
    /// What should be so.
    pub what: String,
    /// Ticked by the tuner.
    pub met: bool,
    /// Why not, or how.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// The conditions of a visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// What should be so while measuring.
    pub checklist: Vec<Condition>,
    /// What can hurt, each ticked as read.
    pub cautions: Vec<Condition>,
    /// Air in the cabin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Relative humidity in the cabin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub humidity_percent: Option<f64>,
    /// Anything else, in the tuner's words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// What should be so while measuring (common practice, no source).
const CHECKLIST: [&str; 8] = [
    "Parked, engine off",
    "Battery supported by a maintainer, its leads clear of moving parts",
    "Doors, windows and roof closed",
    "Ventilation off, or as noted",
    "Seats and head rests as the customer drives",
    "Nothing loose that rattles",
    "Head unit: tone, balance, fader and sound modes neutral, volume as noted",
    "One person in the car at most, as noted",
];

/// What can hurt.
const CAUTIONS: [&str; 5] = [
    "Sound can damage hearing: above 85 dB(A) keep to the time shown, or stay outside during takes",
    "Speaker-level outputs are bridge-tied: ground neither side, and use an isolating, attenuating probe",
    "Fuses, wire gauge, batteries, airbags and trim: follow the vehicle maker's instructions and local codes, and leave the work to a qualified technician",
    "Measure parked, never while driving; with an engine running indoors, exhaust gas can kill",
    "A tweeter gets nothing below its safe frequency: check its channel before the first sweep",
];

impl Default for Conditions {
    /// Every line there, none ticked.
    fn default() -> Self {
        let open = |what: &&str| Condition { what: (*what).to_owned(), met: false, note: String::new() };
        Self {
            checklist: CHECKLIST.iter().map(open).collect(),
            cautions: CAUTIONS.iter().map(open).collect(),
            temperature_c: None,
            humidity_percent: None,
            note: String::new(),
        }
    }
}
