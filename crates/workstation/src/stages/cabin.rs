//! Cabin: what reaches the seat from each speaker?

use std::sync::Arc;

use eframe::egui::{Checkbox, Ui, vec2};

use super::seat_plan;
use crate::board::{Board, Ink, Trace};
use crate::commands::{CabinCommand, Command};
use crate::state::seat_plan::{next_position, subjects, verdict_of};
use crate::state::{State, Subject};
use crate::theme::{CARD_GAP, GRID, Size, plain, tokens};
use crate::widgets::{Mark, action, card, caution, chip, hint, remark, verdict_words};

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(GRID * 2.0, GRID);
        let show = |name| Command::Cabin(CabinCommand::Show(name));
        chip(ui, "All channels", None, state.cabin.shown.is_none(), show(None), out);
        for channel in &state.draft.sheet.channels.channels {
            let chosen = state.cabin.shown.as_ref() == Some(&channel.name);
            let progress = channel_progress(state, &channel.name);
            chip(ui, &channel.name, Some(progress), chosen, show(Some(channel.name.clone())), out);
        }
    });
    super::show_board(ui, state, ui.available_size(), out);
}

fn channel_progress(state: &State, name: &str) -> (Mark, &'static str) {
    let Some(open) = &state.open else { return (Mark::Open, "open") };
    let subject = Subject::Channel(name.to_owned());
    let positions = &open.visit.positions;
    let done = positions.iter().filter(|p| verdict_of(state, open, &subject, &p.name).is_some()).count();
    match done {
        0 => (Mark::Open, "open"),
        n if n == positions.len() => (Mark::Done, "done"),
        _ => (Mark::Begun, "begun"),
    }
}

/// The average of every channel, or one channel with its positions and the latest take.
pub fn board(state: &State) -> Board {
    let page = &state.cabin;
    let trace = |name: &str, ink, curve: &Arc<_>| Trace {
        name: name.into(),
        ink,
        curve: Arc::clone(curve),
        shift_db: 0.0,
    };
    let mut traces = Vec::new();
    match &page.shown {
        None => {
            for (index, channel) in page.channels.iter().enumerate() {
                let busy =
                    page.latest.as_ref().is_some_and(|l| l.subject == Subject::Channel(channel.name.clone()));
                let ink = if busy { Ink::Chosen } else { Ink::Beside(index as u8) };
                traces.push(trace(&channel.name, ink, &channel.average));
            }
        }
        Some(name) => {
            if let Some(channel) = page.channels.iter().find(|c| c.name == *name) {
                for (index, at) in channel.positions.iter().enumerate() {
                    traces.push(trace(&at.position, Ink::Beside(index as u8), &at.curve));
                }
                traces.push(trace("average", Ink::Chosen, &channel.average));
            }
        }
    }
    if let Some(latest) = &page.latest
        && let Some(curve) = &latest.curve
        && page.shown.as_ref().is_none_or(|name| latest.subject == Subject::Channel(name.clone()))
    {
        let name = match (&latest.subject, &page.shown) {
            (Subject::Channel(_), Some(_)) => format!("{} now", latest.position),
            (subject, _) => format!("{}, {}", subject.name(), latest.position),
        };
        traces.push(trace(&name, Ink::After, curve));
    }
    Board {
        traces,
        unit: "dB",
        simulated: state.is_simulated(),
        empty: "Each take arrives here as a curve. Space takes the next position.".into(),
        ..Board::default()
    }
}

pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    latest(ui, state, out);
    card(ui, "Driver's seat, from above", |ui| {
        seat_plan::show(ui, state, out);
        if let Some(at) = next_position(state) {
            hint(ui, &format!("Next: {}, {}. Inner circles are the low positions.", at.position, at.words));
        }
        hint(
            ui,
            "A rising cue says go, a falling one move on, a low double one again. Space takes, Backspace retakes.",
        );
    });
    taking(ui, state, out);
    for words in &state.cabin.remarks {
        remark(ui, Mark::Doubt, words);
    }
    exposure(ui, state);
}

