//! The entry check: was the tune typed into the processor as it stands?
//!
//! A take of each channel, electrical or at the seat, is held against what the tune predicts. Every slip a hand makes is
//! a suspect; the suspects are weighed by how much better they explain the take than the tune as it should be, in units
//! of the take's own uncertainty. A slip is named only when the evidence is overwhelming and no other suspect comes near.

mod evidence;
mod suspects;
#[cfg(test)]
mod tests;
mod weigh;

use serde::Serialize;

use crate::curve::Curve;
use crate::filter::FilterError;
use crate::tune::Tune;

pub use suspects::Slip;

/// One channel's take.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// The channel's name in the tune.
    pub name: String,
    /// What was measured with the tune typed in.
    pub curve: Curve,
    /// The same without the tune, where the take is not electrical.
    pub before: Option<Curve>,
}

/// What is to be said about one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelCheck {
    /// The channel.
    pub name: String,
    /// True when nothing speaks against the tune.
    pub as_typed: bool,
    /// Rms distance of the take from the prediction, its level left free.
    pub rms_db: f64,
    /// What the take's own uncertainty accounts for.
    pub expected_db: f64,
    /// The slip, where one explains the take and no other does.
    pub slip: Option<Slip>,
    /// What the tuner should look at, in a sentence.
    pub sentence: String,
}

/// The outcome of an entry check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EntryCheck {
    /// One per take, in order.
    pub channels: Vec<ChannelCheck>,
    /// What could not be checked, in plain words.
    pub remarks: Vec<String>,
}

/// Why nothing can be checked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EntryCheckError {
    /// A take of a channel that the tune does not have.
    #[error("the tune has no channel \"{name}\"; it has {known}")]
    NoSuchChannel {
        /// The take's name.
        name: String,
        /// The tune's names.
        known: String,
    },
    /// A filter of the tune cannot be.
    #[error("channel \"{name}\": {cause}")]
    Filter {
        /// The channel.
        name: String,
        /// Why.
        cause: FilterError,
    },
    /// The take shows too little.
    #[error("the take of \"{name}\" has {points} usable points between 20 Hz and 20 kHz; 20 are needed")]
    TooLittle {
        /// The channel.
        name: String,
        /// What there is.
        points: usize,
    },
}

/// Holds `takes` against `tune`.
///
/// Level and time of the whole set are free: where three channels or more are given, a channel that differs from the
/// others in level or delay is named; with fewer, level and delay count only where every take has a `before`. Phase is
/// used where all curves have it; without it polarity, delay and all-passes are not checked.
///
/// # Errors
/// [`EntryCheckError`].
pub fn entry_check(tune: &Tune, takes: &[Taken]) -> Result<EntryCheck, EntryCheckError> {
    weigh::weigh(tune, takes)
}
