//! The folder of one car.

use std::path::{Path, PathBuf};

use super::{VisitFolder, folders, known, make_folder, name_of};
use crate::car::Car;
use crate::error::{GarageError, Listing};
use crate::fault::FormatError;
use crate::formats::document;
use crate::lock::WriteLock;
use crate::visit::Visit;

pub(crate) const CAR_FILE: &str = "car.json";
pub(crate) const VISITS: &str = "visits";

/// An open car.
#[derive(Debug, Clone)]
pub struct CarFolder {
    path: PathBuf,
    record: Car,
}

impl CarFolder {
    pub(crate) fn file_in(folder: &Path) -> PathBuf {
        folder.join(CAR_FILE)
    }

    pub(crate) fn read(path: &Path) -> Result<Self, FormatError> {
        let record = document::read(&Self::file_in(path))?;
        Ok(Self { path: path.to_owned(), record })
    }

    /// Its folder.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is known about it.
    pub fn record(&self) -> &Car {
        &self.record
    }

    /// Changes the record on disk: read afresh, edited, written, so that another program's change is kept.
    ///
    /// # Errors
    /// A record that breaks its rules, a busy garage, the system's reason; the file is then as it was.
    pub fn update(&mut self, edit: impl FnOnce(&mut Car)) -> Result<(), GarageError> {
        let _lock = WriteLock::take(&lock_root(&self.path))?;
        let file = Self::file_in(&self.path);
        let mut record: Car = document::read(&file)?;
        edit(&mut record);
        document::write(&file, &record)?;
        self.record = record;
        Ok(())
    }

    /// Every visit, sorted by date; a damaged one is named and does not hide the others.
    ///
    /// # Errors
    /// When the folder of visits cannot be listed.
    pub fn visits(&self) -> Result<Listing<VisitFolder>, GarageError> {
        let mut listing = Listing::default();
        for path in folders(&self.path.join(VISITS))? {
            listing.push(VisitFolder::read(&path, &self.record));
        }
        listing.found.sort_by_key(|visit: &VisitFolder| (visit.record().date, visit.record().number));
        Ok(listing)
    }

    /// The visit in the folder of that name, such as `2026-03-14-1`.
    ///
    /// # Errors
    /// Names the visits there are when there is no such one.
    pub fn visit(&self, name: &str) -> Result<VisitFolder, GarageError> {
        let visits = folders(&self.path.join(VISITS))?;
        match visits.iter().find(|path| name_of(path) == name) {
            Some(path) => Ok(VisitFolder::read(path, &self.record)?),
            None => Err(GarageError::NoSuch {
                path: self.path.clone(),
                what: "visit",
                name: name.to_owned(),
                known: known(visits.iter().map(|path| name_of(path))),
            }),
        }
    }

    /// Begins a visit: `visit.number` is set to the first that is free on its date.
    ///
    /// # Errors
    /// A record that breaks its rules, a busy garage, the system's reason.
    pub fn begin_visit(&self, mut visit: Visit) -> Result<VisitFolder, GarageError> {
        let _lock = WriteLock::take(&lock_root(&self.path))?;
        let visits = self.path.join(VISITS);
        visit.number = 1;
        while visits.join(format!("{}-{}", visit.date, visit.number)).exists() {
            visit.number += 1;
        }
        visit.simulated |= self.record.simulated;
        let folder = visits.join(format!("{}-{}", visit.date, visit.number));
        make_folder(&folder, |inside| VisitFolder::fill(inside, &visit))?;
        Ok(VisitFolder::read(&folder, &self.record)?)
    }
}

/// The garage around a car or a visit, or the folder itself when it stands alone.
pub(crate) fn lock_root(folder: &Path) -> PathBuf {
    let whole = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned());
    let garage = whole.ancestors().find(|path| path.join(super::garage::GARAGE_FILE).is_file());
    garage.map_or_else(|| whole.clone(), Path::to_owned)
}
