//! The proof: the measured after, against the predicted after and the before.

use audio::rig::Watch;
use dsp::curve::Curve;
use dsp::target::Target;
use dsp::verdict::Verdict;
use garage::proof::{Distance, Proof, ProofErrors, ProofSide};
use garage::take::Driven;
use garage::{Side, TakeKind, TakeRecord, VisitFolder};
use serde::Serialize;

use super::changes::{Fitted, changes};
use super::words::sentences;
use crate::analysis;
use crate::cabin::{self, judge_and_keep, position_of};
use crate::error::JobError;
use crate::gates::Finding;
use crate::judged::Judged;
use crate::plan::{band_of_all, level_dbfs};
use crate::rig::JobRig;
use crate::source::{SIDES, Signal, side_name};
use crate::voicing::{Scope, TargetError, average_of, gained, heard_band, predict, start_tune, target_error};
use crate::workplace::{Wish, WorkClock, Workplace};

/// A take of a whole side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ProofTake {
    /// Its number in the visit.
    pub id: String,
    /// The side that played.
    pub side: Side,
    /// Where the microphone was.
    pub position: String,
    /// The tune in the processor; none for the car as it came.
    pub tune: Option<u32>,
    /// What was measured; empty when there was nothing to find.
    pub curve: Curve,
    /// The earlier take that this one replaces; its recording stays.
    pub replaces: Option<String>,
    /// What each gate found.
    pub findings: Vec<Finding>,
}

/// Whether the crossovers that protect the speakers are in the processor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Crossovers {
    /// The tuner says so.
    TypedIn,
    /// Nobody has said so.
    NotSaid,
}

/// Takes one side at one position with the numbered tune in the processor, or as the car came with `None`.
///
/// As it came means: the crossovers that protect the speakers, and no level, delay, equalisation or undoing. On the
/// virtual car both are typed in and the microphone is put in its place; at a real one the tuner does so.
///
/// All of a side's band is played to all of its speakers, so at a real car `crossovers` must be typed in.
///
/// # Errors
/// As for a take of the cabin; crossovers that nobody says are in a real processor.
pub fn take(
    place: &mut Workplace,
    side: Side,
    position: &str,
    tune: Option<u32>,
    crossovers: Crossovers,
    watch: &Watch,
) -> Result<Judged<ProofTake>, JobError> {
    if !place.rig.is_simulated() && crossovers == Crossovers::NotSaid {
        return Err(JobError::not_yet(
            "a whole side plays its lowest notes to every output, and a tweeter without its crossover does not survive them",
            "type the crossovers in, connect outputs 1 and 2 to the processor's inputs and not to a speaker's amplifier, and say so",
        ));
    }
    let at = position_of(place, position)?.clone();
    place.rig.place_microphone(&place.folder.record().seat, &at)?;
    enter(place, tune)?;
    let rig = place.rig_record()?;
    let channels: Vec<_> = place.folder.car().channel_map.on_side(side).cloned().collect();
    let band_hz = band_of_all(&channels);
    let recipe = place.plan.recipe(band_hz, rig.rate_hz, level_dbfs(rig));
    let name = side_name(side);
    let driven = JobRig::side_outputs(side)
        .iter()
        .map(|&output| Driven { channel: format!("music {name}"), output })
        .collect();
    let taken = place.record(
        Wish {
            kind: TakeKind::Proof,
            subject: Some(name.to_owned()),
            position: Some(at.name.clone()),
            label: None,
            recipe: Some(recipe),
            driven,
            recorded: place.ears()?,
            tune,
            tail_s: place.plan.tail_s,
        },
        watch,
    )?;
    let (record, replaces, analysis, findings) = judge_and_keep(place, taken, band_hz)?;
    let result = ProofTake {
        id: record.id,
        side,
        position: at.name,
        tune,
        curve: analysis.map(|it| it.curve).unwrap_or_default(),
        replaces,
        findings,
    };
    Ok(Judged { result, verdict: record.verdict, remarks: record.remarks })
}

/// Types into the virtual car what the take needs.
fn enter(place: &Workplace, tune: Option<u32>) -> Result<(), JobError> {
    if !place.rig.is_simulated() {
        return Ok(());
    }
    crate::source::enter(place, if tune.is_some() { Signal::Undone } else { Signal::AsItCame })?;
    match tune {
        Some(number) => place.rig.enter_tune(Some(&place.folder.tune(number)?.tune)),
        None => {
            let limits = crate::source::limits_of(&place.folder)?;
            place.rig.enter_tune(Some(&start_tune(&place.folder.car().channel_map, limits)?))
        }
    }
}