/// The latest take: its verdict and advice, and the way to make it again.
pub fn latest(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(latest) = &state.cabin.latest else { return };
    let (shape, word) = verdict_words(latest.verdict);
    card(ui, &format!("{} at {}", latest.subject.name(), latest.position), |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        remark(ui, shape, word);
        for words in &latest.remarks {
            hint(ui, words);
        }
        action(ui, Command::Cabin(CabinCommand::Retake), !state.is_busy(), out);
    });
}

/// Which subjects the next takes are of.
pub fn taking(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Taken at each position", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        for subject in subjects(state) {
            let mut taken = !state.cabin.skipped.contains(&subject);
            let words = plain(subject.name(), Size::Body, tokens(ui).ink);
            if ui.add(Checkbox::new(&mut taken, words)).changed() {
                out.push(Command::Cabin(CabinCommand::Skip(subject.clone(), !taken)));
            }
        }
        crossovers_in(ui, state, out);
    });
}

/// At a real car whole sides wait until the tuner says that their speakers are protected.
fn crossovers_in(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    if state.is_simulated() || !subjects(state).iter().any(Subject::is_a_side) {
        return;
    }
    caution(
        ui,
        "a whole side plays its lowest notes to every output. Connect outputs 1 and 2 of the interface to the processor's inputs, never to an amplifier of a tweeter, and type the crossovers in before.",
    );
    let mut said = state.cabin.crossovers_in;
    let words = plain(CabinCommand::CrossoversIn(true).label(), Size::Body, tokens(ui).ink);
    if ui.add(Checkbox::new(&mut said, words)).changed() {
        out.push(Command::Cabin(CabinCommand::CrossoversIn(said)));
    }
}

/// Sound level at the seat and how long it is safe to sit there.
pub fn exposure(ui: &mut Ui, state: &State) {
    let Some(level) = state.cabin.level_dba else {
        caution(
            ui,
            "without a calibrated microphone no sound level is shown. Keep takes quiet enough to talk over, or stay outside.",
        );
        return;
    };
    caution(ui, &exposure_words(level));
    ui.add_space(CARD_GAP);
}

/// NIOSH, "Occupational Noise Exposure", 98-126 (1998): 85 dB(A) for 8 h, halved per 3 dB.
pub fn exposure_words(level_dba: f64) -> String {
    // What is said must not be louder than what is allowed, so levels are rounded up and times down.
    let said_dba = level_dba.ceil();
    if said_dba < dsp::exposure::LIMIT_DBA {
        return format!("{said_dba:.0} dB(A) at the seat; no limit of time below 85 dB(A).");
    }
    let hours = dsp::exposure::safe_hours(said_dba);
    if hours * 3600.0 < 1.0 {
        return format!("{said_dba:.0} dB(A) at the seat: stay outside during takes.");
    }
    let time = job::noise::duration_words(hours);
    format!(
        "{said_dba:.0} dB(A) at the seat: no more than {time} in a day here, or stay outside during takes."
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loud_takes_say_how_long() {
        assert!(exposure_words(80.0).contains("no limit"));
        // NIOSH 98-126, table 1-1: 94 dB(A) for 1 h, 88 dB(A) for 4 h.
        assert!(exposure_words(94.0).contains("1.0 h"), "{}", exposure_words(94.0));
        assert!(exposure_words(88.0).contains("4.0 h"), "{}", exposure_words(88.0));
        assert!(
            exposure_words(84.6).contains("85 dB(A) at the seat: no more than 8.0 h"),
            "{}",
            exposure_words(84.6)
        );
        // 7.5 minutes, and 28 seconds of the same table.
        assert!(exposure_words(103.0).contains("7 min"), "{}", exposure_words(103.0));
        assert!(exposure_words(115.0).contains("28 s"), "{}", exposure_words(115.0));
        assert!(exposure_words(141.0).contains("stay outside"));
    }
}
