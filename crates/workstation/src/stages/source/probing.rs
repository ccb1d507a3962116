//! The head unit's outputs, recorded one at a time while it plays: what there is, what is missing, and how it goes.

use eframe::egui::{
    Align, Align2, Button, Label, Layout, Pos2, Rect, RichText, ScrollArea, Sense, Stroke, StrokeKind,
    TextEdit, Ui, pos2, vec2,
};
use job::source::{Line, TONES_HZ};

use super::{finding, level};
use crate::board::frequency_words;
use crate::commands::{Command, SourceCommand};
use crate::state::{Probing, Recorded, State, recorded};
use crate::theme::{CARD_GAP, CORNER, GRID, LEAST_TARGET, Size, bold, plain, tokens};
use crate::widgets::{Mark, action, card, caution, figure, hint, mark, pick_small, verdict_words};

/// Room for the head unit and the lines that leave it.
const UNIT: f32 = 92.0;
const NAME: f32 = 176.0;
/// Room for what a row ends with: its button, and the one that leaves it out.
const RECORD: f32 = 120.0;
const LEAVE_OUT: f32 = 36.0;

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let before = &state.source.probing;
    let mut now = before.clone();
    ScrollArea::vertical().id_salt("probing").auto_shrink([false, false]).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = CARD_GAP;
        level::show(ui, state, out);
        card(ui, "Outputs of the head unit", |ui| outputs(ui, state, &mut now, out));
        if !before.outputs.is_empty() {
            card(ui, "At other volume steps", |ui| steps(ui, state, &mut now, out));
            card(ui, "Turned up while a tone plays", |ui| tones(ui, state, &mut now, out));
        }
        if finding(state).is_some_and(|found| found.tune.is_some()) {
            card(ui, "With the undoing typed in", |ui| joined(ui, state, out));
        }
    });
    if now != *before {
        out.push(Command::Source(SourceCommand::Probe(now)));
    }
}

/// A mark and a word for what there is of a line.
fn words(state: &State, line: &Line) -> (Mark, String) {
    if state.source.listening.as_ref().is_some_and(|it| it.line == *line) {
        return (Mark::Begun, "being recorded".into());
    }
    match recorded(state, line) {
        Recorded::Missing => (Mark::Open, "not recorded yet".into()),
        Recorded::Beside => (Mark::Done, "with the others".into()),
        Recorded::Is(verdict) => {
            let (shape, word) = verdict_words(verdict);
            (shape, if shape == Mark::Again { "record it again".into() } else { format!("recorded, {word}") })
        }
    }
}

/// Words in a row, as wide as they are given room.
fn told(ui: &mut Ui, width: f32, words: RichText) {
    ui.allocate_ui_with_layout(vec2(width, LEAST_TARGET), Layout::left_to_right(Align::Center), |ui| {
        ui.set_min_width(width);
        ui.add(Label::new(words).truncate());
    });
}

/// What there is of a line, in the room that the end of the row leaves.
fn state_of(ui: &mut Ui, state: &State, line: &Line, ends: f32) {
    let t = tokens(ui);
    let (shape, words) = words(state, line);
    let (rect, _) = ui.allocate_exact_size(vec2(18.0, LEAST_TARGET), Sense::hover());
    mark(ui.painter(), rect.center(), shape, t);
    let gaps = 2.0 * ui.spacing().item_spacing.x;
    told(ui, (ui.available_width() - ends - gaps).max(60.0), plain(words, Size::Body, t.quiet));
}

fn typed(ui: &mut Ui, width: f32, words: &mut String, hint: &str, label: String) {
    let edit = TextEdit::singleline(words).hint_text(hint.to_owned()).align(Align2::LEFT_CENTER);
    ui.add_sized(vec2(width, LEAST_TARGET), edit).accessible_name(label);
}

