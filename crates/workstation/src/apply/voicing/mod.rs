//! Edits of tune and target; proposals.

mod edits;
mod following;

use std::path::PathBuf;
use std::sync::Arc;

use dsp::tune::{Crossover, Tune};
use job::voicing::{has_taps, without_taps};

pub use self::following::{followed, let_go};

use self::edits::{change, safe, shape};
use self::following::follow;
use super::{predict, remember, save_sheet, sound, think};
use crate::commands::{TargetEdit, TuneEdit, VoicingCommand};
use crate::state::{Compared, Leaf, Notice, OLD_TAPS, Said, ScopeView, State};
use crate::work::{DiskOrder, Order, Sound, Think};

pub fn apply(command: VoicingCommand, state: &mut State) -> Vec<Order> {
    match command {
        VoicingCommand::Scope(scope) => {
            if let ScopeView::Channel(name) = &scope {
                state.voicing.channel = Some(name.clone());
            }
            state.voicing.scope = scope;
            predict::again(state);
        }
        VoicingCommand::Channel(name) => {
            // While one channel is shown, it is the one whose settings are listed.
            if matches!(state.voicing.scope, ScopeView::Channel(_)) {
                state.voicing.scope = ScopeView::Channel(name.clone());
                predict::again(state);
            }
            state.voicing.channel = Some(name);
        }
        VoicingCommand::SetUp => return set_up(state, false),
        VoicingCommand::SetUpAgain => return set_up(state, true),
        VoicingCommand::Align => return align(state),
        VoicingCommand::Join => return join(state),
        VoicingCommand::ReachSlopes => return reach_slopes(state),
        VoicingCommand::Propose => return propose(state),
        VoicingCommand::Taps(true) => return tap(state),
        VoicingCommand::Taps(false) => {
            remember(state, "taps".into());
            let_go(state);
            if let Some(without) = state.draft.tune.as_ref().map(without_taps) {
                state.draft.put(without);
            }
            state.voicing.said.retain(|it| it.subject != "taps");
            predict::again(state);
        }
        VoicingCommand::Edit(edit) => {
            remember(state, edit.field());
            let_go(state);
            let edit = safe(state, edit);
            if let Some(mut tune) = state.draft.tune.clone() {
                change(&mut tune, edit);
                state.draft.put(tune);
            }
            predict::again(state);
        }
        VoicingCommand::Turn(leaf) => turn(state, leaf),
        VoicingCommand::Compare(older, newer) => {
            state.voicing.compared = Compared { older, newer, found: None };
            compare(state);
        }
        VoicingCommand::OtherSeat(path) => state.voicing.seats.other = path,
        VoicingCommand::Weight(weight) => state.voicing.seats.weight = weight.clamp(0.0, 1.0),
        VoicingCommand::ShareSeats => return share_seats(state),
        VoicingCommand::Follow(follow) => {
            state.voicing.still = !follow;
            let_go(state);
        }
        VoicingCommand::Target(edit) => {
            let field = match edit {
                TargetEdit::Point(index, ..) => format!("target point {index}"),
                other => format!("{other:?}"),
            };
            remember(state, field);
            shape(state, edit);
            predict::again(state);
            let mut orders = save_sheet(state);
            orders.extend(follow(state));
            return orders;
        }
        VoicingCommand::Save => return save(state),
        VoicingCommand::Open(number) => open(state, number),
        VoicingCommand::Enter(number) => {
            return sound(state, Sound::EnterTune(number), format!("Entering tune {number}"), false);
        }
    }
    Vec::new()
}

/// A ring on the board was dragged: a point of the target, or a crossover of the channel that is shown.
pub fn handle(state: &mut State, index: usize, frequency_hz: f64, level_db: f64) -> Vec<Order> {
    let command = match state.voicing.leaf {
        Leaf::Crossovers => {
            let Some((name, crossover)) = crate::stages::crossover_at(state, index) else {
                return Vec::new();
            };
            VoicingCommand::Edit(TuneEdit::Crossover(name, index, Crossover { frequency_hz, ..crossover }))
        }
        _ => VoicingCommand::Target(TargetEdit::Point(index, frequency_hz, level_db)),
    };
    apply(command, state)
}

fn set_up(state: &mut State, keep: bool) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let sheet = Box::new(state.draft.sheet.clone());
    let tune = state.draft.tune.clone().map(Box::new);
    think(state, Think::SetUp { curves, sheet, tune, keep }, "Setting it up")
}

