//! One take from the command line: the rig as the visit knows it, changed by what the tuner asks for.

use std::path::{Path, PathBuf};

use audio::rig::Watch;
use garage::{RigRecord, TakeRecord, VisitFolder};

use crate::cabin::{self, CabinTake};
use crate::error::JobError;
use crate::judged::Judged;
use crate::source::{self, Following, Line, Probe};
use crate::stimulus;
use crate::workplace::Workplace;

/// Rate, level and ceiling of a rig that nobody has described: quiet, and with room above.
const USUAL: RigRecord = RigRecord {
    output: String::new(),
    input: String::new(),
    rate_hz: 48_000,
    microphone_input: 1,
    reference_input: None,
    level_dbfs: -20.0,
    ceiling_dbfs: -6.0,
    simulation: None,
};

/// What to take, and how.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MeasureOrder {
    /// Channel of the car's map.
    pub channel: String,
    /// Where the microphone is, `P1` to `P9`.
    pub position: String,
    /// Changes to the rig of the visit.
    pub rig: RigChange,
    /// Length of one sweep in seconds.
    pub seconds: Option<f64>,
    /// Sweeps in the take.
    pub repeats: Option<usize>,
}

/// What is to be different from the rig the visit knows; kept in the visit for the takes that follow.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RigChange {
    /// Output device.
    pub output: Option<String>,
    /// Input device.
    pub input: Option<String>,
    /// Sample rate.
    pub rate_hz: Option<u32>,
    /// Input of the microphone, counted from 1.
    pub microphone_input: Option<u16>,
    /// Input that hears the output directly, counted from 1.
    pub reference_input: Option<u16>,
    /// Peak of the stimulus.
    pub level_dbfs: Option<f64>,
    /// No sample leaves above this.
    pub ceiling_dbfs: Option<f64>,
}

/// Plays, records, analyses and judges one take, and keeps it in the visit.
///
/// # Errors
/// A visit, channel, position, device or level that is not there or not possible; a device that vanishes; a full disk.
/// A take that is merely bad is kept, with the verdict that it should be made again.
pub fn measure(visit: &Path, order: &MeasureOrder, watch: &Watch) -> Result<Judged<CabinTake>, JobError> {
    if let Some(seconds) = order.seconds.filter(|it| !(0.5..=60.0).contains(it)) {
        return Err(JobError::Input(format!("a sweep of {seconds} s; give 0.5 to 60 s")));
    }
    if let Some(repeats) = order.repeats.filter(|it| !(1..=16).contains(it)) {
        return Err(JobError::Input(format!("{repeats} sweeps in a take; give 1 to 16")));
    }
    order.rig.work_with(visit, |place| {
        place.plan.seconds = order.seconds.unwrap_or(place.plan.seconds);
        place.plan.repeats = order.repeats.unwrap_or(place.plan.repeats);
        cabin::take(place, &order.channel, &order.position, watch)
    })
}

/// An output of the head unit, to be recorded while that plays by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadUnitOrder {
    /// What is recorded.
    pub line: Line,
    /// Where the probes are.
    pub probe: Probe,
    /// The stimulus that is played, its sidecar beside it; kept in the visit for the recordings that follow.
    pub stimulus: Option<PathBuf>,
    /// Changes to the rig of the visit.
    pub rig: RigChange,
}

/// Records one output of the head unit, judges the recording, and keeps it in the visit.
///
/// # Errors
/// A visit, stimulus, device or input that is not there; no stimulus at all; a device that vanishes; a full disk. A
/// recording that is merely bad is kept, with the verdict that it should be made again.
pub fn record_head_unit(
    visit: &Path,
    order: &HeadUnitOrder,
    following: &Following,
    watch: &Watch,
) -> Result<Judged<TakeRecord>, JobError> {
    let read = |played: &PathBuf| stimulus::recipe_of(played).map_err(|it| JobError::Input(it.to_string()));
    let recipe = order.stimulus.as_ref().map(read).transpose()?;
    order.rig.work_with(visit, |place| {
        if recipe.is_some() && place.folder.record().head_unit_stimulus != recipe {
            place.folder.update(|record| record.head_unit_stimulus = recipe)?;
        }
        source::listen(place, &order.line, &order.probe, following, watch)
    })
}

