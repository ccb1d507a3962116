//! The roll call: does every channel drive the speaker it should, the right way round?

use std::path::{Path, PathBuf};

use audio::wav::{self, Wav, WavError};
use dsp::roll_call::{Call, Kind, RollCall, RollCallError, Side, roll_call};
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::channels::{self, ChannelMap, Role};
use garage::formats::channel_map;

use crate::judged::Judged;

/// Why a roll call could not be judged.
#[derive(Debug, thiserror::Error)]
pub enum RollCallFailure {
    /// A WAV file cannot be read.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// The channel map cannot be read.
    #[error(transparent)]
    Map(#[from] FormatError),
    /// A file does not fit the others.
    #[error("{}: {what}", path.display())]
    Unfit {
        /// The file.
        path: PathBuf,
        /// What is wrong, and what would be right.
        what: String,
    },
    /// The recording cannot be judged.
    #[error("{}: {cause}", path.display())]
    Unheard {
        /// The recording.
        path: PathBuf,
        /// Why.
        cause: RollCallError,
    },
}

/// The files of a roll call.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RollCallFiles {
    /// The channel map.
    pub map: PathBuf,
    /// What was played: channel `n` of the file went to output `n`.
    pub stimulus: PathBuf,
    /// What the microphone recorded.
    pub capture: PathBuf,
    /// The recording's channel with the microphone, from 1.
    pub input_channel: usize,
    /// On which side of the car the microphone stood; taken from the majority of pairs where it is not known.
    pub seat_side: Option<channels::Side>,
}

/// Reads the files and judges every channel of the map.
///
/// # Errors
/// A file that cannot be read, files that do not fit together, or a recording without the calls.
pub fn roll_call_files(files: &RollCallFiles) -> Result<Judged<RollCall>, RollCallFailure> {
    let map = channel_map::read(&files.map)?;
    let stimulus = wav::read(&files.stimulus)?;
    let capture = wav::read(&files.capture)?;
    let unfit = |path: &Path, what: String| Err(RollCallFailure::Unfit { path: path.to_owned(), what });
    if capture.rate_hz != stimulus.rate_hz {
        let (is, right) = (capture.rate_hz, stimulus.rate_hz);
        return unfit(&files.capture, format!("runs at {is} Hz; record at the stimulus's {right} Hz"));
    }
    let heard = files.input_channel.checked_sub(1).and_then(|index| capture.channels.get(index));
    let Some(heard) = heard else {
        let count = capture.channels.len();
        return unfit(
            &files.capture,
            format!("has no channel {}; it has {count}, counted from 1", files.input_channel),
        );
    };
    let calls = match calls_of(&map, &stimulus) {
        Ok(calls) => calls,
        Err(what) => return unfit(&files.stimulus, what),
    };
    let outcome = judge(&calls, heard, f64::from(capture.rate_hz), files.seat_side)
        .map_err(|cause| RollCallFailure::Unheard { path: files.capture.clone(), cause })?;
    Ok(outcome)
}

/// Judges a recording in memory.
///
/// # Errors
/// As [`dsp::roll_call::roll_call`].
pub fn judge(
    calls: &[Call],
    heard: &[f64],
    rate_hz: f64,
    seat_side: Option<channels::Side>,
) -> Result<Judged<RollCall>, RollCallError> {
    let outcome = roll_call(calls, heard, rate_hz, seat_side.map(side_of))?;
    let remarks = outcome.remarks.clone();
    let clipped = outcome.answers.iter().any(|answer| answer.clipped);
    let mut judged = Judged::good(outcome);
    for fault in judged.result.faults.clone() {
        judged.note(Verdict::Usable, fault.sentence);
    }
    for remark in remarks {
        judged.note(if clipped { Verdict::Retake } else { Verdict::Usable }, remark);
    }
    Ok(judged)
}

/// The call of each channel of the map, cut out of the stimulus where its output is driven.
///
/// # Errors
/// A sentence about the first channel that is not called, or is called together with another.
pub fn calls_of(map: &ChannelMap, stimulus: &Wav) -> Result<Vec<Call>, String> {
    let mut calls = Vec::new();
    for channel in &map.channels {
        let samples =
            usize::from(channel.output).checked_sub(1).and_then(|index| stimulus.channels.get(index));
        let Some(samples) = samples else {
            return Err(format!(
                "has {} channels, but \"{}\" is on output {}; make a roll call for every output of the map",
                stimulus.channels.len(),
                channel.name,
                channel.output
            ));
        };
        let (Some(start), Some(last)) = (driven(samples.iter()), samples.iter().rposition(|&x| x != 0.0))
        else {
            return Err(format!("never calls \"{}\" on output {}", channel.name, channel.output));
        };
        calls.push(Call {
            name: channel.name.clone(),
            kind: kind_of(channel.role),
            side: side_of(channel.side),
            group: format!("{:?} {:?}", channel.place, channel.role),
            start,
            sweep: samples[start..=last].to_vec(),
        });
    }
    let mut spans: Vec<(usize, usize, &str)> =
        calls.iter().map(|call| (call.start, call.start + call.sweep.len(), call.name.as_str())).collect();
    spans.sort_unstable();
    match spans.windows(2).find(|pair| pair[0].1 > pair[1].0) {
        Some(pair) => Err(format!(
            "calls \"{}\" and \"{}\" at the same time; they must take turns",
            pair[0].2, pair[1].2
        )),
        None => Ok(calls),
    }
}

fn driven<'a>(mut samples: impl Iterator<Item = &'a f64>) -> Option<usize> {
    samples.position(|&sample| sample != 0.0)
}

fn kind_of(role: Role) -> Kind {
    match role {
        Role::FullRange => Kind::FullRange,
        Role::Tweeter => Kind::Tweeter,
        Role::Midrange => Kind::Midrange,
        Role::Woofer => Kind::Woofer,
        Role::Subwoofer => Kind::Subwoofer,
    }
}

fn side_of(side: channels::Side) -> Side {
    match side {
        channels::Side::Left => Side::Left,
        channels::Side::Right => Side::Right,
        channels::Side::Both => Side::Both,
    }
}
