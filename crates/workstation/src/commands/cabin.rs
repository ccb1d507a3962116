//! Takes at the seat.

use crate::state::Subject;

/// What can be asked of the stages with positions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CabinCommand {
    /// Take what is missing at the next position.
    Take,
    /// Take the last one again.
    Retake,
    /// Take this position next.
    Aim(String),
    /// Put a subject's curves on the board.
    Show(Option<String>),
    /// Leave a subject out of the takes, or put it back.
    Skip(Subject, bool),
    /// Say whether the crossovers are in the processor, without which no whole side is played at a real car.
    CrossoversIn(bool),
    /// Make all curves again from the recordings.
    Refresh,
}

impl CabinCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Take => "Take".into(),
            Self::Retake => "Retake the last".into(),
            Self::Aim(position) => position.clone(),
            Self::Show(None) => "All channels".into(),
            Self::Show(Some(name)) => name.clone(),
            Self::Skip(subject, _) => subject.name(),
            Self::CrossoversIn(_) => "The crossovers are in the processor".into(),
            Self::Refresh => "Make the curves again".into(),
        }
    }
}
