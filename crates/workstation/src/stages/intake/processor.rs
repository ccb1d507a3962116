//! What the processor can do, and where the curve should go.

use eframe::egui::Ui;

use super::edit;
use crate::commands::{Command, IntakeCommand, SheetEdit};
use crate::state::{State, limits_words, target_words};
use crate::theme::GRID;
use crate::widgets::{action, card, hint, line, pick};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let sheet = &state.draft.sheet;
    card(ui, "Processor and target", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        let mut words = sheet.processor.clone();
        if line(ui, "Processor", &mut words, "in the tuner's words").changed() {
            edit(out, SheetEdit::Processor(words));
        }
        let names: Vec<String> = crate::house::limits().iter().map(|(name, _)| name.clone()).collect();
        if let Some(index) = pick(ui, "What it can do", &limits_words(sheet.limits.as_ref()), &names) {
            edit(out, SheetEdit::Limits(index));
        }
        file(ui, "Limits file", "path of a limits file", IntakeCommand::LoadLimits, out);
        let names: Vec<String> = crate::house::targets().iter().map(|target| target.name.clone()).collect();
        if let Some(index) = pick(ui, "Target", &target_words(sheet.target.as_ref()), &names) {
            edit(out, SheetEdit::Target(index));
        }
        file(ui, "Target file", "path of a target file", IntakeCommand::LoadTarget, out);
        hint(ui, "The target's handles are dragged in voicing; its level is free, only its shape counts.");
    });
}

fn file(ui: &mut Ui, name: &str, hint: &str, make: fn(String) -> IntakeCommand, out: &mut Vec<Command>) {
    let id = ui.scope_id().with(name);
    let mut path = ui.data(|d| d.get_temp::<String>(id)).unwrap_or_default();
    ui.horizontal(|ui| {
        ui.vertical(|ui| {
            ui.set_width(ui.available_width() - 132.0);
            if line(ui, name, &mut path, hint).changed() {
                ui.data_mut(|d| d.insert_temp(id, path.clone()));
            }
        });
        ui.with_layout(eframe::egui::Layout::bottom_up(eframe::egui::Align::Max), |ui| {
            action(ui, Command::Intake(make(path.trim().to_owned())), !path.trim().is_empty(), out);
        });
    });
}
