//! The proof: the measured after, against the predicted after and the before.

use dsp::curve::Curve;
use dsp::target::Target;
use dsp::tune::LeftAlone;
use dsp::verdict::Verdict;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::conditions::Conditions;
use crate::fault::Invalid;
use crate::formats::document::Document;
use crate::rules;

/// What was proved, per side and for the whole car; the report draws from it alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// When it was worked out.
    pub made_at: Timestamp,
    /// The tune that was proved.
    pub tune: u32,
    /// The corridor.
    pub target: Target,
    /// "left", "right" and the like.
    pub sides: Vec<ProofSide>,
    /// Both sides playing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub whole: Option<ProofSide>,
    /// Up to three plain sentences for the customer, one for each thing that changed.
    #[serde(default)]
    pub sentences: Vec<String>,
    /// Whether the proof holds.
    pub verdict: Verdict,
    /// Reasons and doubts.
    #[serde(default)]
    pub remarks: Vec<String>,
    /// The state of car and bay while the proof was taken.
    pub conditions: Conditions,
    /// True when any take behind it was simulated.
    #[serde(default)]
    pub simulated: bool,
}

/// The proof of one side, or of the whole car.
///
/// The levels of the curves are relative to the level at which the target was fitted to each, so that the corridor is
/// `target.level_at_db(f) ± target.tolerance_db` for all of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProofSide {
    /// "left", "right", "whole".
    pub name: String,
    /// The band the figures are over.
    pub band_hz: (f64, f64),
    /// As it came, with its 95 % half-width.
    pub before: Curve,
    /// What the tune was expected to give.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub predicted: Option<Curve>,
    /// As measured with the tune; none while it is still to be taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<Curve>,
    /// Distances from the target.
    pub errors: ProofErrors,
    /// Positions that were averaged.
    pub positions: u32,
    /// Regions not touched.
    #[serde(default)]
    pub left_alone: Vec<LeftAlone>,
    /// Doubts about this side.
    #[serde(default)]
    pub remarks: Vec<String>,
}

/// Weighted rms distance from the target.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Distance {
    /// The distance.
    pub rms_error_db: f64,
    /// Half-width of its 95 % interval.
    pub half_width_db: f64,
}

/// The three distances.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ProofErrors {
    /// As it came.
    pub before: Distance,
    /// As expected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub predicted: Option<Distance>,
    /// As measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<Distance>,
    /// Before minus after with its own interval, when the takes allow to work it out better than from the two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gained: Option<Distance>,
}

/// What may be said about before and after.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// The gain is larger than its uncertainty.
    Better,
    /// The difference is within the uncertainty.
    NotDistinguishable,
    /// The loss is larger than its uncertainty.
    Worse,
    /// No after yet.
    NotMeasured,
}

impl ProofErrors {
    /// Before minus after, with its half-width: as given, or from the two half-widths added as independent.
    pub fn gain(&self) -> Option<Distance> {
        let after = self.after?;
        Some(self.gained.unwrap_or(Distance {
            rms_error_db: self.before.rms_error_db - after.rms_error_db,
            half_width_db: self.before.half_width_db.hypot(after.half_width_db),
        }))
    }

    /// What may be said: a difference smaller than its uncertainty is never called an improvement.
    pub fn change(&self) -> Change {
        match self.gain() {
            None => Change::NotMeasured,
            Some(gain) if gain.rms_error_db > gain.half_width_db => Change::Better,
            Some(gain) if gain.rms_error_db < -gain.half_width_db => Change::Worse,
            Some(_) => Change::NotDistinguishable,
        }
    }
}

impl Proof {
    /// The sides, then the whole.
    pub fn parts(&self) -> impl Iterator<Item = &ProofSide> {
        self.sides.iter().chain(&self.whole)
    }
}

impl Document for Proof {
    const FORMAT: &'static str = "cabinwright-proof";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the proof of a visit";

    fn validate(&self) -> Result<(), Invalid> {
        self.target.validate().map_err(|invalid| invalid.within("target"))?;
        for (i, side) in self.sides.iter().enumerate() {
            side.check().map_err(|invalid| invalid.within(&format!("sides[{i}]")))?;
        }
        match &self.whole {
            Some(whole) => whole.check().map_err(|invalid| invalid.within("whole")),
            None => Ok(()),
        }
    }
}

impl ProofSide {
    fn check(&self) -> Result<(), Invalid> {
        rules::named("name", &self.name)?;
        rules::band("band_hz", self.band_hz)?;
        rules::curve("before", &self.before)?;
        for (name, curve) in [("predicted", &self.predicted), ("after", &self.after)] {
            if let Some(curve) = curve {
                rules::curve(name, curve)?;
            }
        }
        for (i, region) in self.left_alone.iter().enumerate() {
            rules::band(&format!("left_alone[{i}]"), (region.from_hz, region.to_hz))?;
        }
        let errors = [Some(self.errors.before), self.errors.predicted, self.errors.after];
        for error in errors.into_iter().flatten() {
            rules::not_negative("errors", error.rms_error_db, "dB")?;
            rules::not_negative("errors", error.half_width_db, "dB")?;
        }
        Ok(())
    }
}
