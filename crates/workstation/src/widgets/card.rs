//! A card: a title and what belongs to it.

use eframe::egui::{Align, Frame, Layout, Margin, Stroke, Ui};

use crate::theme::{CARD_INSET, CORNER, Size, bold, tokens};

/// Draws a card as wide as the room.
pub fn card<R>(ui: &mut Ui, title: &str, contents: impl FnOnce(&mut Ui) -> R) -> R {
    let t = tokens(ui);
    Frame::new()
        .fill(t.card)
        .stroke(Stroke::new(1.0, t.line))
        .corner_radius(CORNER)
        .inner_margin(Margin::same(CARD_INSET as i8))
        .show(ui, |ui| {
            ui.set_min_width(ui.available_width());
            if !title.is_empty() {
                ui.label(bold(title, Size::Body, t.ink));
            }
            // In columns the layout would justify; words read better ragged.
            ui.with_layout(Layout::top_down(Align::Min), contents).inner
        })
        .inner
}
