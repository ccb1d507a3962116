//! Reading everything in a garage again, and naming what is damaged.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::atomic::TEMPORARY_PREFIX;
use crate::car::Car;
use crate::error::GarageError;
use crate::finding::Finding;
use crate::folder::{
    CAR_FILE, CARS, CLAIM, FINDING_FILE, GARAGE_FILE, GarageRecord, PROOF_FILE, REPORT, TAKES, TUNES,
    VISIT_FILE, VISITS, digest, entries, folders, has_ending,
};
use crate::formats::document::{self, Document};
use crate::proof::Proof;
use crate::take::TakeRecord;
use crate::tune_record;
use crate::visit::Visit;

/// What a check found.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct CheckReport {
    /// Cars with a readable record.
    pub cars: usize,
    /// Visits with a readable record.
    pub visits: usize,
    /// Takes with a readable record.
    pub takes: usize,
    /// Tunes that can be read.
    pub tunes: usize,
    /// Bytes of recordings that were read and agree with their records.
    pub recording_bytes: u64,
    /// Damaged or missing, one line each that names the file.
    pub damaged: Vec<String>,
    /// What interrupted work left behind; nothing that was saved depends on it.
    pub left_over: Vec<String>,
}

/// Reads every record and every recording below `root`; changes nothing.
///
/// # Errors
/// When `root` is no garage or a folder cannot be listed; damaged files are found, not errors.
pub fn check(root: &Path, mut progress: impl FnMut(&Path)) -> Result<CheckReport, GarageError> {
    let mut report = CheckReport::default();
    if !root.join(GARAGE_FILE).exists() {
        return Err(GarageError::NotThat { path: root.to_owned(), expected: "garage", file: GARAGE_FILE });
    }
    report.record::<GarageRecord>(&root.join(GARAGE_FILE));
    report.unfinished(root)?;
    report.unfinished(&root.join(CARS))?;
    for car in folders(&root.join(CARS))? {
        progress(&car);
        report.cars += usize::from(report.record::<Car>(&car.join(CAR_FILE)));
        report.unfinished(&car)?;
        report.unfinished(&car.join(VISITS))?;
        for visit in folders(&car.join(VISITS))? {
            progress(&visit);
            report.visit(&visit, &mut progress)?;
        }
    }
    Ok(report)
}

impl CheckReport {
    fn record<T: Document>(&mut self, path: &Path) -> bool {
        match document::read::<T>(path) {
            Ok(_) => true,
            Err(error) => {
                self.damaged.push(error.to_string());
                false
            }
        }
    }

    fn visit(&mut self, visit: &Path, progress: &mut impl FnMut(&Path)) -> Result<(), GarageError> {
        self.visits += usize::from(self.record::<Visit>(&visit.join(VISIT_FILE)));
        for folder in [visit.to_owned(), visit.join(TAKES), visit.join(TUNES), visit.join(REPORT)] {
            self.unfinished(&folder)?;
        }
        for path in entries(&visit.join(TAKES))? {
            progress(&path);
            self.take_file(&path);
        }
        for path in entries(&visit.join(TUNES))? {
            if has_ending(&path, "json") {
                match tune_record::read(&path) {
                    Ok(_) => self.tunes += 1,
                    Err(error) => self.damaged.push(error.to_string()),
                }
            }
        }
        let report = visit.join(REPORT);
        if report.join(PROOF_FILE).exists() {
            self.record::<Proof>(&report.join(PROOF_FILE));
        }
        if report.join(FINDING_FILE).exists() {
            self.record::<Finding>(&report.join(FINDING_FILE));
        }
        Ok(())
    }

    fn take_file(&mut self, path: &Path) {
        if has_ending(path, CLAIM) {
            let kept = path.with_extension("wav");
            let bytes = fs::metadata(&kept).map_or(0, |facts| facts.len());
            self.left_over.push(format!(
                "{}: this take was interrupted; {bytes} bytes were recorded and are kept",
                path.display()
            ));
        } else if has_ending(path, "json") {
            match document::read::<TakeRecord>(path) {
                Ok(take) => self.take(path, &take),
                Err(error) => self.damaged.push(error.to_string()),
            }
        } else if has_ending(path, "wav")
            && !path.with_extension("json").exists()
            && !path.with_extension(CLAIM).exists()
        {
            self.left_over.push(format!("{}: a recording without a record; it is kept", path.display()));
        }
    }

    fn take(&mut self, record: &Path, take: &TakeRecord) {
        self.takes += 1;
        if record.file_stem().is_none_or(|stem| stem != take.id.as_str()) {
            self.damaged.push(format!(
                "{}, field id: is \"{}\"; the file's name and its id must agree",
                record.display(),
                take.id
            ));
        }
        let recording = record.with_extension("wav");
        match recording_fault(&recording, take) {
            Ok(None) => self.recording_bytes += fs::metadata(&recording).map_or(0, |facts| facts.len()),
            Ok(Some(wrong)) => self.damaged.push(format!("{}: {wrong}", recording.display())),
            Err(error) => self
                .damaged
                .push(format!("{}: cannot be read ({error}); restore it from a copy", recording.display())),
        }
    }

    /// Files that a crash left while they were being written.
    fn unfinished(&mut self, folder: &Path) -> Result<(), GarageError> {
        let Ok(listing) = fs::read_dir(folder) else { return Ok(()) };
        let mut paths: Vec<PathBuf> = Vec::new();
        for entry in listing {
            paths.push(entry.map_err(|cause| GarageError::folder(folder, "listing", cause))?.path());
        }
        paths.retain(|path| {
            path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(TEMPORARY_PREFIX))
        });
        paths.sort();
        self.left_over.extend(paths.iter().map(|path| {
            format!("{}: left by a write that was interrupted; it may be deleted", path.display())
        }));
        Ok(())
    }
}

/// What is wrong with a recording, as far as its record tells.
fn recording_fault(path: &Path, take: &TakeRecord) -> io::Result<Option<String>> {
    let mut start = [0; 12];
    let long_enough = File::open(path)?.read_exact(&mut start).is_ok();
    if !long_enough || &start[..4] != b"RIFF" || &start[8..] != b"WAVE" {
        return Ok(Some("is no WAV recording; restore it from a copy".to_owned()));
    }
    let Some(expected) = &take.recording_sha256 else {
        return Ok(None);
    };
    let found = digest(path)?;
    if found == *expected {
        return Ok(None);
    }
    Ok(Some("was changed after it was recorded (its digest is another); restore it from a copy".to_owned()))
}