/// Fewer positions than this make no average worth showing to a customer.
const FEW_POSITIONS: usize = 5;

/// Works the proof of a tune out from its takes and those of the car as it came, and keeps it in the visit.
///
/// Only positions that were taken both before and after count, so that like is compared with like. A side without an
/// after is kept as it is so far.
///
/// # Errors
/// No target, no take of the car as it came, a recording that cannot be read.
pub fn prove(
    folder: &VisitFolder,
    clock: &mut WorkClock,
    tune: u32,
    watch: &Watch,
) -> Result<Judged<Proof>, JobError> {
    let target = folder
        .record()
        .target
        .clone()
        .ok_or_else(|| JobError::not_yet("this visit has no target curve", "choose one in Intake"))?;
    let saved = folder.tune(tune)?;
    let Judged { result: cabin, mut remarks, .. } = cabin::curves(folder, watch)?;
    let takes = folder.takes()?.found;
    let mut one = |name: &str, side: Side, scope: &Scope| -> Result<Option<Told>, JobError> {
        let subject = side_name(side);
        let before = position_curves(folder, &takes, subject, None, watch)?;
        let after = position_curves(folder, &takes, subject, Some(tune), watch)?;
        if before.is_empty() {
            return Ok(None);
        }
        let (before, after) = in_common(before, after);
        let predicted = predict(&cabin, &saved.tune, scope);
        if let Err(error) = &predicted {
            remarks.push(format!("{name}: no prediction ({error})."));
        }
        let predicted = predicted.ok().map(|it| it.positions);
        let curves = Curves { before, after, predicted };
        prove_side(name, &curves, &target, heard_band(&cabin, scope), &saved.tune.left_alone).map(Some)
    };
    let (mut sides, mut told) = (Vec::new(), Vec::new());
    for (side, name) in SIDES {
        if let Some((proof, words)) = one(name, side, &Scope::Side(side))? {
            sides.push(proof);
            told.push(words);
        }
    }
    let whole = one(WHOLE, Side::Both, &Scope::Whole)?.map(|it| it.0);
    if sides.is_empty() {
        return Err(JobError::not_yet(
            "there is no take of the car as it came",
            "take both sides before the tune",
        ));
    }
    let simulated = cabin.simulated || takes.iter().any(|take| take.simulated);
    let mut proof = Proof {
        made_at: clock.now(),
        tune,
        target,
        sentences: sentences(&sides, &told),
        sides,
        whole,
        verdict: Verdict::Good,
        remarks,
        conditions: folder.record().conditions.clone(),
        simulated,
    };
    judge(&mut proof);
    folder.save_proof(&proof)?;
    Ok(Judged { verdict: proof.verdict, remarks: proof.remarks.clone(), result: proof })
}

/// What the proof of both sides playing is called.
const WHOLE: &str = "whole";

/// The proof of one side, and how each region of it changed.
type Told = (ProofSide, Vec<super::changes::Change>);

/// The curves of the positions that were taken both before and after; all of before while there is no after.
fn in_common(mut before: Vec<(String, Curve)>, mut after: Vec<(String, Curve)>) -> (Vec<Curve>, Vec<Curve>) {
    if !after.is_empty() {
        before.retain(|(position, _)| after.iter().any(|(other, _)| other == position));
        after.retain(|(position, _)| before.iter().any(|(other, _)| other == position));
    }
    (bare(before), bare(after))
}

/// One side at the same positions: as it came, as it is, as it was expected.
struct Curves {
    before: Vec<Curve>,
    after: Vec<Curve>,
    predicted: Option<Vec<Curve>>,
}

