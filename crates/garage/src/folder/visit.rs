//! The folder of one visit.

use std::fs;
use std::path::{Path, PathBuf};

use super::car::{CAR_FILE, lock_root};
use crate::car::Car;
use crate::error::GarageError;
use crate::fault::FormatError;
use crate::finding::Finding;
use crate::formats::document::{self, Document};
use crate::lock::WriteLock;
use crate::proof::Proof;
use crate::visit::Visit;

pub(crate) const VISIT_FILE: &str = "visit.json";
pub(crate) const TAKES: &str = "takes";
pub(crate) const TUNES: &str = "tunes";
pub(crate) const REPORT: &str = "report";
pub(crate) const CACHE: &str = "cache";
pub(crate) const PROOF_FILE: &str = "proof.json";
pub(crate) const FINDING_FILE: &str = "finding.json";

/// An open visit.
#[derive(Debug, Clone)]
pub struct VisitFolder {
    path: PathBuf,
    car: Car,
    record: Visit,
}

impl VisitFolder {
    /// Opens the visit in `path`, `GARAGE/cars/<car>/visits/<date>-<n>`.
    ///
    /// # Errors
    /// A folder that is no visit, or a damaged or newer `visit.json` or `car.json`.
    pub fn open(path: &Path) -> Result<Self, GarageError> {
        // `..` and links resolved, so that the car is found from wherever the path starts.
        let whole = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        if !whole.join(VISIT_FILE).exists() {
            return Err(GarageError::NotThat { path: path.to_owned(), expected: "visit", file: VISIT_FILE });
        }
        let car = whole.ancestors().nth(2).unwrap_or(&whole).join(CAR_FILE);
        Ok(Self::read(&whole, &document::read(&car)?)?)
    }

    pub(crate) fn read(path: &Path, car: &Car) -> Result<Self, FormatError> {
        let record = document::read(&path.join(VISIT_FILE))?;
        Ok(Self { path: path.to_owned(), car: car.clone(), record })
    }

    /// Makes the folders and the record of a new visit.
    pub(crate) fn fill(inside: &Path, visit: &Visit) -> Result<(), GarageError> {
        for name in [TAKES, TUNES, REPORT] {
            let folder = inside.join(name);
            fs::create_dir(&folder)
                .map_err(|cause| GarageError::folder(folder, "making the folder", cause))?;
        }
        Ok(document::write_new(&inside.join(VISIT_FILE), visit)?)
    }

    /// Its folder.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The car, as it was when the visit was opened.
    pub fn car(&self) -> &Car {
        &self.car
    }

    /// The record, as it was when opened or last written through this handle.
    pub fn record(&self) -> &Visit {
        &self.record
    }

    /// Changes the record on disk: read afresh, edited, written, so that another program's change is kept.
    ///
    /// # Errors
    /// A record that breaks its rules, a busy garage, the system's reason; the file is then as it was.
    pub fn update(&mut self, edit: impl FnOnce(&mut Visit)) -> Result<(), GarageError> {
        let _lock = self.lock()?;
        let file = self.path.join(VISIT_FILE);
        let mut record: Visit = document::read(&file)?;
        edit(&mut record);
        document::write(&file, &record)?;
        self.record = record;
        Ok(())
    }

    /// Writes `visit` as a whole, unless another program has changed the file since this handle read it.
    ///
    /// # Errors
    /// As [`VisitFolder::update`], and [`GarageError::Changed`].
    pub fn save(&mut self, visit: &Visit) -> Result<(), GarageError> {
        let _lock = self.lock()?;
        let file = self.path.join(VISIT_FILE);
        let on_disk: Visit = document::read(&file)?;
        if on_disk != self.record {
            return Err(GarageError::Changed { path: file });
        }
        document::write(&file, visit)?;
        self.record = visit.clone();
        Ok(())
    }

    /// The proof, when there is one.
    ///
    /// # Errors
    /// When it is there and cannot be read.
    pub fn proof(&self) -> Result<Option<Proof>, GarageError> {
        self.optional(PROOF_FILE)
    }

    /// Keeps the proof, in place of an earlier one.
    ///
    /// # Errors
    /// A proof that breaks its rules, a busy garage, the system's reason.
    pub fn save_proof(&self, proof: &Proof) -> Result<(), GarageError> {
        self.keep(PROOF_FILE, proof)
    }

    /// The source finding, when there is one.
    ///
    /// # Errors
    /// When it is there and cannot be read.
    pub fn finding(&self) -> Result<Option<Finding>, GarageError> {
        self.optional(FINDING_FILE)
    }

    /// Keeps the source finding, in place of an earlier one.
    ///
    /// # Errors
    /// A finding that breaks its rules, a busy garage, the system's reason.
    pub fn save_finding(&self, finding: &Finding) -> Result<(), GarageError> {
        self.keep(FINDING_FILE, finding)
    }

    /// Where the report and its pictures go.
    pub fn report_folder(&self) -> PathBuf {
        self.path.join(REPORT)
    }

    /// Where curves worked out from the recordings may be kept; it may be deleted at any time and need not be there.
    pub fn cache_folder(&self) -> PathBuf {
        self.path.join(CACHE)
    }

    pub(crate) fn lock(&self) -> Result<WriteLock, GarageError> {
        WriteLock::take(&lock_root(&self.path))
    }

    fn optional<T: Document>(&self, file: &str) -> Result<Option<T>, GarageError> {
        match document::read(&self.report_folder().join(file)) {
            Ok(record) => Ok(Some(record)),
            Err(error) if error.is_missing() => Ok(None),
            Err(error) => Err(error.into()),
        }
    }

    fn keep<T: Document>(&self, file: &str, record: &T) -> Result<(), GarageError> {
        let _lock = self.lock()?;
        let folder = self.report_folder();
        fs::create_dir_all(&folder)
            .map_err(|cause| GarageError::folder(&folder, "making the folder", cause))?;
        Ok(document::write(&folder.join(file), record)?)
    }
}
