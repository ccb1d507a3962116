//! Intake: one page like a job card.

mod bay;
mod car;
mod channels;
mod conditions;
mod processor;
mod rig;

use eframe::egui::{Label, ScrollArea, Sense, Ui, vec2};

use crate::commands::{Command, IntakeCommand, SheetEdit};
use crate::state::{State, intake_lines};
use crate::theme::{CARD_GAP, GRID, Size, bold, plain, tokens};
use crate::widgets::{Mark, card, mark};

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        ui.set_max_width(ui.available_width().min(1180.0));
        ui.spacing_mut().item_spacing = vec2(CARD_GAP, CARD_GAP);
        if ui.available_width() < 720.0 {
            car::show(ui, state, out);
            rig::show(ui, state, out);
            processor::show(ui, state, out);
        } else {
            ui.columns(2, |columns| {
                let [left, right] = columns else { return };
                car::show(left, state, out);
                processor::show(left, state, out);
                rig::show(right, state, out);
            });
        }
        channels::show(ui, state, out);
        bay::show(ui, state, out);
        conditions::show(ui, state, out);
    });
}

/// The lines of the job card with their marks.
pub fn side(ui: &mut Ui, state: &State, _out: &mut Vec<Command>) {
    let t = tokens(ui);
    card(ui, "Job card", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        for line in intake_lines(&state.draft.sheet, state.open.as_ref().map(|open| &open.visit)) {
            ui.horizontal_top(|ui| {
                let (rect, _) = ui.allocate_exact_size(vec2(16.0, 22.0), Sense::hover());
                mark(ui.painter(), rect.center(), line.mark, t);
                ui.vertical(|ui| {
                    ui.spacing_mut().item_spacing.y = 0.0;
                    ui.label(bold(line.name, Size::Body, t.ink));
                    let ink = match line.mark {
                        Mark::Doubt => t.warn,
                        Mark::Again => t.stop,
                        _ => t.quiet,
                    };
                    ui.add(Label::new(plain(&line.words, Size::Small, ink)).wrap());
                });
            });
        }
    });
}

pub use rig::usual as usual_rig;

/// Pushes an edit of the sheet.
fn edit(out: &mut Vec<Command>, edit: SheetEdit) {
    out.push(Command::Intake(IntakeCommand::Edit(edit)));
}
