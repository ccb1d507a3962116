//! What the factory did to the signal, and how it is undone.

use dsp::curve::Curve;
use dsp::factory::AllPass;
use dsp::verdict::Verdict;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::fault::Invalid;
use crate::formats::document::Document;
use crate::rules;

/// The findings of the source stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// When it was worked out.
    pub made_at: Timestamp,
    /// Each output of the head unit.
    pub outputs: Vec<OutputFinding>,
    /// How the outputs are joined to a full-range signal.
    #[serde(default)]
    pub combine: Vec<Combine>,
    /// The joined signal as it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<Curve>,
    /// The joined signal with the undo.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undone: Option<Curve>,
    /// The tune that undoes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tune: Option<u32>,
    /// How flat it was and is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flatness: Option<Flatness>,
    /// How the shape changes with the volume step; empty where one step was recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub loudness: Vec<VolumeShape>,
    /// Whether it can be relied on.
    pub verdict: Verdict,
    /// Reasons and doubts.
    #[serde(default)]
    pub remarks: Vec<String>,
    /// True when simulated.
    #[serde(default)]
    pub simulated: bool,
}

/// What was found on one output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutputFinding {
    /// The output.
    pub name: String,
    /// What the factory did to it, in one plain sentence.
    pub sentence: String,
    /// Its response.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub curve: Option<Curve>,
}

/// The shape at one volume step against the loudest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VolumeShape {
    /// The step's label.
    pub volume: String,
    /// `[frequency_hz, db]`, 0 dB at 1 kHz.
    pub response: Vec<[f64; 2]>,
    /// Level at 1 kHz under the loudest step.
    pub below_loudest_db: f64,
}

/// How one output enters the sum.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Combine {
    /// The output.
    pub name: String,
    /// Its gain.
    pub gain_db: f64,
    /// Its delay.
    pub delay_ms: f64,
    /// Turned over.
    pub invert: bool,
    /// All-passes added, so that all outputs turn alike.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub all_pass: Vec<AllPass>,
}

/// Flatness of the joined signal, rms about its mean.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Flatness {
    /// Lower edge of the band.
    pub from_hz: f64,
    /// Upper edge.
    pub to_hz: f64,
    /// As it came.
    pub rms_db_before: f64,
    /// Undone.
    pub rms_db_after: f64,
}

impl Document for Finding {
    const FORMAT: &'static str = "cabinwright-finding";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the source finding of a visit";

    fn validate(&self) -> Result<(), Invalid> {
        rules::distinct(self.outputs.iter().map(|it| it.name.as_str()), |i| format!("outputs[{i}].name"))?;
        for (i, output) in self.outputs.iter().enumerate() {
            if let Some(curve) = &output.curve {
                rules::curve(&format!("outputs[{i}].curve"), curve)?;
            }
        }
        for (i, part) in self.combine.iter().enumerate() {
            rules::finite(format!("combine[{i}].gain_db"), part.gain_db)?;
            rules::not_negative(format!("combine[{i}].delay_ms"), part.delay_ms, "ms")?;
        }
        for (i, step) in self.loudness.iter().enumerate() {
            rules::finite(format!("loudness[{i}].below_loudest_db"), step.below_loudest_db)?;
            for [frequency_hz, db] in &step.response {
                rules::finite(format!("loudness[{i}].response"), frequency_hz + db)?;
            }
        }
        for (name, curve) in [("before", &self.before), ("undone", &self.undone)] {
            if let Some(curve) = curve {
                rules::curve(name, curve)?;
            }
        }
        match &self.flatness {
            Some(flatness) => rules::band("flatness", (flatness.from_hz, flatness.to_hz)),
            None => Ok(()),
        }
    }
}
