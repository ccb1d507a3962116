//! An invented car, as it stands in a file: what there is, where it is, and what will go wrong.
//!
//! Lengths are in metres from the front left corner of the cabin's floor: `x` to the right, `y` to the rear,
//! `z` up. Levels of sound are in dB SPL, of signals in dBFS (a sine of amplitude 1.0 is 0 dBFS).

mod acoustics;
mod catalogue;
mod check;
mod head_unit;
mod recording;

use serde::{Deserialize, Serialize};

pub use acoustics::{Cabin, Edge, Position, Seat, Speaker, Surface, place_of};
pub use catalogue::{embedded, names};
pub use head_unit::{
    AllPass, FactoryOutput, Family, HeadUnit, Hum, Loudness, Side, Split, SplitEdge, Volume,
};
pub use recording::{Event, Microphone, Noise, Recorder, ScriptedEvent};

/// The `format` of a scenario file.
pub const FORMAT: &str = "cabinwright-scenario";
/// The newest `version` this program reads.
pub const VERSION: u32 = 1;

/// Why a scenario cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScenarioError {
    /// No invented car has that name.
    #[error("there is no invented car called \"{name}\"; there are: {known}")]
    Unknown {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// The text is not a scenario.
    #[error("scenario line {line}: {cause}")]
    Syntax {
        /// Line of the text, from 1.
        line: usize,
        /// What is wrong there.
        cause: String,
    },
    /// A value cannot be.
    #[error("scenario {at}: {wrong}")]
    Value {
        /// The field, as a path.
        at: String,
        /// What is wrong and what would be right.
        wrong: String,
    },
}

/// One invented car with its rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Always [`FORMAT`].
    pub format: String,
    /// At most [`VERSION`].
    pub version: u32,
    /// The short name to ask for it by.
    pub name: String,
    /// The car as a shop would write it down.
    pub title: String,
    /// What the customer says, in a sentence or two.
    pub story: String,
    /// Seed of everything random: noise, scattering, latencies.
    pub seed: u64,
    /// The cabin.
    pub cabin: Cabin,
    /// Where a head can be; the first is the driver's.
    pub seats: Vec<Seat>,
    /// The factory head unit.
    pub head_unit: HeadUnit,
    /// The fitted processor.
    pub processor: Processor,
    /// Processor outputs, in order.
    pub channels: Vec<Channel>,
    /// The measuring microphone.
    pub microphone: Microphone,
    /// The recording device.
    pub recorder: Recorder,
    /// What the cabin sounds like when nothing plays.
    pub noise: Noise,
    /// What will go wrong, and when.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub events: Vec<ScriptedEvent>,
}

/// The fitted processor apart from its settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Processor {
    /// Time from its input to its outputs, the same for every channel.
    pub latency_ms: f64,
    /// What it can do; `None` where the scenario does not care.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits: Option<dsp::limits::Limits>,
}

/// What a channel's speaker is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Everything, or a passive pair.
    FullRange,
    /// The top.
    Tweeter,
    /// The middle.
    Midrange,
    /// The lower middle and upper bass.
    Woofer,
    /// The bass.
    Subwoofer,
}

/// Where in the car a channel plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CarSide {
    /// The left of the car.
    Left,
    /// The right of the car.
    Right,
    /// The middle, or a subwoofer.
    Both,
}

/// One processor output with what hangs on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Channel {
    /// Name in the channel map.
    pub name: String,
    /// Which side it plays on.
    pub side: CarSide,
    /// What its speaker is for.
    pub role: Role,
    /// The band any stimulus for it must keep to.
    pub safe_band_hz: (f64, f64),
    /// Which head-unit outputs reach its processor input when the car plays music.
    pub inputs: Vec<InputMix>,
    /// Gain of its amplifier, in dB above nominal.
    #[serde(default)]
    pub amplifier_gain_db: f64,
    /// The speakers on it: one, or a passive pair.
    pub speakers: Vec<Speaker>,
    /// What is wrong with its wiring.
    #[serde(default, skip_serializing_if = "Wiring::is_sound")]
    pub wiring: Wiring,
}

/// One head-unit output as it enters a processor channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InputMix {
    /// Name of the head-unit output.
    pub output: String,
    /// Gain with which it enters.
    #[serde(default)]
    pub gain_db: f64,
    /// It enters turned over.
    #[serde(default)]
    pub invert: bool,
}

/// What is wrong between a processor output and the air.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wiring {
    /// The speaker is wired backwards.
    #[serde(default)]
    pub inverted: bool,
    /// Nothing arrives.
    #[serde(default)]
    pub dead: bool,
    /// The wires lead to the speakers of the channel of this name instead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feeds: Option<String>,
    /// Far too loud or too soft by this much.
    #[serde(default)]
    pub level_db: f64,
    /// Something in the door buzzes along.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rattle: Option<Rattle>,
}

impl Wiring {
    /// True when nothing is wrong.
    pub fn is_sound(&self) -> bool {
        *self == Self::default()
    }
}

/// A loose part that buzzes when the speaker moves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rattle {
    /// Where the part rings.
    pub frequency_hz: f64,
    /// Its level against the speaker's while it buzzes.
    pub level_db: f64,
    /// The speaker's own signal must exceed this for the part to lift.
    pub threshold_dbfs: f64,
}

impl Scenario {
    /// Reads and checks a scenario.
    ///
    /// # Errors
    /// [`ScenarioError`] names the line or the field, what is wrong, and what would be right.
    pub fn from_json(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Self = serde_json::from_str(text)
            .map_err(|error| ScenarioError::Syntax { line: error.line(), cause: error.to_string() })?;
        scenario.check()?;
        Ok(scenario)
    }

    /// The embedded scenario called `name`; [`names`] lists them.
    ///
    /// # Errors
    /// [`ScenarioError::Unknown`] with the names there are.
    pub fn named(name: &str) -> Result<Self, ScenarioError> {
        catalogue::named(name)
    }
}