/// A short button that is heard by its whole name.
fn record(ui: &mut Ui, state: &State, line: Line, out: &mut Vec<Command>) {
    let ready = state.draft.sheet.rig.is_some() && !state.is_busy() && !line.name().trim().is_empty();
    let again = recorded(state, &line) != Recorded::Missing;
    let words = if again { "Record again" } else { "Record" };
    let command = Command::Source(SourceCommand::Listen(line));
    let label = command.label();
    ui.add_enabled_ui(ready, |ui| {
        let button = Button::new(bold(words, Size::Body, tokens(ui).ink));
        if ui.add_sized(vec2(RECORD, LEAST_TARGET), button).accessible_name(label).clicked() {
            out.push(command);
        }
    });
}

fn outputs(ui: &mut Ui, state: &State, now: &mut Probing, out: &mut Vec<Command>) {
    let t = tokens(ui);
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    let stays = now.probe().reference;
    let (mut gone, mut rows) = (None, Vec::<Pos2>::new());
    let top = ui.cursor().top();
    for index in 0..now.outputs.len() {
        let row = ui.horizontal(|ui| {
            ui.add_space(UNIT);
            let label = format!("Output {} by name", index + 1);
            typed(ui, NAME, &mut now.outputs[index], "name of the output", label);
            let line = Line::Output(now.outputs[index].trim().to_owned());
            let on = match &stays {
                Some((_, input)) if index == 0 => format!("stays on input {input}"),
                _ => format!("through input {}", now.input),
            };
            told(ui, 104.0, plain(on, Size::Small, t.quiet));
            state_of(ui, state, &line, RECORD + LEAVE_OUT);
            record(ui, state, line, out);
            if leave_out(ui, &format!("output {}", index + 1)) {
                gone = Some(index);
            }
        });
        rows.push(row.response.rect.left_center());
    }
    if let Some(index) = gone {
        now.outputs.remove(index);
    }
    ui.horizontal(|ui| {
        ui.add_space(UNIT);
        if ui.button(bold("Add an output", Size::Body, t.ink)).clicked() {
            now.outputs.push(if now.outputs.is_empty() { "front left".into() } else { String::new() });
        }
    });
    let bottom = ui.min_rect().bottom();
    let left = ui.min_rect().left();
    let unit = Rect::from_min_max(pos2(left, top), pos2(left + UNIT - 26.0, bottom));
    let painter = ui.painter();
    painter.rect(unit, CORNER, t.paper, Stroke::new(1.0, t.quiet), StrokeKind::Inside);
    painter.text(unit.center(), Align2::CENTER_CENTER, "head\nunit", Size::Body.bold(), t.ink);
    for row in rows {
        let y = row.y;
        painter.hline(unit.right()..=unit.right() + 22.0, y, Stroke::new(1.0, t.quiet));
    }
}

fn leave_out(ui: &mut Ui, what: &str) -> bool {
    let button = ui.add_sized(vec2(LEAVE_OUT, LEAST_TARGET), Button::new("−"));
    button.accessible_name(format!("Leave {what} out")).clicked()
}

fn pick_output(ui: &mut Ui, name: &str, outputs: &[String], chosen: &mut usize) {
    let shown = outputs.get(*chosen).map_or("choose", String::as_str);
    if let Some(index) = pick_small(ui, name, shown, outputs, NAME) {
        *chosen = index;
    }
}

fn steps(ui: &mut Ui, state: &State, now: &mut Probing, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = GRID;
    hint(ui, "One output again at softer steps: shows how the shape changes, and where to leave the volume.");
    let Probing { outputs, steps, steps_of, .. } = now;
    ui.horizontal(|ui| {
        ui.label(plain("Output", Size::Body, tokens(ui).quiet));
        pick_output(ui, "Output at other volume steps", outputs, steps_of);
    });
    let output = outputs.get(*steps_of).cloned().unwrap_or_default();
    let mut gone = None;
    for (index, step) in steps.iter_mut().enumerate() {
        ui.horizontal(|ui| {
            ui.label(plain("Volume", Size::Body, tokens(ui).quiet));
            typed(ui, 96.0, step, "as shown", format!("Volume step {} as shown", index + 1));
            let line = Line::AtVolume { output: output.clone(), step: step.trim().to_owned() };
            state_of(ui, state, &line, RECORD + LEAVE_OUT);
            ui.add_enabled_ui(!step.trim().is_empty(), |ui| record(ui, state, line, out));
            if leave_out(ui, &format!("volume step {}", index + 1)) {
                gone = Some(index);
            }
        });
    }
    if let Some(index) = gone {
        steps.remove(index);
    }
    if ui.button(bold("Add a volume step", Size::Body, tokens(ui).ink)).clicked() {
        steps.push(String::new());
    }
}

