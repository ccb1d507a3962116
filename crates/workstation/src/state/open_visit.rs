//! The visit that is open, as the disk has it.

use std::path::PathBuf;
use std::sync::Arc;

use dsp::curve::Curve;
use garage::finding::Finding;
use garage::proof::Proof;
use garage::take::TakeRecord;
use garage::tune_record::TuneRecord;
use garage::{Car, Visit};

/// Records only; no audio.
#[derive(Debug, Clone)]
pub struct OpenVisit {
    /// Its folder.
    pub folder: PathBuf,
    /// The car.
    pub car: Car,
    /// The visit.
    pub visit: Visit,
    /// Every take, the latest last.
    pub takes: Arc<Vec<TakeRecord>>,
    /// Every tune, the latest last.
    pub tunes: Arc<Vec<TuneRecord>>,
    /// The proof, once there is one.
    pub proof: Option<Arc<Proof>>,
    /// What the factory did, once it is known.
    pub finding: Option<Arc<Finding>>,
    /// What its undoing does to each signal of the finding, by the signal's name.
    pub undo: Vec<(String, Arc<Curve>)>,
}

impl OpenVisit {
    /// True when anything in it was simulated.
    pub fn is_simulated(&self) -> bool {
        self.car.simulated || self.visit.simulated
    }

    /// `Corvane Estate · visit 2026-03-14`, with the number of the visit from the second on.
    pub fn heading(&self) -> String {
        let number =
            if self.visit.number > 1 { format!(", no. {}", self.visit.number) } else { String::new() };
        format!("{} · visit {}{number}", self.car.name, self.visit.date)
    }

    /// Tunes of the outputs; those that undo the factory have a number too, and are none of them.
    pub fn voiced(&self) -> impl DoubleEndedIterator<Item = &TuneRecord> {
        self.tunes.iter().filter(|tune| !tune.record.is_undo())
    }

    /// The latest tune of the outputs.
    pub fn latest_tune(&self) -> Option<&TuneRecord> {
        self.voiced().next_back()
    }

    /// Takes that count: not superseded.
    pub fn current_takes(&self) -> impl Iterator<Item = &TakeRecord> {
        self.takes.iter().filter(|take| take.is_current())
    }
}
