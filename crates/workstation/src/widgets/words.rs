//! Words: hints, remarks, cautions, and a name with its figure.

use dsp::verdict::Verdict;
use eframe::egui::{Align, Label, Layout, Sense, Ui, pos2, vec2};

use super::mark::{Mark, mark};
use crate::theme::{GRID, Size, bold, plain, tokens};

/// A quiet sentence.
pub fn hint(ui: &mut Ui, words: &str) {
    ui.add(Label::new(plain(words, Size::Small, tokens(ui).quiet)).wrap());
}

/// A sentence with a mark before it.
pub fn remark(ui: &mut Ui, shape: Mark, words: &str) {
    let t = tokens(ui);
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = 2.0 * GRID;
        let (rect, _) = ui.allocate_exact_size(vec2(14.0, 20.0), Sense::hover());
        mark(ui.painter(), pos2(rect.center().x, rect.center().y), shape, t);
        ui.add(Label::new(plain(words, Size::Body, t.ink)).wrap());
    });
}

/// A caution, where the work it belongs to is done.
pub fn caution(ui: &mut Ui, words: &str) {
    let t = tokens(ui);
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = 2.0 * GRID;
        let (rect, _) = ui.allocate_exact_size(vec2(14.0, 18.0), Sense::hover());
        mark(ui.painter(), rect.center(), Mark::Doubt, t);
        ui.add(Label::new(plain(format!("Caution: {words}"), Size::Small, t.ink)).wrap());
    });
}

/// A name on the left, a figure and its unit flush right.
pub fn pair(ui: &mut Ui, name: &str, figure: &str, unit: &str) {
    let t = tokens(ui);
    // Words are no target: they need no room for a finger.
    let row = vec2(ui.available_width(), 20.0);
    ui.allocate_ui_with_layout(row, Layout::left_to_right(Align::Center), |ui| {
        ui.label(plain(name, Size::Body, t.quiet));
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.spacing_mut().item_spacing.x = GRID;
            if !unit.is_empty() {
                ui.label(plain(unit, Size::Small, t.quiet));
            }
            ui.label(bold(figure, Size::Body, t.ink));
        });
    });
}

/// A verdict's mark and word.
pub fn verdict_words(verdict: Verdict) -> (Mark, &'static str) {
    match verdict {
        Verdict::Good => (Mark::Done, "good"),
        Verdict::Usable => (Mark::Doubt, "usable"),
        Verdict::Retake => (Mark::Again, "retake"),
    }
}
