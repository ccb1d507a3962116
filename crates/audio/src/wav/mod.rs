//! WAV files: reading whatever a tuner brings, writing what a device or a measurement needs.
//!
//! The container is RIFF/WAVE as published by Microsoft and IBM ("Multimedia Programming Interface and Data
//! Specifications 1.0", 1991), with `WAVE_FORMAT_EXTENSIBLE` ("Multiple channel audio data and WAVE files",
//! Microsoft 2001) and the 64-bit sizes of RF64/BW64 (EBU Tech 3306, ITU-R BS.2088).

mod header;
mod read;
mod recorder;
mod write;

use std::fmt;
use std::path::Path;

pub use read::{decode, read};
pub use recorder::Recorder;
pub use write::{IntegerBits, write_f32, write_integer};

/// The slowest rate read or written.
pub const LOWEST_RATE_HZ: u32 = 8_000;
/// The fastest rate read or written.
pub const HIGHEST_RATE_HZ: u32 = 192_000;

/// What a WAV file holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Wav {
    /// Sample rate, 8 to 192 kHz.
    pub rate_hz: u32,
    /// One entry per channel, all of one length, at least one sample; full scale is 1.0, every sample is finite.
    pub channels: Vec<Vec<f64>>,
    /// How the samples were stored.
    pub encoding: Encoding,
    /// What is wrong with the file although its sound could be read.
    pub doubts: Vec<Doubt>,
}

impl Wav {
    /// Samples per channel.
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Length in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames() as f64 / f64::from(self.rate_hz)
    }
}

/// How samples are stored in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// Signed integers of 16 bits.
    Int16,
    /// Signed integers of 24 bits.
    Int24,
    /// Signed integers of 32 bits.
    Int32,
    /// IEEE 754 single precision.
    Float32,
    /// IEEE 754 double precision.
    Float64,
}

impl Encoding {
    /// Bytes of one sample of one channel.
    pub fn bytes(self) -> u16 {
        match self {
            Self::Int16 => 2,
            Self::Int24 => 3,
            Self::Int32 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// True for the floating-point encodings.
    pub fn is_float(self) -> bool {
        matches!(self, Self::Float32 | Self::Float64)
    }
}

/// A flaw that did not keep the sound from being read; its words are a remark to show.
#[derive(Debug, Clone, PartialEq)]
pub enum Doubt {
    /// The file ends before its header says it should.
    Truncated {
        /// Length by the header.
        promised_s: f64,
        /// Length in the file.
        found_s: f64,
    },
    /// The header was never completed: the recording was cut off, or streamed by a program that could not go back.
    Unfinished {
        /// Length in the file.
        found_s: f64,
    },
    /// The last frame lacks some of its bytes and was dropped.
    PartialFrame,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Truncated { promised_s, found_s } => write!(
                f,
                "the header promises {promised_s:.3} s of sound but the file ends after {found_s:.3} s; what is there was read"
            ),
            Self::Unfinished { found_s } => {
                write!(
                    f,
                    "the recording was cut off before it was closed; the {found_s:.3} s in the file were read"
                )
            }
            Self::PartialFrame => write!(f, "the last frame is incomplete and was left out"),
        }
    }
}

fn right_instead(doing: &str) -> &'static str {
    if doing == "read" {
        "give a file that is there and may be read"
    } else {
        "give a place that may be written and has room"
    }
}

/// Why a WAV file could not be read or written: one line that says where, what, and what would be right.
#[derive(Debug, thiserror::Error)]
pub enum WavError {
    /// The system refused.
    #[error("cannot {doing} {path}: {cause}; {}", right_instead(doing))]
    System {
        /// "read" or "write".
        doing: &'static str,
        /// The file.
        path: String,
        /// The system's words.
        cause: std::io::Error,
    },
    /// It is something else than WAV.
    #[error("{path} is not a WAV file: it {found}; give a WAV file (RIFF, 16, 24 or 32-bit)")]
    Foreign {
        /// The file.
        path: String,
        /// What it starts with, after "it".
        found: String,
    },
    /// It is WAV, and broken beyond reading.
    #[error("{path} is damaged: {what}; export or record it again")]
    Damaged {
        /// The file.
        path: String,
        /// What is broken.
        what: String,
    },
    /// It is sound WAV of a kind that is not read here.
    #[error("{path} holds {found}; save it as {right}")]
    Unsupported {
        /// The file.
        path: String,
        /// What it holds.
        found: String,
        /// What would be read.
        right: String,
    },
    /// A valid file without a single sample.
    #[error("{path} holds no sound: its length is zero samples")]
    Empty {
        /// The file.
        path: String,
    },
    /// A float sample that is not a number, infinite, or beyond any signal.
    #[error(
        "{path}: sample {frame} of channel {channel} (at {at_s:.4} s) is {value}; every sample must be a finite number, with full scale at 1"
    )]
    NotFinite {
        /// The file.
        path: String,
        /// Counted from 1.
        channel: usize,
        /// Counted from 0.
        frame: u64,
        /// Where that is in time.
        at_s: f64,
        /// "NaN", "inf", "-inf" or a number beyond any signal.
        value: String,
    },
    /// More than the container, or memory, can hold.
    #[error(
        "{path} would need {needed_gib:.1} GiB and at most {most_gib:.1} GiB are possible; make it shorter or with fewer channels"
    )]
    TooLarge {
        /// The file.
        path: String,
        /// What it would take.
        needed_gib: f64,
        /// What is possible.
        most_gib: f64,
    },
    /// What was to be written is not a signal a WAV file can hold.
    #[error("cannot write {path}: {what}")]
    BadSignal {
        /// The file.
        path: String,
        /// What is wrong with the signal.
        what: String,
    },
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}

const GIB: f64 = (1u64 << 30) as f64;
