//! Source: what did the factory do to the signal, and how is it undone?
//!
//! Measured electrically, with the amplifiers off: the sweep covers more than a protected speaker can take.

mod feeds;
mod following;
mod input_stage;
mod listen;
mod listened;
mod material;
mod plans;
mod proof;
pub mod stick;
mod volume;
mod ways;
mod work_out;

use audio::rig::Watch;
use dsp::curve::{Curve, log_grid_hz};
use dsp::limits::Limits;
use dsp::spectrum::Complex;
use dsp::verdict::Verdict;
use garage::take::{Driven, Heard, ONE_OUTPUT, Recorded};
use garage::{Side, TakeKind, TakeRecord, VisitFolder};

use crate::error::JobError;
use crate::gates;
use crate::judged::Judged;
use crate::plan::level_dbfs;
use crate::rig::JobRig;
use crate::voicing::{Bins, SMOOTHING_PER_OCTAVE};
use crate::workplace::{Taken, Wish, Workplace};

pub(crate) use feeds::feeds;
pub use following::{Following, Progress};
pub(crate) use input_stage::enter;
pub use listen::{Line, Probe, listen, without_probe};
pub use proof::check;
pub use volume::{TONES_HZ, take_at_volume, turn_up, volumes_to_take};
pub use work_out::work_out;

/// The factory's signal, without or with the undoing in the processor's inputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// As the head unit sends it.
    AsItCame,
    /// With the undoing of the visit's finding typed in.
    Undone,
}

impl Signal {
    /// Label of its takes.
    fn label(self) -> &'static str {
        match self {
            Self::AsItCame => "as it came",
            Self::Undone => "undone",
        }
    }
}

/// Lines of a rig are named by where they are probed, then by what they carry.
const FACTORY: &str = "head unit ";
const AFTER_UNDO: &str = "undone ";
const FITTED: &str = "processor ";
const JOINED: &str = "joined ";

/// Labels of takes with the volume elsewhere; the step follows.
const AT_VOLUME: &str = "at volume ";
const UP_FROM: &str = "volume up from ";
/// What both sides of the music together are called in takes.
const BOTH: &str = "both";
/// An electrical sweep starts and ends beyond what is heard, so that the ends of the audible band are right.
const LINE_BAND_HZ: (f64, f64) = (5.0, 21_000.0);
/// A line this far below the loudest carries only what leaks.
const SILENT_DB: f64 = 40.0;

/// The two sides, as they are named in takes.
pub(crate) const SIDES: [(Side, &str); 2] = [(Side::Left, "left"), (Side::Right, "right")];

/// Records every line of the rig while both sides of the music play, then each alone, then nothing.
///
/// The undoing is typed into the virtual processor's inputs first where it is asked for; at a real one the tuner did it.
///
/// # Errors
/// A rig without line inputs, an undoing that was not worked out, a rig that fails, a disk that is full.
pub fn take(place: &mut Workplace, signal: Signal, watch: &Watch) -> Result<Judged<TakeRecord>, JobError> {
    if signal == Signal::Undone && place.folder.finding()?.and_then(|it| it.tune).is_none() {
        return Err(JobError::not_yet("there is no undoing yet", "work the source out first"));
    }
    enter(place, signal)?;
    place.rig.enter_tune(None)?;
    let rig = place.rig_record()?;
    let plan = place.plan.at_line_level();
    let recipe = plan.recipe_of_sides(LINE_BAND_HZ, rig.rate_hz, level_dbfs(rig));
    let joined = lines(place, &[JOINED])?;
    let heard = match signal {
        Signal::AsItCame => lines(place, &[FACTORY, FITTED])?,
        Signal::Undone if joined.is_empty() => lines(place, &[AFTER_UNDO, FITTED])?,
        Signal::Undone => lines(place, &[JOINED, FITTED])?,
    };
    let taken = place.record(
        Wish {
            kind: TakeKind::Source,
            subject: Some(BOTH.to_owned()),
            position: None,
            label: Some(signal.label().to_owned()),
            recipe: Some(recipe),
            driven: music(),
            recorded: reference(place)?.into_iter().chain(heard).collect(),
            tune: None,
            tail_s: place.plan.tail_s,
        },
        watch,
    )?;
    keep(place, taken)
}

