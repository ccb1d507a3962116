//! Recordings made outside the program: the stimulus from a stick, the outputs through an interface.

use eframe::egui::{CollapsingHeader, TextEdit, Ui, vec2};

use crate::commands::{Command, SourceCommand};
use crate::state::{Recording, Recordings, State};
use crate::theme::{GRID, LEAST_TARGET, Size, bold, plain, tokens};
use crate::widgets::{action, figure, hint, line};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let before = &state.source.recordings;
    let mut now = before.clone();
    CollapsingHeader::new(bold("Recordings made elsewhere", Size::Body, tokens(ui).ink)).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        hint(
            ui,
            "Play the stimulus from a stick, a disc, a phone or an aux lead, tone controls at their centre. Keep one \
             output on the first input of every recording, move the others through the second.",
        );
        hint(
            ui,
            "A file has no live level or clip lamp here: watch your recorder's own. A recording that is clipped is named when it is worked out.",
        );
        line(ui, "Stimulus", &mut now.stimulus, "source.wav, its JSON beside it");
        ui.horizontal(|ui| {
            let mut has = now.reference.is_some();
            if ui.checkbox(&mut has, "Time reference on input").changed() {
                now.reference = has.then_some(1);
            }
            if let Some(input) = &mut now.reference {
                input_figure(ui, "Time reference on input", input);
            }
        });
        list(ui, "output", &mut now.outputs);
        add(ui, "Add output", &mut now.outputs, |n| if n == 0 { "front left".into() } else { String::new() });
        list(ui, "volume step", &mut now.volumes);
        add(ui, "Add volume step", &mut now.volumes, |_| String::new());
        list(ui, "tone", &mut now.tones);
        add(ui, "Add tone with the volume turned up", &mut now.tones, |n| {
            if n == 0 { "1 kHz".into() } else { "40 Hz".into() }
        });
        let ready = now.order(None).is_some() && !state.is_busy();
        action(ui, Command::Source(SourceCommand::WorkOutRecordings), ready, out);
    });
    if now != *before {
        out.push(Command::Source(SourceCommand::Name(now)));
    }
}

fn list(ui: &mut Ui, what: &str, all: &mut Vec<Recording>) {
    let mut gone = None;
    for (index, recording) in all.iter_mut().enumerate() {
        let of = |part: &str| format!("{part} of {what} {}", index + 1);
        ui.horizontal(|ui| {
            let name = TextEdit::singleline(&mut recording.name).hint_text("name");
            ui.add_sized(vec2(132.0, LEAST_TARGET), name).accessible_name(of("Name"));
            ui.label(plain("input", Size::Small, tokens(ui).quiet));
            input_figure(ui, &of("Input"), &mut recording.input);
            if ui.button("−").accessible_name(format!("Remove {what} {}", index + 1)).clicked() {
                gone = Some(index);
            }
        });
        let file = TextEdit::singleline(&mut recording.file).hint_text("path of the WAV");
        ui.add_sized(vec2(ui.available_width(), LEAST_TARGET), file).accessible_name(of("File"));
    }
    if let Some(index) = gone {
        all.remove(index);
    }
}

fn add(ui: &mut Ui, words: &str, all: &mut Vec<Recording>, name: fn(usize) -> String) {
    if ui.button(bold(words, Size::Body, tokens(ui).ink)).clicked() {
        // The next output is most often on the same input of another file.
        let input = all.last().map_or(1, |it| it.input);
        all.push(Recording { name: name(all.len()), file: String::new(), input });
    }
}

fn input_figure(ui: &mut Ui, name: &str, input: &mut usize) {
    let mut number = *input as f64;
    if figure(ui, name, &mut number, "", 1.0..=64.0, 0, 52.0).changed() {
        *input = number.max(1.0) as usize;
    }
}

/// True when the recordings are made outside the program: a virtual car brings its own.
pub fn wanted(state: &State) -> bool {
    !state.is_simulated()
}

/// True when there is something to work out.
pub fn ready(recordings: &Recordings) -> bool {
    recordings.order(None).is_some()
}
