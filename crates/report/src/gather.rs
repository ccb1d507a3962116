//! Everything a report needs, read from a visit.

use std::path::Path;

use garage::entry::{DeadChannel, dead_channels};
use garage::{Car, Finding, GarageError, Proof, TakeRecord, TuneRecord, Visit, VisitFolder};

/// All records of a visit that the report speaks of.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// The car.
    pub car: Car,
    /// The visit.
    pub visit: Visit,
    /// What the factory did.
    pub finding: Option<Finding>,
    /// The tune that was proved; without a proof the one that was typed in, otherwise the newest.
    pub tune: Option<TuneRecord>,
    /// The proof.
    pub proof: Option<Proof>,
    /// Takes that count: those that were not retaken.
    pub takes: Vec<TakeRecord>,
    /// What could not be read, a sentence each.
    pub remarks: Vec<String>,
}

impl Document {
    /// Channels of which nothing was heard wherever they were taken.
    pub(crate) fn dead_channels(&self) -> Vec<DeadChannel> {
        dead_channels(&self.car.channel_map, &self.takes)
    }

    /// True when anything in it was simulated.
    pub fn simulated(&self) -> bool {
        self.car.simulated
            || self.visit.simulated
            || self.visit.rig.as_ref().is_some_and(|rig| rig.simulation.is_some())
            || self.visit.checks.iter().any(|check| check.simulated)
            || self.finding.as_ref().is_some_and(|finding| finding.simulated)
            || self.tune.as_ref().is_some_and(|tune| tune.record.simulated)
            || self.proof.as_ref().is_some_and(|proof| proof.simulated)
            || self.takes.iter().any(|take| take.simulated)
    }
}

/// Gathers the records of the visit in `visit_dir`; reads no audio.
///
/// # Errors
/// A folder that is no visit; a proof, a finding or the proved tune that is damaged. Damaged takes and other tunes
/// become remarks.
pub fn gather(visit_dir: &Path) -> Result<Document, GarageError> {
    let folder = VisitFolder::open(visit_dir)?;
    let visit = folder.record().clone();
    let (finding, proof) = (folder.finding()?, folder.proof()?);
    let takes = folder.takes()?;
    let mut remarks: Vec<String> = takes.damaged.iter().map(ToString::to_string).collect();
    let named = proof.as_ref().map(|it| it.tune).or(visit.entry.as_ref().map(|it| it.tune));
    let tune = match named {
        Some(number) => Some(folder.tune(number)?),
        None => {
            let tunes = folder.tunes()?;
            remarks.extend(tunes.damaged.iter().map(ToString::to_string));
            tunes.found.into_iter().rfind(|it| !it.record.is_undo())
        }
    };
    Ok(Document {
        car: folder.car().clone(),
        visit,
        finding,
        tune,
        proof,
        takes: takes.found.into_iter().filter(TakeRecord::is_current).collect(),
        remarks,
    })
}
