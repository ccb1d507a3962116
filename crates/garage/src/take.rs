//! One recording, exactly as captured, with how it was made.

use dsp::verdict::Verdict;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::fault::Invalid;
use crate::formats::document::Document;
use crate::rules;

/// What a take was made for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TakeKind {
    /// What one channel brings to the seat.
    Cabin,
    /// What the factory sends.
    Source,
    /// A whole side or the whole car, before or with a tune (see [`TakeRecord::tune`]).
    Proof,
    /// The bay without a stimulus.
    Noise,
    /// Which output drives which speaker.
    RollCall,
    /// Channels read back after a tune was typed in.
    Entry,
}

/// Label of a take of one output of a head unit that played by itself; the output's name is the take's subject.
pub const ONE_OUTPUT: &str = "one output";

/// An output that was driven.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Driven {
    /// The channel's name in the car's map, or the head unit's output.
    pub channel: String,
    /// Output number, counted from 1.
    pub output: u16,
}

/// What an input of the recording heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Heard {
    /// The measuring microphone.
    Microphone,
    /// The output itself, as time reference.
    Reference,
    /// An electrical signal under test.
    Line,
}

/// One channel of the recording.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recorded {
    /// Input number, counted from 1.
    pub input: u16,
    /// What was on it.
    pub heard: Heard,
    /// The head unit's output, when that was on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// Clock and frames of the recording.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Clock {
    /// Nominal rate.
    pub rate_hz: u32,
    /// Frames in the recording.
    pub frames: u64,
    /// Frames known to be lost.
    #[serde(default)]
    pub lost_frames: u64,
    /// Recording clock against playing clock, as found; positive when the recording holds more samples than were played.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skew_ppm: Option<f64>,
}

/// How a take was made, and whether it is good.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TakeRecord {
    /// Four digits or more, counted up within the visit; the recording is `<id>.wav`.
    pub id: String,
    /// What for.
    pub kind: TakeKind,
    /// When it began.
    pub made_at: Timestamp,
    /// The channel, side or head-unit output it is about; none for noise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject: Option<String>,
    /// P1 and so on; none for an electrical take.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// Volume step or another mark that tells takes of the same subject apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// The stimulus recipe, everything needed to make the signal again; null for none.
    #[serde(default)]
    pub stimulus: Value,
    /// Outputs that were driven.
    #[serde(default)]
    pub driven: Vec<Driven>,
    /// The channels of the recording, in order.
    pub recorded: Vec<Recorded>,
    /// Output device.
    #[serde(default)]
    pub output: String,
    /// Input device.
    #[serde(default)]
    pub input: String,
    /// The microphone's name.
    #[serde(default)]
    pub microphone: String,
    /// Rate, frames, skew.
    pub clock: Clock,
    /// Number of the tune in the processor while recording; none for the untuned car.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tune: Option<u32>,
    /// Largest sample of each recorded channel.
    #[serde(default)]
    pub peak_dbfs: Vec<f64>,
    /// Whether it can be used.
    pub verdict: Verdict,
    /// Reasons and advice.
    #[serde(default)]
    pub remarks: Vec<String>,
    /// The take that replaced this one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub superseded_by: Option<String>,
    /// SHA-256 of the recording, so that a later change of it is found; filled in when the take is saved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording_sha256: Option<String>,
    /// True when the recording came from a simulation.
    #[serde(default)]
    pub simulated: bool,
}

impl TakeRecord {
    /// True unless it was retaken.
    pub fn is_current(&self) -> bool {
        self.superseded_by.is_none()
    }
}

impl Document for TakeRecord {
    const FORMAT: &'static str = "cabinwright-take";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the record that belongs to a take in a visit";

    fn migrate(from: u64, fields: &mut Map<String, Value>) {
        // Version 0 called the subject a channel.
        if from == 0
            && let Some(channel) = fields.remove("channel")
        {
            fields.insert("subject".to_owned(), channel);
        }
    }

    fn validate(&self) -> Result<(), Invalid> {
        id("id", &self.id)?;
        if let Some(newer) = &self.superseded_by {
            id("superseded_by", newer)?;
        }
        rules::sample_rate("clock.rate_hz", f64::from(self.clock.rate_hz))?;
        if self.recorded.is_empty() {
            return Err(Invalid::new(
                "recorded",
                "is empty",
                "name what each channel of the recording heard",
            ));
        }
        let numbers = self.driven.iter().map(|it| it.output).chain(self.recorded.iter().map(|it| it.input));
        if numbers.into_iter().any(|number| number == 0) {
            return Err(Invalid::new(
                "driven or recorded",
                "names number 0",
                "inputs and outputs are counted from 1",
            ));
        }
        Ok(())
    }
}

/// An id is a file name, so nothing but digits.
fn id(field: &str, id: &str) -> Result<(), Invalid> {
    if (4..=9).contains(&id.len()) && id.bytes().all(|byte| byte.is_ascii_digit()) {
        return Ok(());
    }
    Err(Invalid::new(field, format!("\"{id}\" is no take number"), "four digits or more, such as 0007"))
}
