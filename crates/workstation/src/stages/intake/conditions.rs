//! What should be so while measuring, and what can hurt.

use eframe::egui::{Ui, vec2};
use garage::Condition;

use super::edit;
use crate::commands::{Command, SheetEdit};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, LEAST_TARGET, Size, plain, tokens};
use crate::widgets::{card, figure};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let conditions = &state.draft.sheet.conditions;
    let t = tokens(ui);
    let checklist = |ui: &mut Ui, out: &mut Vec<Command>| {
        card(ui, "Conditions", |ui| {
            lines(ui, &conditions.checklist, SheetEdit::Check, out);
            ui.horizontal(|ui| {
                ui.label(plain("Air in the cabin", Size::Body, t.quiet));
                let mut celsius = conditions.temperature_c.unwrap_or(20.0);
                if figure(ui, "Air in the cabin", &mut celsius, "°C", -20.0..=60.0, 1, 96.0).changed() {
                    edit(out, SheetEdit::Temperature(Some(celsius)));
                }
            });
        });
    };
    let cautions = |ui: &mut Ui, out: &mut Vec<Command>| {
        card(ui, "Cautions, ticked when read", |ui| lines(ui, &conditions.cautions, SheetEdit::Caution, out));
    };
    if ui.available_width() < 720.0 {
        checklist(ui, out);
        cautions(ui, out);
        return;
    }
    ui.columns(2, |columns| {
        let [left, right] = columns else { return };
        left.spacing_mut().item_spacing = vec2(CARD_GAP, CARD_GAP);
        checklist(left, out);
        cautions(right, out);
    });
}

fn lines(ui: &mut Ui, lines: &[Condition], make: fn(usize, bool) -> SheetEdit, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = GRID;
    ui.spacing_mut().interact_size.y = LEAST_TARGET;
    for (index, line) in lines.iter().enumerate() {
        let mut met = line.met;
        let words = plain(&line.what, Size::Body, tokens(ui).ink);
        if ui.add(eframe::egui::Checkbox::new(&mut met, words)).changed() {
            edit(out, make(index, met));
        }
    }
}