/// The lines whose names begin with one of `probes`.
fn lines(place: &Workplace, probes: &[&str]) -> Result<Vec<Recorded>, JobError> {
    let all = place.rig.line_inputs();
    if all.is_empty() {
        return Err(JobError::not_yet(
            "this rig has no line inputs to probe the head unit with",
            "record its outputs one by one",
        ));
    }
    let wanted = all.into_iter().filter(|(name, _)| probes.iter().any(|probe| name.starts_with(probe)));
    Ok(wanted.map(|(name, input)| Recorded { input, heard: Heard::Line, name: Some(name) }).collect())
}

fn reference(place: &Workplace) -> Result<Option<Recorded>, JobError> {
    let input = place.rig_record()?.reference_input;
    Ok(input.map(|input| Recorded { input, heard: Heard::Reference, name: None }))
}

/// Music on both sides.
fn music() -> Vec<Driven> {
    let outputs = JobRig::side_outputs(Side::Both).iter().zip(SIDES);
    outputs.map(|(&output, (_, name))| Driven { channel: format!("music {name}"), output }).collect()
}

/// Keeps a take with what the gates say of its recording.
fn keep(place: &Workplace, mut taken: Taken) -> Result<Judged<TakeRecord>, JobError> {
    for finding in gates::recording(&taken.facts, 0) {
        taken.record.verdict = taken.record.verdict.max(finding.verdict);
        taken.record.remarks.push(finding.words);
    }
    let (record, _) = place.keep(taken)?;
    let (verdict, remarks) = (record.verdict, record.remarks.clone());
    Ok(Judged { result: record, verdict, remarks })
}

fn newest<'a>(takes: &'a [TakeRecord], subject: &str, label: &str) -> Option<&'a TakeRecord> {
    takes.iter().rfind(|take| {
        is_of_the_source(take)
            && take.subject.as_deref() == Some(subject)
            && take.label.as_deref() == Some(label)
    })
}

fn is_of_the_source(take: &TakeRecord) -> bool {
    take.kind == TakeKind::Source && take.is_current() && take.verdict != Verdict::Retake
}

fn curve_of(response: &[Complex]) -> Curve {
    let grid = log_grid_hz(20.0, 20_000.0, 48.0);
    let power: Vec<f64> = response.iter().map(Complex::norm_sqr).collect();
    let level_db = Bins::standard()
        .smooth(&power, &grid, 2.0 * SMOOTHING_PER_OCTAVE)
        .iter()
        .map(|p| dsp::decibel::of_power(p.max(1e-30)))
        .collect();
    Curve::of_levels(grid, level_db)
}

fn mean_level_db(response: &[Complex]) -> f64 {
    let power = response.iter().map(Complex::norm_sqr).sum::<f64>() / response.len().max(1) as f64;
    dsp::decibel::of_power(power.max(1e-30))
}

/// The lines of a take that carry more than what leaks, by their names without `probe`.
fn sounding(lines: Vec<(String, Vec<Complex>)>, probe: &str) -> Vec<(String, Vec<Complex>)> {
    let loudest_db = lines.iter().map(|(_, response)| mean_level_db(response)).fold(f64::MIN, f64::max);
    let loud = |response: &Vec<Complex>| mean_level_db(response) > loudest_db - SILENT_DB;
    let named = lines.into_iter().filter(|(_, response)| loud(response));
    named.filter_map(|(line, response)| Some((line.strip_prefix(probe)?.to_owned(), response))).collect()
}

pub(crate) fn side_name(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
        Side::Both => BOTH,
    }
}

pub(crate) fn limits_of(folder: &VisitFolder) -> Result<&Limits, JobError> {
    folder.record().limits.as_ref().ok_or_else(|| {
        JobError::not_yet("this visit does not say what the processor can do", "choose its limits in Intake")
    })
}
