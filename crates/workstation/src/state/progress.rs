//! How far each stage is.

use garage::take::TakeKind;

use super::State;
use super::sheet::intake_lines;
use crate::stages::Stage;
use crate::widgets::Mark;

/// How far a stage is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Progress {
    /// Nothing done yet.
    #[default]
    Open,
    /// Something done.
    Begun,
    /// All done.
    Done,
}

impl Progress {
    /// `open`, `begun`, `done`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Begun => "begun",
            Self::Done => "done",
        }
    }
}

/// How far `stage` is, from the records.
pub fn progress(state: &State, stage: Stage) -> Progress {
    let Some(open) = &state.open else { return Progress::Open };
    let of = |begun: bool, done: bool| match (begun, done) {
        (_, true) => Progress::Done,
        (true, false) => Progress::Begun,
        (false, false) => Progress::Open,
    };
    let has = |kind: TakeKind| open.current_takes().any(|take| take.kind == kind);
    match stage {
        Stage::Intake => {
            let lines = intake_lines(&state.draft.sheet, Some(&open.visit));
            of(true, !lines.iter().any(|line| matches!(line.mark, Mark::Open | Mark::Again)))
        }
        Stage::Source => of(has(TakeKind::Source), open.finding.is_some()),
        Stage::Cabin => {
            let planned = super::seat_plan::plan_for(state, Stage::Cabin);
            of(
                has(TakeKind::Cabin),
                !planned.is_empty() && planned.iter().all(|p| p.missing.is_empty() && p.held_back.is_empty()),
            )
        }
        Stage::Voicing => of(state.draft.tune.is_some(), open.latest_tune().is_some()),
        Stage::Handover => {
            let after = open.current_takes().any(|t| t.kind == TakeKind::Proof && t.tune.is_some());
            of(after, open.proof.is_some() && state.handover.written.is_some())
        }
    }
}