fn prove_side(
    name: &str,
    curves: &Curves,
    target: &Target,
    band_hz: (f64, f64),
    left_alone: &[dsp::tune::LeftAlone],
) -> Result<Told, JobError> {
    let error = |positions: &[Curve]| target_error(positions, average_of, target, band_hz.0, band_hz.1);
    let no_curve = || JobError::Analysis(format!("the {name} side has no curve between the positions"));
    let before = error(&curves.before).ok_or_else(no_curve)?;
    let before_curve = average_of(&curves.before).ok_or_else(no_curve)?;
    let after = error(&curves.after).zip(average_of(&curves.after));
    let predicted = curves.predicted.as_ref().and_then(|it| error(it).zip(average_of(it)));
    let gain = gained(&curves.before, &curves.after, average_of, target, band_hz.0, band_hz.1);
    let mut remarks = Vec::new();
    let few = curves.before.len();
    if few < FEW_POSITIONS {
        remarks.push(format!("Only {few} positions were measured; nine make the figures surer."));
    }
    let told = after.as_ref().map_or_else(Vec::new, |(error, curve)| {
        changes(
            Fitted { curve: &before_curve, target_level_db: before.target_level_db },
            Fitted { curve, target_level_db: error.target_level_db },
            target,
            band_hz.0,
            band_hz.1,
        )
    });
    let side = ProofSide {
        name: name.to_owned(),
        band_hz,
        before: relative(before_curve, before.target_level_db),
        predicted: predicted.as_ref().map(|(error, curve)| relative(curve.clone(), error.target_level_db)),
        after: after.as_ref().map(|(error, curve)| relative(curve.clone(), error.target_level_db)),
        errors: ProofErrors {
            before: distance(&before),
            predicted: predicted.as_ref().map(|it| distance(&it.0)),
            after: after.as_ref().map(|it| distance(&it.0)),
            gained: gain
                .and_then(|(rms_error_db, half)| Some(Distance { rms_error_db, half_width_db: half? })),
        },
        positions: u32::try_from(few).unwrap_or(u32::MAX),
        left_alone: left_alone.to_vec(),
        remarks,
    };
    Ok((side, told))
}

/// A measured after this much further from the target than predicted needs an explanation.
const SURPRISE_DB: f64 = 0.5;

fn judge(proof: &mut Proof) {
    for side in proof.sides.iter().chain(&proof.whole) {
        let name = called(&side.name);
        let Some(after) = side.errors.after else {
            proof.verdict = proof.verdict.max(Verdict::Usable);
            proof.remarks.push(format!("{name} still to be measured with the tune."));
            continue;
        };
        match side.errors.change() {
            garage::proof::Change::Better => {}
            garage::proof::Change::Worse => {
                proof.verdict = Verdict::Retake;
                proof.remarks.push(format!("{name} further from the target than before; do not hand over."));
            }
            _ => {
                proof.verdict = proof.verdict.max(Verdict::Usable);
                proof.remarks.push(format!("{name} not distinguishable from before."));
            }
        }
        if let Some(predicted) = side.errors.predicted {
            let gap = after.rms_error_db - predicted.rms_error_db;
            if gap > SURPRISE_DB + after.half_width_db {
                proof.verdict = proof.verdict.max(Verdict::Usable);
                proof.remarks.push(format!(
                    "{name} {gap:.1} dB further from the target than predicted; check that every number was typed in."
                ));
            }
        }
    }
}

/// The side as the beginning of a sentence.
fn called(name: &str) -> String {
    if name == WHOLE { "Both sides together are".into() } else { format!("The {name} side is") }
}

/// One position alone says nothing about its own spread: the widest that single positions lie from the average of a
/// head volume (95 %, 200 to 500 Hz, in our simulated cabins).
const ALONE_DB: f64 = 7.0;

fn distance(error: &TargetError) -> Distance {
    Distance { rms_error_db: error.value, half_width_db: error.half_width_95.unwrap_or(ALONE_DB) }
}

fn relative(mut curve: Curve, level_db: f64) -> Curve {
    curve.level_db.iter_mut().for_each(|level| *level -= level_db);
    curve
}

fn bare(curves: Vec<(String, Curve)>) -> Vec<Curve> {
    curves.into_iter().map(|it| it.1).collect()
}

fn position_curves(
    folder: &VisitFolder,
    takes: &[TakeRecord],
    subject: &str,
    tune: Option<u32>,
    watch: &Watch,
) -> Result<Vec<(String, Curve)>, JobError> {
    let mut curves = Vec::new();
    for position in &folder.record().positions {
        if watch.stopping() {
            return Err(JobError::Stopped);
        }
        let newest = takes.iter().rfind(|take| {
            take.kind == TakeKind::Proof
                && take.is_current()
                && take.verdict != Verdict::Retake
                && take.tune == tune
                && take.subject.as_deref() == Some(subject)
                && take.position.as_deref() == Some(&position.name)
        });
        if let Some(take) = newest {
            curves.push((position.name.clone(), analysis::of_take(folder, take)?.curve));
        }
    }
    Ok(curves)
}
