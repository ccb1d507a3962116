//! Source: what did the factory do to the signal, and how is it undone?

mod clean;
mod level;
mod outputs;
mod plan;
mod probing;
mod recordings;
mod stick;
mod undoing;
mod volume;

use std::sync::Arc;

use eframe::egui::{Ui, vec2};
use garage::finding::Finding;

use crate::board::{Board, Ink, Strip, Trace, frequency_words};
use crate::commands::{Command, SourceCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID};
use crate::widgets::{action, card, caution, chip, hint, pair, remark, verdict_words};

pub use recordings::{ready as recordings_ready, wanted as recordings_wanted};

const ROWS: f32 = 232.0;
const PROBES: &str =
    "speaker-level outputs are bridge-tied: ground neither side, and use an isolating, attenuating probe.";
const TECHNICIAN: &str = "wiring, fuses, batteries, airbags and trim: follow the vehicle maker's instructions and local codes, and leave them to a qualified technician.";

fn finding(state: &State) -> Option<&Arc<Finding>> {
    state.open.as_ref()?.finding.as_ref()
}

/// True where the outputs stand in place of the curves.
fn shows_outputs(state: &State) -> bool {
    state.source.shows_outputs || (finding(state).is_none() && recordings::wanted(state))
}

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    if shows_outputs(state) {
        return probing::show(ui, state, out);
    }
    let drawing = plan::height(state);
    let room = vec2(ui.available_width(), ui.available_height() - drawing - 2.0 * GRID);
    ui.allocate_ui(room, |ui| {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = CARD_GAP;
            if finding(state).is_some_and(|f| !f.outputs.is_empty()) {
                ui.allocate_ui(vec2(ROWS, room.y), |ui| {
                    ui.vertical(|ui| outputs::show(ui, state, out));
                });
            }
            super::show_board(ui, state, ui.available_size(), out);
        });
    });
    if drawing > 0.0 {
        plan::show(ui, state, out);
    }
}

/// Before dashed, as undone dotted; the undoing in the strip.
pub fn board(state: &State) -> Board {
    let mut traces = Vec::new();
    if let Some(finding) = finding(state) {
        match &state.source.shown {
            Some(name) => {
                let output = finding.outputs.iter().find(|o| o.name == *name);
                if let Some(curve) = output.and_then(|o| o.curve.clone()) {
                    traces.push(Trace {
                        name: name.clone(),
                        ink: Ink::Before,
                        curve: Arc::new(curve),
                        shift_db: 0.0,
                    });
                }
            }
            None => {
                let Some(sum) = state.signal() else { return Board::default() };
                for (name, ink, curve) in [
                    ("factory", Ink::Before, Some(&sum.before)),
                    ("expected", Ink::Predicted, sum.predicted.as_ref()),
                    ("undone", Ink::After, sum.measured.as_ref()),
                ] {
                    if let Some(curve) = curve {
                        let curve = Arc::new(curve.clone());
                        traces.push(Trace { name: name.into(), ink, curve, shift_db: 0.0 });
                    }
                }
            }
        }
    }
    let page = &state.source;
    if let Some(sum) = page.sum.as_ref().filter(|_| page.shown.is_none()) {
        // The plan found has no place beside the one that a hand makes of it.
        traces.retain(|trace| trace.ink == Ink::Before);
        traces.push(Trace {
            name: "by hand".into(),
            ink: Ink::Chosen,
            curve: Arc::clone(sum),
            shift_db: 0.0,
        });
        traces.extend(page.reworked.iter().map(|made| Trace {
            name: "expected".into(),
            ink: Ink::Predicted,
            curve: Arc::clone(&made.expected),
            shift_db: 0.0,
        }));
    }
    let undo = state.open.as_ref().zip(state.signal()).and_then(|(open, signal)| {
        open.undo.iter().find(|(name, _)| *name == signal.name).or(open.undo.first()).map(|it| &it.1)
    });
    // The undoing of the plan by hand, as soon as there is one.
    let undo = page.reworked.as_ref().map(|made| &made.undo).or(undo);
    let strip = undo.map(|curve| Strip { name: "undoing".into(), curve: Arc::clone(curve), reach_db: 12.0 });
    Board {
        traces,
        strip,
        unit: "dB",
        simulated: state.is_simulated(),
        empty: "The factory's signal at line level arrives here once it is taken.".into(),
        ..Board::default()
    }
}

pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    if shows_outputs(state) {
        probing::side(ui, state, out);
        if recordings::wanted(state) {
            recordings::show(ui, state, out);
        }
        return caution(ui, TECHNICIAN);
    }
    if let Some(finding) = finding(state) {
        card(ui, "Findings", |ui| {
            ui.spacing_mut().item_spacing.y = GRID;
            signals(ui, state, finding, out);
            if let Some(flat) = state.signal().and_then(|sum| sum.flatness) {
                pair(ui, "Bent by the factory", &format!("{:.1}", flat.rms_db_before), "dB rms");
                pair(ui, "Expected with the undoing", &format!("{:.1}", flat.rms_db_after), "dB rms");
                if let Some(measured) = flat.rms_db_measured {
                    pair(ui, "Measured with it", &format!("{measured:.1}"), "dB rms");
                }
                let range = format!("{} to {}", frequency_words(flat.from_hz), frequency_words(flat.to_hz));
                hint(ui, &range);
            }
            let (shape, word) = verdict_words(finding.verdict);
            remark(ui, shape, word);
            for words in &finding.remarks {
                hint(ui, words);
            }
        });
    }
    undoing::ways(ui, state, out);
    if let Some(tones) = finding(state).map(|f| &f.clean_volume).filter(|tones| !tones.is_empty()) {
        card(ui, "Highest clean volume", |ui| {
            ui.spacing_mut().item_spacing.y = GRID;
            clean::show(ui, tones);
        });
    }
    if let Some(steps) = finding(state).map(|f| &f.loudness).filter(|steps| !steps.is_empty()) {
        card(ui, "Volume steps", |ui| {
            volume::show(ui, steps);
            hint(
                ui,
                "Against the loudest step, 0 dB at 1 kHz. Tune at one step, and leave the volume there.",
            );
        });
    }
    if recordings::wanted(state) {
        undoing::list(ui, state);
        recordings::show(ui, state, out);
        action(ui, Command::Source(SourceCommand::ShowOutputs(true)), true, out);
    } else {
        signal(ui, state, out);
    }
    caution(ui, PROBES);
    caution(ui, TECHNICIAN);
}

/// A chip for each joined signal, where there is more than one.
fn signals(ui: &mut Ui, state: &State, finding: &Finding, out: &mut Vec<Command>) {
    if finding.sums.len() < 2 {
        return;
    }
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = GRID;
        for sum in &finding.sums {
            let chosen = state.signal().is_some_and(|it| it.name == sum.name);
            let command = Command::Source(SourceCommand::Signal(sum.name.clone()));
            chip(ui, &sum.name, None, chosen, command, out);
        }
    });
}

/// The virtual car's own lines.
fn signal(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Factory signal", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let ready = state.draft.sheet.rig.is_some() && !state.is_busy();
        let undo = state.open.as_ref().is_some_and(|open| !open.undo.is_empty());
        action(ui, Command::Source(SourceCommand::Take), ready, out);
        action(ui, Command::Source(SourceCommand::TakeVolume), ready, out);
        action(ui, Command::Source(SourceCommand::WorkOut), ready, out);
        action(ui, Command::Source(SourceCommand::Enter), ready && undo, out);
        action(ui, Command::Source(SourceCommand::ShowOutputs(true)), true, out);
    });
}