fn share_seats(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let sheet = Box::new(state.draft.sheet.clone());
    let seats = &state.voicing.seats;
    let (other, weight) = (PathBuf::from(seats.other.trim()), seats.weight);
    think(state, Think::Seats { curves, other, weight, sheet }, "Sharing the tune between two seats")
}

fn align(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let sheet = Box::new(state.draft.sheet.clone());
    let tune = state.draft.tune.clone().map(Box::new);
    think(state, Think::Align { curves, sheet, tune }, "Working out levels and delays")
}

fn join(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    think(state, Think::Join { curves, sheet, tune }, "Joining the bands")
}

fn reach_slopes(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    think(state, Think::ReachSlopes { curves, sheet, tune }, "Finding the filters")
}

fn propose(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    let scope = state.voicing.scope.clone();
    think(state, Think::Propose { curves, sheet, tune, scope }, "Working out a correction")
}

fn tap(state: &mut State) -> Vec<Order> {
    let Some(curves) = state.curves.clone() else { return no_takes(state) };
    let Some(tune) = state.draft.tune.clone().map(Box::new) else { return set_up(state, false) };
    let sheet = Box::new(state.draft.sheet.clone());
    think(state, Think::Taps { curves, sheet, tune }, "Working out the taps")
}

/// Turns to a leaf; the crossovers are looked at one channel at a time.
fn turn(state: &mut State, leaf: Leaf) {
    state.voicing.leaf = leaf;
    if leaf == Leaf::Tunes && state.voicing.compared.older.is_none() {
        let latest = state.open.as_ref().and_then(|open| open.latest_tune()).map(|t| t.record.number);
        state.voicing.compared.older = latest;
    }
    compare(state);
}

/// Holds the chosen tunes against each other.
pub fn compare(state: &mut State) {
    if state.voicing.leaf != Leaf::Tunes {
        return;
    }
    let kept = |number: Option<u32>| {
        let open = state.open.as_ref()?;
        open.tunes.iter().find(|t| Some(t.record.number) == number).map(|t| &t.tune)
    };
    let pair = &state.voicing.compared;
    let newer = if pair.newer.is_some() { kept(pair.newer) } else { state.draft.tune.as_ref() };
    let found = kept(pair.older).zip(newer).map(|(older, newer)| job::voicing::compare(older, newer));
    match found {
        Some(Err(fault)) => state.voicing.fault = Some(fault.to_string()),
        found => state.voicing.compared.found = found.and_then(Result::ok).map(Arc::new),
    }
}

fn no_takes(state: &mut State) -> Vec<Order> {
    state.notice = Some(Notice::failed("no takes yet: take the positions in Cabin first"));
    Vec::new()
}

fn save(state: &mut State) -> Vec<Order> {
    let (Some(open), Some(tune)) = (&state.open, &state.draft.tune) else { return Vec::new() };
    let mut tune = tune.clone();
    if let Err((channel, error)) = tune.refresh_biquads() {
        state.notice = Some(Notice::failed(format!("the tune cannot be kept: {channel}: {error}")));
        return Vec::new();
    }
    if let (Some((before, _)), Some((after, _))) = (state.voicing.error_before, state.voicing.error_predicted)
    {
        tune.predicted.rms_error_db_before = before;
        tune.predicted.rms_error_db_after = after;
    }
    tune.left_alone.clone_from(&state.voicing.left_alone);
    state.draft.tune = Some(tune.clone());
    let mut said = state.voicing.said.clone();
    if state.draft.taps_are_old {
        said.push(Said { subject: "taps".into(), words: OLD_TAPS.into() });
    }
    let order = DiskOrder::SaveTune {
        visit: open.folder.clone(),
        title: title(&tune, open.voiced().count() + 1),
        tune: Box::new(tune),
        said,
        based_on: open.latest_tune().map(|t| t.record.number),
    };
    vec![Order::Disk(order)]
}

fn title(tune: &Tune, number: usize) -> String {
    let filters: usize = tune.channels.iter().map(|c| c.sections.len()).sum();
    let taps = if has_taps(tune) { ", with taps" } else { "" };
    match filters {
        0 => format!("Levels and delays, step {number}"),
        n => format!("{n} filters on {} channels{taps}", tune.channels.len()),
    }
}

fn open(state: &mut State, number: u32) {
    let Some(saved) =
        state.open.as_ref().and_then(|open| open.tunes.iter().find(|t| t.record.number == number))
    else {
        return;
    };
    let tune = saved.tune.clone();
    remember(state, format!("open {number}"));
    let_go(state);
    state.editing = None;
    state.voicing.left_alone.clone_from(&tune.left_alone);
    (state.draft.tune, state.draft.taps_are_old) = (Some(tune), false);
    predict::again(state);
}
