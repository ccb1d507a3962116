//! The factory's signal.

use std::sync::Arc;

use garage::finding::Combine;

use super::{sound, think};
use crate::commands::SourceCommand;
use crate::state::{Notice, State};
use crate::work::{DiskOrder, Order, Sound, Think};

pub fn apply(command: SourceCommand, state: &mut State) -> Vec<Order> {
    match command {
        SourceCommand::Take => return sound(state, Sound::Source, "Taking the factory signal".into(), true),
        SourceCommand::WorkOut => return think(state, Think::WorkOut, "Working out what the factory did"),
        SourceCommand::Name(recordings) => state.source.recordings = recordings,
        SourceCommand::WorkOutRecordings => return recordings(state),
        SourceCommand::Enter => return sound(state, Sound::EnterUndo, "Entering the undoing".into(), false),
        SourceCommand::Show(name) => state.source.shown = name,
        SourceCommand::Plan(plan) => change_plan(state, plan),
        SourceCommand::KeepPlan => {
            let (Some(open), Some(plan)) = (&state.open, state.source.plan.clone()) else {
                return Vec::new();
            };
            return vec![Order::Disk(DiskOrder::KeepPlan { visit: open.folder.clone(), plan })];
        }
    }
    Vec::new()
}

fn recordings(state: &mut State) -> Vec<Order> {
    let Some(order) = state.source.recordings.order(state.draft.sheet.limits.as_ref()) else {
        let words = "name the stimulus and at least one output's recording first";
        state.notice = Some(Notice::failed(words));
        return Vec::new();
    };
    think(state, Think::Recordings(Box::new(order)), "Working the recordings out")
}

/// The sum's curve follows at once.
fn change_plan(state: &mut State, plan: Option<Vec<Combine>>) {
    let finding = state.open.as_ref().and_then(|open| open.finding.as_ref());
    let sum = finding.zip(plan.as_ref()).and_then(|(finding, plan)| job::factory::sum(finding, plan));
    state.source.sum = sum.map(Arc::new);
    state.source.plan = plan;
}
