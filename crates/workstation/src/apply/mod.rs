//! The one place where commands are carried out and answers are heard. No clock, no disk, no screen: state in, orders out.

mod cabin;
mod garage;
mod handover;
mod hear;
mod intake;
mod predict;
mod source;
mod voicing;

pub use hear::hear;

use std::sync::Arc;

use audio::rig::Watch;

use crate::board::{BoardCommand, View};
use crate::commands::Command;
use crate::stages::{self, Stage};
use crate::state::{Notice, Overlay, Running, State, Tone};
use crate::work::{DiskOrder, Order, Sound, SoundOrder, Think, ThinkOrder};

/// Carries out one command; what takes time comes back as orders.
pub fn apply(command: Command, state: &mut State) -> Vec<Order> {
    match command {
        Command::Go(stage) => go(state, stage),
        Command::ShowKeys(shown) => state.overlay = if shown { Overlay::Keys } else { Overlay::None },
        Command::ShowCustomer(shown) => state.overlay = if shown { Overlay::Customer } else { Overlay::None },
        Command::Dismiss => state.notice = None,
        Command::StopSound => stop(state),
        Command::Board(command) => return board(command, state),
        Command::Undo => return walk(state, true),
        Command::Redo => return walk(state, false),
        Command::Garage(command) => return garage::apply(command, state),
        Command::Intake(command) => return intake::apply(command, state),
        Command::Source(command) => return source::apply(command, state),
        Command::Cabin(command) => return cabin::apply(command, state),
        Command::Voicing(command) => return voicing::apply(command, state),
        Command::Handover(command) => return handover::apply(command, state),
        // The window itself changes its theme.
        Command::ChangeTheme => {}
    }
    Vec::new()
}

fn go(state: &mut State, stage: Stage) {
    state.stage = stage;
    state.cabin.aimed = None;
    state.cabin.crossovers_in = false;
    if stage == Stage::Voicing {
        predict::again(state);
    }
}

/// Silence, and nothing more from the queue.
fn stop(state: &mut State) {
    state.cabin.queue.clear();
    if let Some(running) = &mut state.running {
        running.watch.stop();
        running.what = "Stopping".into();
    }
}

fn board(command: BoardCommand, state: &mut State) -> Vec<Order> {
    match command {
        BoardCommand::MoveHandle { index, frequency_hz, level_db } => {
            return voicing::handle(state, index, frequency_hz, level_db);
        }
        BoardCommand::DropHandle => {
            state.editing = None;
            return Vec::new();
        }
        BoardCommand::Look(_) | BoardCommand::SeeAll | BoardCommand::Read(_) => {}
    }
    let whole = View::whole(&stages::board_of(state));
    let view = state.views[state.stage.index()].get_or_insert(whole);
    match command {
        BoardCommand::Look(closer) => *view = closer,
        BoardCommand::SeeAll => *view = View { reading_hz: view.reading_hz, ..whole },
        BoardCommand::Read(hz) => view.reading_hz = hz,
        BoardCommand::MoveHandle { .. } | BoardCommand::DropHandle => {}
    }
    Vec::new()
}

/// Fixes the view of the stage on the screen once it has curves: from then on only the user moves it.
pub fn settle_view(state: &mut State) {
    let index = state.stage.index();
    if state.views[index].is_none() {
        let board = stages::board_of(state);
        if !board.traces.is_empty() {
            state.views[index] = Some(View::whole(&board));
        }
    }
}

/// Undo or redo: the draft goes back, and with it what is on disk.
fn walk(state: &mut State, back: bool) -> Vec<Order> {
    let now = state.draft.clone();
    let then = if back { state.history.undo(&now) } else { state.history.redo(&now) };
    let Some(then) = then else {
        state.notice = Some(Notice::doubt(if back { "nothing to undo" } else { "nothing to redo" }));
        return Vec::new();
    };
    let sheet_changed = then.sheet != now.sheet;
    state.draft = then;
    state.editing = None;
    voicing::let_go(state);
    predict::again(state);
    if sheet_changed { save_sheet(state) } else { Vec::new() }
}

/// Remembers the draft before an edit of `field`; a run of edits in one field is one step.
fn remember(state: &mut State, field: String) {
    if state.editing.as_ref() != Some(&field) {
        state.history.remember(state.draft.clone());
        state.editing = Some(field);
    }
}

/// Writes the job card, as it happens.
fn save_sheet(state: &State) -> Vec<Order> {
    let Some(open) = &state.open else { return Vec::new() };
    let sheet = Box::new(state.draft.sheet.clone());
    vec![Order::Disk(DiskOrder::SaveSheet { visit: open.folder.clone(), sheet })]
}

/// An order to the rig, unless something is under way already.
fn sound(state: &mut State, what: Sound, words: String, sounding: bool) -> Vec<Order> {
    let Some(visit) = free_visit(state) else { return Vec::new() };
    let watch = Arc::new(Watch::default());
    state.running = Some(Running { what: words, watch: Arc::clone(&watch), sounding });
    vec![Order::Sound(SoundOrder { visit, what, watch })]
}

/// An order to the analysis, unless something is under way already.
fn think(state: &mut State, what: Think, words: &str) -> Vec<Order> {
    let Some(visit) = free_visit(state) else { return Vec::new() };
    let watch = Arc::new(Watch::default());
    state.running = Some(Running { what: words.into(), watch: Arc::clone(&watch), sounding: false });
    vec![Order::Think(ThinkOrder { visit, what, watch })]
}

fn free_visit(state: &mut State) -> Option<std::path::PathBuf> {
    if let Some(running) = &state.running {
        state.notice = Some(Notice::doubt(format!("{} first; Esc stops it", running.what)));
        return None;
    }
    // What was done before is said no longer than until the next thing begins.
    if state.notice.as_ref().is_some_and(|notice| notice.tone == Tone::Done) {
        state.notice = None;
    }
    state.open.as_ref().map(|open| open.folder.clone())
}
