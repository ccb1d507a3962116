//! Source: what did the factory do to the signal, and how is it undone?

use std::sync::Arc;

use eframe::egui::{
    Align2, Label, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use garage::finding::Finding;

use crate::board::{Board, Ink, Strip, Trace, signed};
use crate::commands::{Command, SourceCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, Size, plain, tokens};
use crate::widgets::{action, card, caution, chip, hint, pair, remark, verdict_words};

const ROWS: f32 = 216.0;

fn finding(state: &State) -> Option<&Arc<Finding>> {
    state.open.as_ref()?.finding.as_ref()
}

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let joining = finding(state).is_some_and(|f| !f.combine.is_empty());
    let drawing = if joining { 132.0 } else { 0.0 };
    let room = vec2(ui.available_width(), ui.available_height() - drawing);
    ui.allocate_ui(room, |ui| {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = CARD_GAP;
            if finding(state).is_some_and(|f| !f.outputs.is_empty()) {
                ui.allocate_ui(vec2(ROWS, room.y), |ui| {
                    ui.vertical(|ui| outputs(ui, state, out));
                });
            }
            super::show_board(ui, state, ui.available_size(), out);
        });
    });
    if let Some(finding) = finding(state).filter(|_| joining) {
        join(ui, finding, drawing);
    }
}

/// Outputs as rows: name, a sentence.
fn outputs(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(finding) = finding(state) else { return };
    let t = tokens(ui);
    ui.spacing_mut().item_spacing.y = GRID;
    chip(
        ui,
        "All outputs",
        None,
        state.source.shown.is_none(),
        Command::Source(SourceCommand::Show(None)),
        out,
    );
    for output in &finding.outputs {
        let chosen = state.source.shown.as_ref() == Some(&output.name);
        chip(
            ui,
            &output.name,
            None,
            chosen,
            Command::Source(SourceCommand::Show(Some(output.name.clone()))),
            out,
        );
        ui.add(Label::new(plain(&output.sentence, Size::Small, t.quiet)).wrap());
        ui.add_space(GRID);
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
                for (name, ink, curve) in
                    [("factory", Ink::Before, &finding.before), ("undone", Ink::Predicted, &finding.undone)]
                {
                    if let Some(curve) = curve {
                        let curve = Arc::new(curve.clone());
                        traces.push(Trace { name: name.into(), ink, curve, shift_db: 0.0 });
                    }
                }
            }
        }
    }
    let strip = state.open.as_ref().and_then(|open| open.undo.clone()).map(|curve| Strip {
        name: "undoing".into(),
        curve,
        reach_db: 12.0,
    });
    Board {
        traces,
        strip,
        unit: "dB",
        simulated: state.is_simulated(),
        empty: "The factory's signal at line level arrives here once it is taken.".into(),
        ..Board::default()
    }
}

/// Outputs into a sum, each with gain, polarity, delay.
fn join(ui: &mut Ui, finding: &Finding, height: f32) {
    let t = tokens(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let words = |c: &garage::finding::Combine| {
        let polarity = if c.invert { ", inverted" } else { "" };
        format!("{} dB{polarity}, {} ms", signed(c.gain_db, 1), signed(c.delay_ms, 2))
    };
    let spoken: Vec<String> = finding.combine.iter().map(|c| format!("{}: {}", c.name, words(c))).collect();
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("Joined: {}", spoken.join("; "))));
    let count = finding.combine.len() as f32;
    let sum = pos2(rect.right() - 60.0, rect.center().y);
    let hair = Stroke::new(1.0, t.quiet);
    for (index, combine) in finding.combine.iter().enumerate() {
        let y = rect.top() + rect.height() * (index as f32 + 0.5) / count;
        let start = pos2(rect.left() + 150.0, y);
        ui.painter().text(
            pos2(start.x - 8.0, y),
            Align2::RIGHT_CENTER,
            &combine.name,
            Size::Small.bold(),
            t.ink,
        );
        let turn = pos2(sum.x - 70.0, y);
        ui.painter().line_segment([start, turn], hair);
        ui.painter().line_segment([turn, sum], hair);
        let galley = ui.painter().layout_no_wrap(words(combine), Size::Small.regular(), t.ink);
        let plate = Align2::CENTER_CENTER
            .anchor_size(pos2((start.x + turn.x) / 2.0, y), galley.size() + vec2(12.0, 4.0));
        ui.painter().rect(plate, 4, t.card, Stroke::new(1.0, t.line), StrokeKind::Inside);
        ui.painter().galley(plate.min + vec2(6.0, 2.0), galley, t.ink);
    }
    ui.painter().circle(sum, 16.0, t.card, Stroke::new(1.5, t.ink));
    for arm in [vec2(7.0, 0.0), vec2(0.0, 7.0)] {
        ui.painter().line_segment([sum - arm, sum + arm], Stroke::new(1.5, t.ink));
    }
    let end = Rect::from_min_size(sum, vec2(60.0, 0.0));
    ui.painter().line_segment([pos2(sum.x + 16.0, sum.y), end.right_top()], Stroke::new(1.5, t.ink));
}

pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    if let Some(finding) = finding(state) {
        card(ui, "Findings", |ui| {
            ui.spacing_mut().item_spacing.y = GRID;
            if let Some(flat) = &finding.flatness {
                pair(ui, "Bent by the factory", &format!("{:.1}", flat.rms_db_before), "dB rms");
                pair(ui, "Left after undoing", &format!("{:.1}", flat.rms_db_after), "dB rms");
                let range = format!(
                    "{} to {}",
                    crate::board::frequency_words(flat.from_hz),
                    crate::board::frequency_words(flat.to_hz)
                );
                hint(ui, &range);
            }
            let (shape, word) = verdict_words(finding.verdict);
            remark(ui, shape, word);
            for words in &finding.remarks {
                hint(ui, words);
            }
        });
    }
    card(ui, "Factory signal", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let ready = state.draft.sheet.rig.is_some() && !state.is_busy();
        action(ui, Command::Source(SourceCommand::Take), ready, out);
        action(ui, Command::Source(SourceCommand::WorkOut), ready, out);
        action(
            ui,
            Command::Source(SourceCommand::Enter),
            ready && state.open.as_ref().is_some_and(|open| open.undo.is_some()),
            out,
        );
        caution(
            ui,
            "speaker-level outputs are bridge-tied: ground neither side, and use an isolating, attenuating probe.",
        );
        caution(
            ui,
            "wiring, fuses, batteries, airbags and trim: follow the vehicle maker's instructions and local codes, and leave them to a qualified technician.",
        );
    });
}
