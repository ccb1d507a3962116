//! The factory's signal.

use std::path::PathBuf;
use std::sync::Arc;

use garage::finding::Combine;
use job::source::{Following, Line};

use super::{sound, think};
use crate::commands::SourceCommand;
use crate::state::{Notice, State};
use crate::work::{DiskOrder, Order, Sound, Think};

pub fn apply(command: SourceCommand, state: &mut State) -> Vec<Order> {
    match command {
        SourceCommand::Take => return sound(state, Sound::Source, "Taking the factory signal".into(), true),
        SourceCommand::TakeVolume => {
            return sound(state, Sound::VolumeSteps, "Taking the volume steps".into(), true);
        }
        SourceCommand::WorkOut => return think(state, Think::WorkOut, "Working out what the factory did"),
        SourceCommand::Name(recordings) => state.source.recordings = recordings,
        SourceCommand::WorkOutRecordings => return recordings(state),
        SourceCommand::Probe(probing) => state.source.probing = probing,
        SourceCommand::SaveStick => return save_stick(state),
        SourceCommand::Listen(line) => return listen(state, line),
        SourceCommand::EndListening => {
            if let Some(following) = &state.source.following {
                following.end();
            }
        }
        SourceCommand::ShowOutputs(shown) => state.source.shows_outputs = shown,
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

fn save_stick(state: &mut State) -> Vec<Order> {
    let probing = &state.source.probing;
    let to = PathBuf::from(probing.folder.trim());
    if to.as_os_str().is_empty() {
        state.notice =
            Some(Notice::failed("name the folder for the files first: the stick, or one to burn from"));
        return Vec::new();
    }
    let format = probing.format;
    let Some(visit) = state.open.as_ref().map(|open| open.folder.clone()) else { return Vec::new() };
    vec![Order::Disk(DiskOrder::SaveStick { visit, to, format })]
}

fn listen(state: &mut State, line: Line) -> Vec<Order> {
    let following = Arc::new(Following::default());
    let probe = state.source.probing.probe();
    let words = format!("Recording {}", line.name());
    let what = Sound::Listen { line, probe, following: Arc::clone(&following) };
    let orders = sound(state, what, words, true);
    if !orders.is_empty() {
        (state.source.following, state.source.listened) = (Some(following), None);
    }
    orders
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
