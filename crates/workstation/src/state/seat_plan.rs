//! Which takes there are at which positions, and which comes next.

use dsp::verdict::Verdict;
use garage::Side;
use garage::take::{TakeKind, TakeRecord};

use super::{OpenVisit, State, Subject};
use crate::stages::Stage;

/// One position in the plan of the stage on the screen.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// P1 and so on.
    pub position: String,
    /// Where that is, in words.
    pub words: String,
    /// Forward, left, up, in metres.
    pub offset_m: [f64; 3],
    /// Subjects still to be taken here, as things are.
    pub missing: Vec<Subject>,
    /// Those that wait for the crossovers.
    pub held_back: Vec<Subject>,
    /// The worst verdict of the takes there are.
    pub worst: Option<Verdict>,
}

/// The plan of the stage on the screen; empty for stages without positions.
pub fn plan(state: &State) -> Vec<Planned> {
    plan_for(state, state.stage)
}

/// The plan of any stage.
pub fn plan_for(state: &State, stage: Stage) -> Vec<Planned> {
    let Some(open) = &state.open else { return Vec::new() };
    let subjects: Vec<Subject> =
        subjects_for(state, stage).into_iter().filter(|s| !state.cabin.skipped.contains(s)).collect();
    open.visit
        .positions
        .iter()
        .map(|at| {
            let verdicts: Vec<Option<Verdict>> =
                subjects.iter().map(|subject| verdict_of(state, open, subject, &at.name)).collect();
            let missing =
                subjects.iter().zip(&verdicts).filter(|(_, v)| v.is_none_or(|v| v == Verdict::Retake));
            let (held_back, missing) =
                missing.map(|(subject, _)| subject.clone()).partition(|subject| is_held_back(state, subject));
            Planned {
                position: at.name.clone(),
                words: at.words.clone(),
                offset_m: at.offset_m,
                missing,
                held_back,
                worst: verdicts.iter().flatten().max().copied(),
            }
        })
        .collect()
}

/// A whole side at a real car, while nobody says that its speakers are protected: it plays its lowest notes to every output.
pub fn is_held_back(state: &State, subject: &Subject) -> bool {
    subject.is_a_side() && !state.is_simulated() && !state.cabin.crossovers_in
}

/// Everything that the stage on the screen takes at each position.
pub fn subjects(state: &State) -> Vec<Subject> {
    subjects_for(state, state.stage)
}

fn subjects_for(state: &State, stage: Stage) -> Vec<Subject> {
    let sides = [Side::Left, Side::Right];
    match stage {
        Stage::Cabin => {
            let channels = state.draft.sheet.channels.channels.iter();
            let channels = channels.map(|c| Subject::Channel(c.name.clone()));
            channels.chain(sides.map(Subject::Before)).collect()
        }
        Stage::Handover => sides.map(Subject::After).to_vec(),
        _ => Vec::new(),
    }
}

/// The verdict of the current take of `subject` at `position`.
pub fn verdict_of(state: &State, open: &OpenVisit, subject: &Subject, position: &str) -> Option<Verdict> {
    let loaded = state.handover.tune.or_else(|| open.latest_tune().map(|t| t.record.number));
    open.current_takes()
        .filter(|take| take.position.as_deref() == Some(position) && is_of(take, subject, loaded))
        .map(|take| take.verdict)
        .last()
}

fn is_of(take: &TakeRecord, subject: &Subject, loaded: Option<u32>) -> bool {
    let name = take.subject.as_deref().unwrap_or_default();
    match subject {
        Subject::Channel(channel) => take.kind == TakeKind::Cabin && name == channel,
        Subject::Before(side) => {
            take.kind == TakeKind::Proof && take.tune.is_none() && name == super::cabin::side_word(*side)
        }
        Subject::After(side) => {
            take.kind == TakeKind::Proof
                && take.tune.is_some()
                && take.tune == loaded
                && name == super::cabin::side_word(*side)
        }
    }
}

/// Every subject of one position, done and open, with its verdict.
pub fn at_position(state: &State, position: &str) -> Vec<(Subject, Option<Verdict>)> {
    let Some(open) = &state.open else { return Vec::new() };
    subjects(state).into_iter().map(|s| (s.clone(), verdict_of(state, open, &s, position))).collect()
}

/// The position to take next: the one aimed at, or the first with something missing.
pub fn next_position(state: &State) -> Option<Planned> {
    let planned = plan(state);
    let aimed = state.cabin.aimed.as_ref();
    aimed
        .and_then(|name| planned.iter().find(|p| p.position == *name))
        .or_else(|| planned.iter().find(|p| !p.missing.is_empty()))
        .cloned()
}
