//! Why a procedure could not be carried out, sorted by what helps.

use audio::rig::RigError;
use audio::wav::WavError;
use garage::{FormatError, GarageError};

/// One line in plain words.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// The rig said no.
    #[error(transparent)]
    Rig(#[from] RigError),
    /// A recording cannot be read.
    #[error(transparent)]
    Recording(#[from] WavError),
    /// A record cannot be read or written.
    #[error(transparent)]
    Record(#[from] FormatError),
    /// The garage said no.
    #[error(transparent)]
    Garage(#[from] GarageError),
    /// What was asked cannot be done as asked.
    #[error("{0}")]
    Input(String),
    /// Something has to be done first.
    #[error("{missing}; {first}")]
    NotYet {
        /// What is missing.
        missing: String,
        /// What to do first.
        first: String,
    },
    /// A measurement that gives no answer.
    #[error("{0}")]
    Analysis(String),
    /// Stopped on request.
    #[error("stopped")]
    Stopped,
}

impl JobError {
    /// Something has to be done first.
    pub fn not_yet(missing: impl Into<String>, first: impl Into<String>) -> Self {
        Self::NotYet { missing: missing.into(), first: first.into() }
    }
}