impl RigChange {
    /// Does `work` in the visit with its rig changed. The change stays for what follows, but for work that comes to nothing:
    /// a slip in an order must not set the next one.
    fn work_with<T>(
        &self,
        visit: &Path,
        work: impl FnOnce(&mut Workplace) -> Result<T, JobError>,
    ) -> Result<T, JobError> {
        let mut folder = VisitFolder::open(visit)?;
        let before = folder.record().rig.clone();
        let rig = self.applied_to(before.as_ref())?;
        let changed = before.as_ref() != Some(&rig);
        if changed {
            folder.update(|record| record.rig = Some(rig))?;
        }
        let outcome = Workplace::open(folder).and_then(|mut place| work(&mut place));
        if changed && outcome.is_err() {
            VisitFolder::open(visit)?.update(|record| record.rig = before)?;
        }
        outcome
    }

    fn applied_to(&self, known: Option<&RigRecord>) -> Result<RigRecord, JobError> {
        let simulated = known.is_some_and(|rig| rig.simulation.is_some());
        if simulated && (self.output.is_some() || self.input.is_some()) {
            return Err(JobError::Input(
                "this visit is made on the virtual car, which has no devices to choose; leave --output and --input out".into(),
            ));
        }
        let known = known.cloned().unwrap_or(USUAL);
        let rig = RigRecord {
            output: self.output.clone().unwrap_or(known.output),
            input: self.input.clone().unwrap_or(known.input),
            rate_hz: self.rate_hz.unwrap_or(known.rate_hz),
            microphone_input: self.microphone_input.unwrap_or(known.microphone_input),
            reference_input: self.reference_input.or(known.reference_input),
            level_dbfs: self.level_dbfs.unwrap_or(known.level_dbfs),
            ceiling_dbfs: self.ceiling_dbfs.unwrap_or(known.ceiling_dbfs),
            simulation: known.simulation,
        };
        if !(-120.0..=0.0).contains(&rig.ceiling_dbfs) {
            return Err(JobError::Input(format!("a ceiling of {} dBFS; give −120 to 0", rig.ceiling_dbfs)));
        }
        if !(-120.0..=rig.ceiling_dbfs).contains(&rig.level_dbfs) {
            return Err(JobError::Input(format!(
                "a level of {} dBFS; give −120 to the ceiling of {} dBFS",
                rig.level_dbfs, rig.ceiling_dbfs
            )));
        }
        if rig.microphone_input == 0 || rig.reference_input == Some(0) {
            return Err(JobError::Input("inputs are counted from 1".into()));
        }
        Ok(rig)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_asked_for_changes() {
        let known = RigRecord { output: "a".into(), reference_input: Some(2), level_dbfs: -30.0, ..USUAL };
        let change = RigChange { input: Some("b".into()), ..RigChange::default() };
        let rig = change.applied_to(Some(&known)).unwrap();
        assert_eq!(rig, RigRecord { input: "b".into(), ..known });
    }

    #[test]
    fn what_cannot_be_is_refused_in_one_line() {
        let cases = [
            (RigChange { level_dbfs: Some(-3.0), ..RigChange::default() }, "the ceiling of -6 dBFS"),
            (RigChange { level_dbfs: Some(f64::NAN), ..RigChange::default() }, "a level of NaN dBFS"),
            (RigChange { ceiling_dbfs: Some(3.0), ..RigChange::default() }, "a ceiling of 3 dBFS"),
            (RigChange { microphone_input: Some(0), ..RigChange::default() }, "counted from 1"),
        ];
        for (change, part) in cases {
            let words = change.applied_to(None).unwrap_err().to_string();
            assert!(words.contains(part), "{words}");
        }
    }
}
