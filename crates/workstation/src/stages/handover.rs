//! Handover: is it better, by how much, how sure are we, what was done?

use std::sync::Arc;

use eframe::egui::{Label, Ui};
use garage::proof::{Change, Proof, ProofErrors, ProofSide};

use super::voicing::{corridor, left_alone_words};
use super::{cabin, entry_sheet, seat_plan};
use crate::board::{Board, Ink, Trace};
use crate::commands::{Command, HandoverCommand};
use crate::state::State;
use crate::theme::{GRID, Size, bold, plain, tokens};
use crate::widgets::{action, card, chip, hint, line, remark, verdict_words};
use crate::work::within;

/// The proof that is open.
pub fn proof(state: &State) -> Option<&Arc<Proof>> {
    state.open.as_ref()?.proof.as_ref()
}

/// The part of the proof that is shown.
pub fn shown<'a>(state: &State, proof: &'a Proof) -> Option<&'a ProofSide> {
    let wanted = state.handover.side.as_ref();
    let mut parts = proof.whole.iter().chain(&proof.sides);
    match wanted {
        Some(name) => parts.find(|side| side.name == *name),
        None => parts.next(),
    }
}

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    if state.handover.typing {
        return entry_sheet::show(ui, state, out);
    }
    if let Some(proof) = proof(state)
        && let Some(side) = shown(state, proof)
    {
        ui.horizontal_wrapped(|ui| {
            for part in proof.whole.iter().chain(&proof.sides) {
                let command = Command::Handover(HandoverCommand::Side(part.name.clone()));
                chip(ui, &part.name, None, part.name == side.name, command, out);
            }
            ui.add_space(GRID);
            ui.add(Label::new(bold(change_words(&side.errors), Size::Title, t.ink)).wrap());
        });
    }
    super::show_board(ui, state, ui.available_size(), out);
}

/// `from 6.1 to 1.9 dB off the target, ±0.4`, and nothing better than it is.
pub fn change_words(errors: &ProofErrors) -> String {
    let before = errors.before.rms_error_db;
    let Some(after) = errors.after else {
        return format!("{before:.1} dB off the target before; after not measured yet");
    };
    let half = errors.gain().map_or(after.half_width_db, |gain| gain.half_width_db);
    let figures = format!("from {before:.1} to {:.1} dB off the target, ±{half:.1}", after.rms_error_db);
    match errors.change() {
        Change::Better => figures,
        Change::Worse => format!("{figures}: worse"),
        Change::NotDistinguishable => format!("{figures}: not distinguishable"),
        Change::NotMeasured => format!("{figures}: not measured"),
    }
}

/// Before, after and predicted against the corridor; levels relative to the fitted target.
pub fn board(state: &State) -> Board {
    let empty = "Before and after stand here once both are taken.".to_owned();
    let Some(proof) = proof(state) else {
        return Board { empty, unit: "dB", simulated: state.is_simulated(), ..Board::default() };
    };
    let Some(side) = shown(state, proof) else { return Board { empty, unit: "dB", ..Board::default() } };
    let mut traces = Vec::new();
    let mut add = |name: &str, ink, curve: Option<&dsp::curve::Curve>| {
        if let Some(curve) = curve {
            let (from_hz, to_hz) = side.band_hz;
            let curve = Arc::new(within(curve, from_hz, to_hz));
            traces.push(Trace { name: name.into(), ink, curve, shift_db: 0.0 });
        }
    };
    add("before", Ink::Before, Some(&side.before));
    add("predicted", Ink::Predicted, side.predicted.as_ref());
    add("after", Ink::After, side.after.as_ref());
    Board {
        traces,
        target: Some(Arc::new(corridor(&proof.target))),
        tolerance_db: proof.target.tolerance_db,
        left_alone: side.left_alone.clone(),
        unit: "dB",
        simulated: proof.simulated,
        empty,
        ..Board::default()
    }
}

pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    entry_sheet::summary(ui, state, out);
    report(ui, state, out);
    if let Some(proof) = proof(state) {
        what_changed(ui, state, proof, out);
    }
    cabin::latest(ui, state, out);
    card(ui, "Proof takes, from above", |ui| {
        seat_plan::show(ui, state, out);
        action(ui, Command::Handover(HandoverCommand::Prove), !state.is_busy(), out);
    });
    cabin::taking(ui, state, out);
    cabin::exposure(ui, state);
}

fn what_changed(ui: &mut Ui, state: &State, proof: &Proof, out: &mut Vec<Command>) {
    card(ui, "What changed", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let (shape, word) = verdict_words(proof.verdict);
        remark(ui, shape, word);
        for sentence in &proof.sentences {
            ui.add(Label::new(plain(sentence, Size::Body, tokens(ui).ink)).wrap());
        }
        for words in &proof.remarks {
            hint(ui, words);
        }
        if let Some(side) = shown(state, proof) {
            for words in &side.remarks {
                hint(ui, words);
            }
            for region in &side.left_alone {
                hint(ui, &left_alone_words(region));
            }
        }
        action(ui, Command::ShowCustomer(true), true, out);
    });
}

fn report(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Report", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        let mut path = state.handover.report.clone();
        if line(ui, "Report file", &mut path, "in the visit's folder").changed() {
            out.push(Command::Handover(HandoverCommand::EditReport(path)));
        }
        ui.horizontal_wrapped(|ui| {
            let ready = proof(state).is_some() && !state.is_busy();
            action(ui, Command::Handover(HandoverCommand::WriteReport), ready, out);
            action(ui, Command::Handover(HandoverCommand::Browse), true, out)
                .accessible_name("Choose report file");
        });
        if let Some(written) = &state.handover.written {
            let here = state.open.as_ref().and_then(|open| written.strip_prefix(&open.folder).ok());
            let words = match here {
                Some(inside) => format!("written: {}, in the visit's folder", inside.display()),
                None => format!("written: {}", written.display()),
            };
            remark(ui, crate::widgets::Mark::Done, &words);
        }
    });
}
