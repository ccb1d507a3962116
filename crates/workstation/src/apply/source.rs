//! The factory's signal.

use std::sync::Arc;

use garage::finding::Combine;

use super::{sound, think};
use crate::commands::SourceCommand;
use crate::state::{Notice, State};
use crate::work::{Order, Sound, Think};

pub fn apply(command: SourceCommand, state: &mut State) -> Vec<Order> {
    match command {
        SourceCommand::Take => return sound(state, Sound::Source, "Taking the factory signal".into(), true),
        SourceCommand::TakeVolume => {
            return sound(state, Sound::VolumeSteps, "Taking the volume steps".into(), true);
        }
        SourceCommand::WorkOut => return think(state, Think::WorkOut, "Working out what the factory did"),
        SourceCommand::Name(recordings) => state.source.recordings = recordings,
        SourceCommand::WorkOutRecordings => return recordings(state),
        SourceCommand::Enter => return sound(state, Sound::EnterUndo, "Entering the undoing".into(), false),
        SourceCommand::Show(name) => state.source.shown = name,
        SourceCommand::Plan(plan) => change_plan(state, plan),
        SourceCommand::Signal(name) => {
            state.source.signal = Some(name);
            (state.source.plan, state.source.sum) = (None, None);
        }
        SourceCommand::KeepPlan => {
            let signal = state.signal().map(|sum| sum.name.clone());
            let (Some(signal), Some(plan)) = (signal, state.source.plan.clone()) else {
                return Vec::new();
            };
            return think(state, Think::KeepPlan { signal, plan }, "Working the undoing out again");
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
