//! The cabin stage: what was taken where, and the latest take.

use std::collections::VecDeque;
use std::sync::Arc;

use dsp::curve::Curve;
use dsp::verdict::Verdict;
use garage::Side;

/// What a take is of.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Subject {
    /// One channel alone.
    Channel(String),
    /// Everything that plays when one side plays, with the processor flat.
    Before(Side),
    /// The same with the tune entered.
    After(Side),
}

impl Subject {
    /// A whole side, which plays its lowest notes to every output.
    pub fn is_a_side(&self) -> bool {
        matches!(self, Self::Before(_) | Self::After(_))
    }

    /// As it stands on a chip.
    pub fn name(&self) -> String {
        match self {
            Self::Channel(name) => name.clone(),
            Self::Before(side) => format!("{} before", side_word(*side)),
            Self::After(side) => format!("{} after", side_word(*side)),
        }
    }
}

/// `left`, `right`, `both`.
pub fn side_word(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
        Side::Both => "both",
    }
}

/// A curve at one position.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveAt {
    /// P1 and so on.
    pub position: String,
    /// Smoothed.
    pub curve: Arc<Curve>,
    /// Why it disagrees with its neighbours, if it does.
    pub disagrees: Option<String>,
}

/// One channel's curves.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelView {
    /// Its name.
    pub name: String,
    /// The average over positions with its interval.
    pub average: Arc<Curve>,
    /// Each position.
    pub positions: Vec<CurveAt>,
}

/// The latest take.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Of what.
    pub subject: Subject,
    /// Where.
    pub position: String,
    /// The curve, where one could be made.
    pub curve: Option<Arc<Curve>>,
    /// The verdict.
    pub verdict: Verdict,
    /// Reasons and advice.
    pub remarks: Vec<String>,
}

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct CabinPage {
    /// Subjects that are left out of the next takes.
    pub skipped: Vec<Subject>,
    /// The tuner says that the crossovers are in the processor.
    pub crossovers_in: bool,
    /// The subject whose curves are on the board.
    pub shown: Option<String>,
    /// The position the user chose to take next, against the plan.
    pub aimed: Option<String>,
    /// Takes still to be made at this position.
    pub queue: VecDeque<(Subject, String)>,
    /// The latest take.
    pub latest: Option<Taken>,
    /// Every channel's curves.
    pub channels: Arc<Vec<ChannelView>>,
    /// What is said about them as a whole.
    pub remarks: Vec<String>,
    /// Sound level of the loudest take so far.
    pub level_dba: Option<f64>,
}
