//! The roll call: a short sweep on each channel in turn, and what answered.
//!
//! Each call is divided out of the recording (regularised spectral division, as for any sweep), which gives level, band,
//! arrival and polarity of whatever speaker answered; what the speaker adds far above the sweep's momentary frequency
//! betrays a loose part. The answers are then held against the channel map and against one another.

mod assign;
mod hear;
mod judge;
mod speaker;

use serde::{Deserialize, Serialize};

use crate::align::Confidence;
use crate::tune::Polarity;

pub use hear::RollCallError;

/// What a channel's speaker is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The whole range.
    FullRange,
    /// The top.
    Tweeter,
    /// The middle.
    Midrange,
    /// Bass and lower middle.
    Woofer,
    /// Low bass.
    Subwoofer,
}

/// Side of the car, in the direction of travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
    /// Neither.
    Both,
}

/// One channel as the map has it, and what was played on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Call {
    /// Name in the channel map.
    pub name: String,
    /// The speaker it should have.
    pub kind: Kind,
    /// The side it should play on.
    pub side: Side,
    /// Channels of one group are built alike: front tweeters, rear speakers.
    pub group: String,
    /// First sample of its sweep in the stimulus.
    pub start: usize,
    /// Its sweep, rising in frequency.
    pub sweep: Vec<f64>,
}

/// What answered a call.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// The channel called.
    pub name: String,
    /// Mean level of the answer against what was played, every third of an octave counting the same.
    pub level_db: f64,
    /// How far the answer stands above the noise; in three quarters of the third-octaves it is less.
    pub snr_db: f64,
    /// The part of the call's band in which the answer stands within 18 dB of its middle level; `None` in silence.
    pub band_hz: Option<(f64, f64)>,
    /// Arrival against the earliest answer; `None` where it could not be found.
    pub arrival_ms: Option<f64>,
    /// Which way round, and how sure; `None` where it could not be told.
    pub polarity: Option<(Polarity, Confidence)>,
    /// The recording was overdriven meanwhile.
    pub clipped: bool,
    /// What comes far above the momentary frequency of the sweep, against the sweep.
    pub rattle_db: Option<f64>,
}

/// What is wrong with a channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Trouble {
    /// Nothing answered.
    Silent,
    /// The speaker of another channel answered.
    SwappedWith {
        /// The other channel.
        other: String,
    },
    /// A speaker of another kind answered, and no other channel has this one's.
    WrongSpeaker,
    /// It moves the wrong way.
    Inverted,
    /// Far louder than its fellows.
    TooLoud {
        /// By so much.
        by_db: f64,
    },
    /// Far softer than its fellows.
    TooSoft {
        /// By so much.
        by_db: f64,
    },
    /// Something buzzes along.
    Rattles,
}

/// One fault, with the sentence for the tuner.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fault {
    /// The channel.
    pub name: String,
    /// What is wrong.
    pub trouble: Trouble,
    /// What was heard and what to check.
    pub sentence: String,
}

/// The outcome of a roll call.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RollCall {
    /// One per call, in order.
    pub answers: Vec<Answer>,
    /// What is wrong, if anything.
    pub faults: Vec<Fault>,
    /// What could not be told, in plain words.
    pub remarks: Vec<String>,
}

/// Hears `capture`, a recording of the stimulus at `rate_hz` that may start at any time, and judges every call.
///
/// `listener` is the side of the car on which the microphone stands; without it the side is taken from the majority of
/// left-right pairs, and where there is none, left and right are not checked.
///
/// # Errors
/// [`RollCallError`] for a stimulus without calls, or a recording that is too short or holds none of it.
pub fn roll_call(
    calls: &[Call],
    capture: &[f64],
    rate_hz: f64,
    listener: Option<Side>,
) -> Result<RollCall, RollCallError> {
    let heard = hear::hear(calls, capture, rate_hz)?;
    let (faults, remarks) = judge::judge(calls, &heard, listener);
    Ok(RollCall { answers: heard.into_iter().map(|it| it.answer).collect(), faults, remarks })
}
