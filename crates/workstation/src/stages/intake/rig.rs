//! Devices, microphone, levels.

use audio::rig::DeviceFacts;
use eframe::egui::Ui;
use garage::RigRecord;
use garage::visit::CheckKind;

use super::edit;
use crate::commands::{Command, IntakeCommand, RigEdit, SheetEdit};
use crate::state::State;
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{action, card, caution, figure, hint, line, pair, pick};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Rig", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        match state.draft.sheet.rig.as_ref().and_then(|rig| rig.simulation.as_ref()) {
            Some(simulation) => {
                pair(ui, "Virtual car", &simulation.scenario, "");
                pair(ui, "Seed", &simulation.seed.to_string(), "");
                hint(
                    ui,
                    "A computed car stands in for devices: nothing is heard, and everything says SIMULATED.",
                );
            }
            None => devices(ui, state, out),
        }
        levels(ui, state, out);
        microphone(ui, state, out);
        ui.horizontal(|ui| {
            let ready = state.draft.sheet.rig.is_some() && !state.is_busy();
            action(ui, Command::Intake(IntakeCommand::Check(CheckKind::Rig)), ready, out);
        });
        caution(ui, "sound starts low and rises; above 85 dB(A) stay outside the car during takes.");
    });
}

fn devices(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let rig = state.draft.sheet.rig.clone().unwrap_or_else(usual);
    let names = |wanted: fn(&DeviceFacts) -> bool| -> Vec<String> {
        state.devices.iter().filter(|d| wanted(d)).map(|d| d.name.clone()).collect()
    };
    let outputs = names(|d| d.output_channels > 0);
    let inputs = names(|d| d.input_channels > 0);
    let shown = |name: &str| if name.is_empty() { "choose".to_owned() } else { name.to_owned() };
    if let Some(name) = pick(ui, "Output device", &shown(&rig.output), &outputs).and_then(|i| outputs.get(i))
    {
        edit(out, SheetEdit::Rig(RigEdit::Output(name.clone())));
    }
    if let Some(name) = pick(ui, "Input device", &shown(&rig.input), &inputs).and_then(|i| inputs.get(i)) {
        edit(out, SheetEdit::Rig(RigEdit::Input(name.clone())));
    }
    let rates = [44_100, 48_000, 96_000].map(|r: u32| format!("{r} Hz"));
    if let Some(index) = pick(ui, "Sample rate", &format!("{} Hz", rig.rate_hz), &rates) {
        edit(out, SheetEdit::Rig(RigEdit::Rate([44_100, 48_000, 96_000][index])));
    }
    let t = tokens(ui);
    ui.horizontal(|ui| {
        ui.label(plain("Microphone on input", Size::Body, t.quiet));
        let mut input = f64::from(rig.microphone_input);
        if figure(ui, "Microphone on input", &mut input, "", 1.0..=64.0, 0, 56.0).changed() {
            edit(out, SheetEdit::Rig(RigEdit::MicrophoneInput(input as u16)));
        }
    });
    ui.horizontal(|ui| {
        let mut has = rig.reference_input.is_some();
        if ui.checkbox(&mut has, "Loopback cable on input").changed() {
            edit(out, SheetEdit::Rig(RigEdit::ReferenceInput(has.then_some(2))));
        }
        if let Some(reference) = rig.reference_input {
            let mut input = f64::from(reference);
            if figure(ui, "Loopback on input", &mut input, "", 1.0..=64.0, 0, 56.0).changed() {
                edit(out, SheetEdit::Rig(RigEdit::ReferenceInput(Some(input as u16))));
            }
        }
    });
    action(ui, Command::Intake(IntakeCommand::ListDevices), !state.is_busy(), out);
}

/// Devices not chosen yet; low levels.
pub fn usual() -> RigRecord {
    RigRecord {
        rate_hz: 48_000,
        microphone_input: 1,
        level_dbfs: -24.0,
        ceiling_dbfs: -6.0,
        ..RigRecord::default()
    }
}

/// Name, level, and the edit that a new level makes.
type Field<'a> = (&'a str, f64, fn(f64) -> RigEdit);

fn levels(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(rig) = &state.draft.sheet.rig else { return };
    let t = tokens(ui);
    let fields: [Field<'_>; 2] = [
        ("Level of the stimuli", rig.level_dbfs, RigEdit::Level),
        ("Ceiling", rig.ceiling_dbfs, RigEdit::Ceiling),
    ];
    for (name, value, make) in fields {
        ui.horizontal(|ui| {
            ui.label(plain(name, Size::Body, t.quiet));
            ui.with_layout(eframe::egui::Layout::right_to_left(eframe::egui::Align::Center), |ui| {
                let mut value = value;
                if figure(ui, name, &mut value, "dBFS", -60.0..=0.0, 1, 120.0).changed() {
                    edit(out, SheetEdit::Rig(make(value)));
                }
            });
        });
    }
}

fn microphone(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let microphone = state.draft.sheet.microphone.clone().unwrap_or_default();
    let mut name = microphone.name.clone();
    if line(ui, "Microphone", &mut name, "name and serial number").changed() {
        edit(out, SheetEdit::Microphone(name));
    }
    match &microphone.calibration {
        Some(calibration) => pair(ui, "Calibration", &calibration.file, ""),
        None => {
            hint(ui, "No calibration: results above 1 kHz and below 50 Hz carry the microphone's own error.")
        }
    }
    let id = ui.scope_id().with("calibration path");
    let mut path = ui.data(|d| d.get_temp::<String>(id)).unwrap_or_default();
    if line(ui, "Calibration file", &mut path, "path of the maker's text file").changed() {
        ui.data_mut(|d| d.insert_temp(id, path.clone()));
    }
    ui.horizontal(|ui| {
        let load = Command::Intake(IntakeCommand::LoadCalibration(path.trim().to_owned()));
        action(ui, load, !path.trim().is_empty(), out);
        action(ui, Command::Intake(IntakeCommand::BrowseCalibration), true, out)
            .accessible_name("Choose calibration file");
    });
    let t = tokens(ui);
    ui.horizontal(|ui| {
        let mut known = microphone.full_scale_db_spl.is_some();
        if ui.checkbox(&mut known, "Full scale known").changed() {
            edit(out, SheetEdit::FullScale(known.then_some(120.0)));
        }
        if let Some(mut level) = microphone.full_scale_db_spl {
            if figure(ui, "Full scale", &mut level, "dB SPL", 60.0..=180.0, 1, 130.0).changed() {
                edit(out, SheetEdit::FullScale(Some(level)));
            }
        } else {
            ui.label(plain("from a calibrator; without it no sound level is shown", Size::Small, t.quiet));
        }
    });
}
