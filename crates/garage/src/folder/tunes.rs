//! The tunes of a visit: numbered, never overwritten.

use std::fs;
use std::path::PathBuf;

use dsp::tune::Tune;

use super::visit::TUNES;
use super::{VisitFolder, entries, known, name_of, number_of};
use crate::error::{GarageError, Listing};
use crate::fault::{Fault, FormatError};
use crate::tune_record::{self, TuneNote, TuneRecord};

impl VisitFolder {
    /// All tunes by number.
    ///
    /// # Errors
    /// When the folder of tunes cannot be listed.
    pub fn tunes(&self) -> Result<Listing<TuneRecord>, GarageError> {
        let mut paths = entries(&self.tunes_folder())?;
        paths.retain(|path| super::takes::has_ending(path, "json"));
        paths.sort_by_key(|path| number_of(path));
        let mut listing = Listing::default();
        for path in paths {
            listing.push(tune_record::read(&path));
        }
        Ok(listing)
    }

    /// One tune.
    ///
    /// # Errors
    /// Names the tunes there are when there is no such one.
    pub fn tune(&self, number: u32) -> Result<TuneRecord, GarageError> {
        match tune_record::read(&self.tune_file(number)) {
            Err(error) if error.is_missing() => Err(GarageError::NoSuch {
                path: self.path().to_owned(),
                what: "tune",
                name: number.to_string(),
                known: known(entries(&self.tunes_folder())?.iter().map(|path| name_of(path))),
            }),
            other => Ok(other?),
        }
    }

    /// Saves a tune under the next number, which is returned; `note.number` is set to it.
    ///
    /// # Errors
    /// A tune that breaks its rules, a busy garage, the system's reason.
    pub fn save_tune(&self, tune: &Tune, mut note: TuneNote) -> Result<u32, GarageError> {
        let _lock = self.lock()?;
        let folder = self.tunes_folder();
        fs::create_dir_all(&folder)
            .map_err(|cause| GarageError::folder(&folder, "making the folder", cause))?;
        let mut number = entries(&folder)?.iter().filter_map(|path| number_of(path)).max().unwrap_or(0);
        loop {
            number += 1;
            note.number = number;
            let saved = TuneRecord { record: note, tune: tune.clone() };
            match tune_record::write_new(&self.tune_file(number), &saved) {
                Err(FormatError { fault: Fault::AlreadyThere, .. }) => note = saved.record,
                Err(error) => return Err(error.into()),
                Ok(()) => return Ok(number),
            }
        }
    }

    /// The file of a tune, which any command takes.
    pub fn tune_file(&self, number: u32) -> PathBuf {
        self.tunes_folder().join(format!("{number}.json"))
    }

    fn tunes_folder(&self) -> PathBuf {
        self.path().join(TUNES)
    }
}
