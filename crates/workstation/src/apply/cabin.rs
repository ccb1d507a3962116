//! Takes at the seat: one press takes everything that is missing at a position.

use dsp::verdict::Verdict;
use job::handover::Crossovers;

use super::{sound, think};
use crate::commands::CabinCommand;
use crate::state::seat_plan::{at_position, is_held_back, next_position};
use crate::state::{Notice, State, Subject, Taken};
use crate::work::{Order, Sound, Think};

pub fn apply(command: CabinCommand, state: &mut State) -> Vec<Order> {
    match command {
        CabinCommand::Take => take(state),
        CabinCommand::Retake => retake(state),
        CabinCommand::Aim(position) => {
            state.cabin.aimed = Some(position);
            Vec::new()
        }
        CabinCommand::Show(name) => {
            state.cabin.shown = name;
            Vec::new()
        }
        CabinCommand::Skip(subject, skipped) => {
            state.cabin.skipped.retain(|s| *s != subject);
            if skipped {
                state.cabin.skipped.push(subject);
            }
            Vec::new()
        }
        CabinCommand::CrossoversIn(said) => {
            state.cabin.crossovers_in = said;
            Vec::new()
        }
        CabinCommand::Refresh => think(state, Think::Curves, "Making the curves"),
    }
}

/// Why a whole side is not taken yet.
const HELD_BACK: &str =
    "a whole side plays its lowest notes to every output: say first that the crossovers are in the processor";

fn take(state: &mut State) -> Vec<Order> {
    if state.is_busy() {
        return Vec::new();
    }
    let Some(at) = next_position(state) else {
        state.notice = Some(Notice::done("every position is taken"));
        return Vec::new();
    };
    let mut subjects = at.missing.clone();
    // A position that was chosen by hand is taken again as a whole.
    if subjects.is_empty() {
        let skipped = state.cabin.skipped.clone();
        subjects = at_position(state, &at.position)
            .into_iter()
            .map(|(s, _)| s)
            .filter(|s| !skipped.contains(s))
            .collect();
    }
    subjects.retain(|subject| !is_held_back(state, subject));
    if subjects.is_empty() {
        state.notice = Some(Notice::failed(HELD_BACK));
        return Vec::new();
    }
    state.cabin.queue = subjects.into_iter().map(|subject| (subject, at.position.clone())).collect();
    next_in_queue(state, true)
}

fn retake(state: &mut State) -> Vec<Order> {
    let Some(latest) = state.cabin.latest.clone().filter(|_| !state.is_busy()) else { return Vec::new() };
    if is_held_back(state, &latest.subject) {
        state.notice = Some(Notice::failed(HELD_BACK));
        return Vec::new();
    }
    state.cabin.queue.push_front((latest.subject, latest.position));
    next_in_queue(state, true)
}

/// Orders the take at the head of the queue.
fn next_in_queue(state: &mut State, first_here: bool) -> Vec<Order> {
    let Some((subject, position)) = state.cabin.queue.pop_front() else { return Vec::new() };
    let latest_tune = state.open.as_ref().and_then(|open| open.latest_tune()).map(|t| t.record.number);
    let tune = match subject {
        Subject::After(_) => state.handover.tune.or(latest_tune),
        Subject::Channel(_) | Subject::Before(_) => None,
    };
    let crossovers = if state.cabin.crossovers_in { Crossovers::TypedIn } else { Crossovers::NotSaid };
    let words = format!("Taking {} at {position}", subject.name());
    let last_here = state.cabin.queue.is_empty();
    sound(state, Sound::Take { subject, position, tune, crossovers, first_here, last_here }, words, true)
}

/// Files a take; a bad one holds up the queue, so that it can be made again at once.
pub fn taken(state: &mut State, taken: Taken) -> Vec<Order> {
    if taken.verdict == Verdict::Retake {
        state.cabin.queue.clear();
    }
    state.cabin.latest = Some(taken);
    if state.cabin.queue.is_empty() {
        state.cabin.aimed = None;
        return think(state, Think::Curves, "Making the curves");
    }
    next_in_queue(state, false)
}

#[cfg(test)]
mod tests {
    use garage::Side;

    use super::*;

    #[test]
    fn at_a_real_car_a_side_waits_for_its_crossovers() {
        let mut state = State::default();
        let (side, channel) = (Subject::After(Side::Left), Subject::Channel("tweeter".into()));
        assert!(!state.is_simulated() && is_held_back(&state, &side) && !is_held_back(&state, &channel));
        apply(CabinCommand::CrossoversIn(true), &mut state);
        assert!(!is_held_back(&state, &side));
    }
}
