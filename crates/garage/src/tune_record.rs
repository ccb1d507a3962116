//! A tune as a visit keeps it: numbered, never changed, still a tune file that any command takes.

use std::path::Path;

use dsp::tune::Tune;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::atomic;
use crate::fault::{FormatError, Invalid};
use crate::formats::document::{self, Document, Headed};
use crate::formats::{json, text};
use crate::rules;

/// A saved tune.
#[derive(Debug, Clone, PartialEq)]
pub struct TuneRecord {
    /// Number, origin and reasons.
    pub record: TuneNote,
    /// The settings.
    pub tune: Tune,
}

/// Where a tune came from, and why it is as it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TuneNote {
    /// From 1, in the order they were saved; set by the visit.
    pub number: u32,
    /// When it was saved.
    pub made_at: Timestamp,
    /// A name for people.
    pub title: String,
    /// What was done and why, a plain sentence each.
    #[serde(default)]
    pub reasons: Vec<Reason>,
    /// The tune it started from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub based_on: Option<u32>,
    /// Takes it was computed from.
    #[serde(default)]
    pub takes: Vec<String>,
    /// True when it rests on simulated takes.
    #[serde(default)]
    pub simulated: bool,
}

impl TuneNote {
    /// What a tune that undoes the factory is called: it belongs to the processor's inputs, not to its outputs.
    pub const UNDO: &'static str = "Undo of the factory, for the processor's inputs";

    /// True for a tune of the processor's inputs.
    pub fn is_undo(&self) -> bool {
        self.title == Self::UNDO
    }
}

/// One thing that was done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// The channel, side, or "whole car".
    pub subject: String,
    /// In words a customer understands.
    pub words: String,
}

#[derive(Serialize)]
struct Saved<'a> {
    record: &'a TuneNote,
    #[serde(flatten)]
    tune: &'a Tune,
}

const RIGHT: &str = "a numbered tune of a visit";

/// Reads a numbered tune.
///
/// # Errors
/// Names the file, the field, what is wrong and what would be right.
pub fn read(path: &Path) -> Result<TuneRecord, FormatError> {
    parse(&text::load(path, Tune::RIGHT)?, path)
}

/// The numbered tune in `bytes`; `path` is only named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<TuneRecord, FormatError> {
    let tune = document::parse::<Tune>(bytes, path)?;
    let mut fields = document::fields::<Tune>(bytes, path)?;
    let Some(record) = fields.remove("record") else {
        return Err(FormatError::in_field(
            path,
            Invalid::new("record", "is missing", format!("expected {RIGHT}, with its number and origin")),
        ));
    };
    let record: TuneNote = json::typed(record, path, RIGHT)?;
    check(&record).map_err(|invalid| FormatError::in_field(path, invalid.within("record")))?;
    Ok(TuneRecord { record, tune })
}

/// Writes a numbered tune; never replaces one.
///
/// # Errors
/// A tune that breaks its own rules is not written; a number that is taken; the system's reason.
pub(crate) fn write_new(path: &Path, saved: &TuneRecord) -> Result<(), FormatError> {
    // The rules of a tune, and that every number in it reads back.
    document::to_text(&saved.tune, path)?;
    check(&saved.record).map_err(|invalid| FormatError::in_field(path, invalid.within("record")))?;
    let text = json::pretty(&Headed {
        format: Tune::FORMAT,
        version: Tune::VERSION,
        record: &Saved { record: &saved.record, tune: &saved.tune },
    })
    .map_err(|invalid| FormatError::in_field(path, invalid))?;
    atomic::write_new(path, text.as_bytes())
}

fn check(record: &TuneNote) -> Result<(), Invalid> {
    if record.number == 0 {
        return Err(Invalid::new("number", "is 0", "tunes are counted from 1"));
    }
    rules::named("title", &record.title)
}
