//! The voicing stage, and the draft that undo walks through.

use std::sync::Arc;

use dsp::curve::Curve;
use dsp::tune::{LeftAlone, Tune};
use garage::Side;

use super::Sheet;

/// All that the user edits.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Draft {
    /// The job card.
    pub sheet: Sheet,
    /// The tune being shaped; none before the first proposal.
    pub tune: Option<Tune>,
}

/// What a proposal or a prediction is about.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum ScopeView {
    /// One channel alone.
    Channel(String),
    /// All that is heard when one side plays.
    Side(Side),
    /// Both sides playing the same.
    #[default]
    Whole,
}

impl ScopeView {
    /// As it stands on a chip.
    pub fn name(&self) -> String {
        match self {
            Self::Channel(name) => name.clone(),
            Self::Side(side) => format!("{} side", super::cabin::side_word(*side)),
            Self::Whole => "whole".into(),
        }
    }
}

/// What a sentence of the proposal is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The channel.
    pub subject: String,
    /// The sentence.
    pub words: String,
}

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct VoicingPage {
    /// What the board shows.
    pub scope: ScopeView,
    /// The channel whose settings are listed.
    pub channel: Option<String>,
    /// The target is being shaped.
    pub shaping: bool,
    /// The scope with nothing in the processor but its crossovers, and the level where the target fits it best.
    pub before: Option<(Arc<Curve>, f64)>,
    /// The scope with the draft in the processor, and the level where the target fits it best.
    pub predicted: Option<(Arc<Curve>, f64)>,
    /// Distance from the target before, with the half-width of its interval.
    pub error_before: Option<(f64, Option<f64>)>,
    /// The same as predicted.
    pub error_predicted: Option<(f64, Option<f64>)>,
    /// Why something cannot be predicted.
    pub fault: Option<String>,
    /// Regions left alone, from the last proposal.
    pub left_alone: Vec<LeftAlone>,
    /// What the last proposal says.
    pub said: Vec<Said>,
    /// The tune that is in the processor.
    pub in_processor: Option<u32>,
}
