//! The takes of a visit: recordings are the truth, and are written once.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::visit::TAKES;
use super::{VisitFolder, entries, known, number_of};
use crate::error::{GarageError, Listing};
use crate::formats::document;
use crate::take::TakeRecord;

/// Ending of the empty file that holds a number while its take is being recorded.
pub(crate) const CLAIM: &str = "claim";

/// A number that no other program can get, while its take is being recorded.
///
/// Dropped without [`VisitFolder::finish_take`] or [`VisitFolder::abandon_take`], as by a crash, it leaves the number
/// used and whatever was recorded in place; `garage check` names it.
#[derive(Debug)]
pub struct OpenTake {
    /// The take's id.
    pub id: String,
    /// Record into this file; it is not there yet.
    pub recording: PathBuf,
    claim: PathBuf,
}

impl VisitFolder {
    /// The records of all takes by number, retaken ones too. Reads no audio.
    ///
    /// # Errors
    /// When the folder of takes cannot be listed.
    pub fn takes(&self) -> Result<Listing<TakeRecord>, GarageError> {
        let mut listing = Listing::default();
        for path in entries(&self.takes_folder())? {
            if has_ending(&path, "json") {
                listing.push(document::read(&path));
            }
        }
        listing.found.sort_by_key(|take: &TakeRecord| (take.id.len(), take.id.clone()));
        Ok(listing)
    }

    /// One take's record.
    ///
    /// # Errors
    /// Names the takes there are when there is no such one.
    pub fn take(&self, id: &str) -> Result<TakeRecord, GarageError> {
        let records = || {
            entries(&self.takes_folder()).map(|paths| paths.into_iter().filter(|it| has_ending(it, "json")))
        };
        match records()?.find(|path| path.file_stem().is_some_and(|stem| stem == id)) {
            Some(path) => Ok(document::read(&path)?),
            None => Err(GarageError::NoSuch {
                path: self.path().to_owned(),
                what: "take",
                name: id.to_owned(),
                known: known(
                    records()?.filter_map(|path| Some(path.file_stem()?.to_string_lossy().into_owned())),
                ),
            }),
        }
    }

    /// Where the recording of a take is.
    pub fn recording(&self, id: &str) -> PathBuf {
        self.takes_folder().join(format!("{id}.wav"))
    }

    /// Gets a number for a new take. Two programs never get the same.
    ///
    /// # Errors
    /// A busy garage, the system's reason.
    pub fn begin_take(&self) -> Result<OpenTake, GarageError> {
        let _lock = self.lock()?;
        let folder = self.takes_folder();
        let failed = |cause| GarageError::folder(&folder, "beginning a take", cause);
        fs::create_dir_all(&folder).map_err(failed)?;
        let mut number = entries(&folder)?.iter().filter_map(|path| number_of(path)).max().unwrap_or(0);
        loop {
            number += 1;
            let id = format!("{number:04}");
            let claim = folder.join(format!("{id}.{CLAIM}"));
            match File::create_new(&claim) {
                Ok(_) => return Ok(OpenTake { recording: self.recording(&id), id, claim }),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(cause) => return Err(failed(cause)),
            }
        }
    }

    /// Keeps a recorded take; `record.id` and the digest of the recording are filled in.
    ///
    /// # Errors
    /// A recording that is not there, a record that breaks its rules, a busy garage, the system's reason. The
    /// recording stays in any case.
    pub fn finish_take(&self, open: OpenTake, mut record: TakeRecord) -> Result<TakeRecord, GarageError> {
        let digest = digest(&open.recording)
            .map_err(|cause| GarageError::folder(&open.recording, "reading the recording back", cause))?;
        record.id.clone_from(&open.id);
        record.recording_sha256 = Some(digest);
        let _lock = self.lock()?;
        document::write_new(&self.take_file(&open.id), &record)?;
        // The number is held by the record now; a claim that stays is only untidy.
        let _ = fs::remove_file(&open.claim);
        Ok(record)
    }

    /// Gives a take up: what was recorded is deleted, the number may be used again.
    ///
    /// # Errors
    /// The system's reason.
    pub fn abandon_take(&self, open: OpenTake) -> Result<(), GarageError> {
        for path in [&open.recording, &open.claim] {
            match fs::remove_file(path) {
                Err(cause) if cause.kind() != io::ErrorKind::NotFound => {
                    return Err(GarageError::folder(path, "deleting", cause));
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Marks take `old` as replaced by take `new`; both recordings stay.
    ///
    /// # Errors
    /// When one of them is not there, a busy garage, the system's reason.
    pub fn supersede(&self, old: &str, new: &str) -> Result<(), GarageError> {
        let _lock = self.lock()?;
        self.take(new)?;
        let mut record = self.take(old)?;
        record.superseded_by = Some(new.to_owned());
        Ok(document::write(&self.take_file(old), &record)?)
    }

    pub(crate) fn takes_folder(&self) -> PathBuf {
        self.path().join(TAKES)
    }

    fn take_file(&self, id: &str) -> PathBuf {
        self.takes_folder().join(format!("{id}.json"))
    }
}

/// SHA-256 of a file in hexadecimal digits.
pub(crate) fn digest(path: &Path) -> io::Result<String> {
    let mut hasher = Sha256::new();
    io::copy(&mut File::open(path)?, &mut HashWriter(&mut hasher))?;
    Ok(hasher.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

struct HashWriter<'a>(&'a mut Sha256);

impl io::Write for HashWriter<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

pub(crate) fn has_ending(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|it| it == ending)
}
