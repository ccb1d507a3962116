//! The car and what the customer wants.

use eframe::egui::Ui;

use super::edit;
use crate::commands::{Command, SheetEdit};
use crate::state::State;
use crate::theme::GRID;
use crate::widgets::{card, line};

/// Name, hint, words, and the edit that new words make.
type Field<'a> = (&'a str, &'a str, &'a String, fn(String) -> SheetEdit);

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let sheet = &state.draft.sheet;
    card(ui, "Car", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        let fields: [Field<'_>; 5] = [
            ("Name", "as the shop will look for it", &sheet.name, SheetEdit::Name),
            ("Car and build", "body, head unit, what is fitted", &sheet.description, SheetEdit::Description),
            ("Wishes", "in the customer's own words", &sheet.wishes, SheetEdit::Wishes),
            ("Tuner", "a first name or the shop's mark", &sheet.tuner, SheetEdit::Tuner),
            ("Seat", "driver; another seat gets a visit of its own", &sheet.seat, SheetEdit::Seat),
        ];
        for (name, hint, words, make) in fields {
            let mut words = words.clone();
            if line(ui, name, &mut words, hint).changed() {
                edit(out, make(words));
            }
        }
    });
}