fn tones(ui: &mut Ui, state: &State, now: &mut Probing, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = GRID;
    hint(
        ui,
        "Amplifiers off. Press record, play the tone, and turn the volume up a step at a time to the highest, each held for a second or longer.",
    );
    ui.horizontal(|ui| {
        ui.label(plain("Begin at volume", Size::Body, tokens(ui).quiet));
        let mut from = f64::from(now.turned_from);
        if figure(ui, "Begin at volume", &mut from, "", 0.0..=200.0, 0, 64.0).changed() {
            now.turned_from = from.max(0.0) as u32;
        }
    });
    for (hz, of) in TONES_HZ.into_iter().zip(&mut now.tones_of) {
        ui.horizontal(|ui| {
            told(ui, 64.0, plain(frequency_words(hz), Size::Body, tokens(ui).ink));
            pick_output(ui, &format!("Output of the tone of {hz} Hz"), &now.outputs, of);
            let output = now.outputs.get(*of).cloned().unwrap_or_default();
            let line = Line::TurnedUp { output, frequency_hz: hz, from: now.turned_from };
            state_of(ui, state, &line, RECORD);
            record(ui, state, line, out);
        });
    }
}

fn joined(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = GRID;
    hint(ui, "Type the plan and the undoing into the processor, and record what leaves it: the proof.");
    let Some(finding) = finding(state) else { return };
    for sum in &finding.sums {
        ui.horizontal(|ui| {
            told(ui, NAME, bold(&sum.name, Size::Body, tokens(ui).ink));
            let line = Line::Joined(sum.name.clone());
            state_of(ui, state, &line, RECORD);
            record(ui, state, line, out);
        });
    }
}

/// What belongs beside it: where the probes are, and what the head unit plays.
pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let before = &state.source.probing;
    let mut now = before.clone();
    card(ui, "Record the outputs", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        caution(ui, super::PROBES);
        hint(
            ui,
            "Amplifiers off, tone controls at their centre. One output stays on its input in every recording and gives them one time; the others move through the second. Press record, then play: it waits for the first marker and ends by itself.",
        );
        if state.is_simulated() {
            hint(ui, "The virtual head unit plays by itself, and its probes are where they belong.");
        } else {
            ui.horizontal(|ui| {
                let mut has = now.stays_on.is_some();
                if ui.checkbox(&mut has, "First one stays on input").changed() {
                    now.stays_on = has.then_some(1);
                }
                if let Some(input) = &mut now.stays_on {
                    input_figure(ui, "First one stays on input", input);
                }
            });
            ui.horizontal(|ui| {
                ui.label(plain("Others through input", Size::Body, tokens(ui).quiet));
                input_figure(ui, "Others through input", &mut now.input);
            });
        }
        let any = |line: Line| matches!(recorded(state, &line), Recorded::Is(_));
        let ready = before.outputs.iter().any(|name| any(Line::Output(name.clone())));
        action(ui, Command::Source(SourceCommand::WorkOut), ready && !state.is_busy(), out);
        if finding(state).is_some() {
            action(ui, Command::Source(SourceCommand::ShowOutputs(false)), true, out);
        }
    });
    if !state.is_simulated() {
        super::stick::show(ui, state, &mut now, out);
    }
    if now != *before {
        out.push(Command::Source(SourceCommand::Probe(now)));
    }
}

fn input_figure(ui: &mut Ui, name: &str, input: &mut u16) {
    let mut number = f64::from(*input);
    if figure(ui, name, &mut number, "", 1.0..=64.0, 0, 52.0).changed() {
        *input = number.clamp(1.0, 64.0) as u16;
    }
}
