//! The entry check: was the tune typed into the processor as it stands?

use std::path::{Path, PathBuf};

use dsp::entry_check::{EntryCheck, EntryCheckError, Taken, entry_check};
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::formats::{curve_csv, tune};

use crate::judged::Judged;

/// A curve of one channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedCurve {
    /// The channel's name in the tune.
    pub name: String,
    /// A curve CSV.
    pub path: PathBuf,
}

/// Why nothing could be checked.
#[derive(Debug, thiserror::Error)]
pub enum EntryCheckFailure {
    /// A file cannot be read.
    #[error(transparent)]
    File(#[from] FormatError),
    /// A channel is named twice, or a `before` has no take.
    #[error("{0}")]
    Names(String),
    /// The takes do not fit the tune.
    #[error(transparent)]
    Takes(#[from] EntryCheckError),
}

/// Reads a tune and the takes of its channels, with those before the tune where there are any, and looks for slips.
///
/// # Errors
/// A file that cannot be read, a name given twice or unknown, or a take that shows too little.
pub fn entry_check_files(
    tune_path: &Path,
    takes: &[NamedCurve],
    before: &[NamedCurve],
) -> Result<Judged<EntryCheck>, EntryCheckFailure> {
    for (option, list) in [("--take", takes), ("--before", before)] {
        for (i, curve) in list.iter().enumerate() {
            if list[..i].iter().any(|other| other.name == curve.name) {
                return Err(EntryCheckFailure::Names(format!(
                    "{option} {}: the channel is named twice; give each once",
                    curve.name
                )));
            }
        }
    }
    if let Some(lost) = before.iter().find(|curve| !takes.iter().any(|take| take.name == curve.name)) {
        return Err(EntryCheckFailure::Names(format!(
            "--before {}: there is no --take of that channel to compare it with",
            lost.name
        )));
    }
    let tune = tune::read(tune_path)?;
    let mut taken = Vec::new();
    for take in takes {
        let without = before.iter().find(|curve| curve.name == take.name);
        taken.push(Taken {
            name: take.name.clone(),
            curve: curve_csv::read(&take.path)?,
            before: without.map(|curve| curve_csv::read(&curve.path)).transpose()?,
        });
    }
    Ok(judged(entry_check(&tune, &taken)?))
}

/// The verdict on a check: a channel that is not as typed makes it "usable", one that nothing explains too.
pub fn judged(check: EntryCheck) -> Judged<EntryCheck> {
    let mut judged = Judged::good(check);
    for channel in judged.result.channels.clone() {
        if !channel.as_typed {
            judged.note(Verdict::Usable, channel.sentence);
        }
    }
    judged.remarks.extend(judged.result.remarks.clone());
    judged
}
