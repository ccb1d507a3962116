//! The factory's signal.

use std::path::PathBuf;
use std::sync::Arc;

use audio::rig::Watch;
use garage::finding::Combine;
use job::source::{Following, Line};

use super::{sound, think};
use crate::commands::SourceCommand;
use crate::state::{Asked, ByHand, Listening, Notice, State};
use crate::work::{DiskOrder, Order, Sound, Think, ThinkOrder};

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
            if let Some(listening) = &state.source.listening {
                listening.following.end();
            }
        }
        SourceCommand::ShowOutputs(shown) => state.source.shows_outputs = shown,
        SourceCommand::Enter => return sound(state, Sound::EnterUndo, "Entering the undoing".into(), false),
        SourceCommand::Show(name) => state.source.shown = name,
        SourceCommand::Plan(plan) => return change_plan(state, plan),
        SourceCommand::Signal(name) => {
            state.source.signal = Some(name);
            let_go(state);
        }
        SourceCommand::Undo(way) => {
            let is_other =
                state.open.as_ref().and_then(|it| it.finding.as_ref()).is_some_and(|it| it.way != way);
            if is_other {
                return think(state, Think::Undo(way), "Changing how the factory is undone");
            }
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
    let listening = Listening { line: line.clone(), following: Arc::clone(&following) };
    let what = Sound::Listen { line, probe, following };
    let orders = sound(state, what, words, true);
    if !orders.is_empty() {
        (state.source.listening, state.source.listened) = (Some(listening), None);
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

/// What a hand changed in the plan, and what was worked out for it, is kept or gone.
pub fn let_go(state: &mut State) {
    let page = &mut state.source;
    (page.plan, page.sum, page.reworked, page.reworking) = (None, None, None, None);
}

/// The sum's curve follows at once; the undoing as soon as it is worked out.
fn change_plan(state: &mut State, plan: Option<Vec<Combine>>) -> Vec<Order> {
    let finding = state.open.as_ref().and_then(|open| open.finding.as_ref());
    let sum = finding.zip(plan.as_ref()).and_then(|(finding, plan)| job::factory::sum(finding, plan));
    state.source.sum = sum.map(Arc::new);
    state.source.plan = plan;
    if state.source.plan.is_none() || state.source.sum.is_none() {
        (state.source.reworked, state.source.reworking) = (None, None);
        return Vec::new();
    }
    rework(state)
}

/// Asks for the undoing of the plan as it is now; while one is on its way only the latest is asked for after it.
fn rework(state: &mut State) -> Vec<Order> {
    let signal = state.signal().map(|sum| sum.name.clone());
    let page = &mut state.source;
    if let Some(under_way) = &mut page.reworking {
        under_way.moved_on = true;
        return Vec::new();
    }
    let (Some(open), Some(signal), Some(plan)) = (&state.open, signal, page.plan.clone()) else {
        return Vec::new();
    };
    let Some(finding) = open.finding.clone() else { return Vec::new() };
    page.asked += 1;
    page.reworking = Some(Asked { number: page.asked, moved_on: false });
    let saved = open.tunes.iter().find(|it| Some(it.record.number) == finding.tune);
    let what = Think::Rework {
        number: page.asked,
        undo: saved.map(|saved| Box::new(saved.tune.clone())),
        limits: state.draft.sheet.limits.clone().map(Box::new),
        finding,
        signal,
        plan,
    };
    vec![Order::Think(ThinkOrder { visit: open.folder.clone(), what, watch: Arc::new(Watch::default()) })]
}

/// Takes in an undoing that was worked out, and asks again where the plan has changed since.
pub fn reworked(state: &mut State, number: u64, made: Option<ByHand>) -> Vec<Order> {
    let Some(Asked { moved_on, .. }) = state.source.reworking.take_if(|it| it.number == number) else {
        return Vec::new();
    };
    state.source.reworked = made;
    if moved_on { rework(state) } else { Vec::new() }
}
