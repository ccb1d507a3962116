//! The frame around every stage: the bar across the top, the stages down the left, the card for what to do next.

mod foot;
mod stage_list;
mod top_bar;

use eframe::egui::{CentralPanel, Frame, Margin, Panel, ScrollArea, Ui};

use crate::commands::Command;
use crate::state::{Overlay, State};
use crate::theme::{CARD_GAP, EDGE, tokens};
use crate::{customer, keys, stages};

/// Below this the right card folds under the board.
const FOLD: f32 = 1100.0;
const SIDE: f32 = 336.0;

/// Draws everything.
pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    if state.overlay == Overlay::Customer {
        return customer::show(ui, state, out);
    }
    let t = tokens(ui);
    let wide = ui.available_width() >= FOLD;
    let paper = Frame::new().fill(t.paper);
    Panel::top("top bar")
        .frame(paper.inner_margin(Margin::symmetric(EDGE as i8, 10)))
        .resizable(false)
        .show(ui, |ui| top_bar::show(ui, state, out));
    foot::show(ui, state, out);
    Panel::left("stages")
        .frame(paper.inner_margin(Margin { left: 12, right: 8, top: CARD_GAP as i8, bottom: CARD_GAP as i8 }))
        .exact_size(if wide { 148.0 } else { 132.0 })
        .resizable(false)
        .show(ui, |ui| stage_list::show(ui, state, out));
    let side_margin = Margin { left: 8, right: EDGE as i8, top: CARD_GAP as i8, bottom: CARD_GAP as i8 };
    if wide {
        Panel::right("next step")
            .frame(paper.inner_margin(side_margin))
            .exact_size(SIDE)
            .resizable(false)
            .show(ui, |ui| {
                ScrollArea::vertical().auto_shrink(false).show(ui, |ui| stages::side(ui, state, out));
            });
    } else {
        let height = (ui.available_height() * 0.42).max(200.0);
        Panel::bottom("next step")
            .frame(paper.inner_margin(side_margin))
            .exact_size(height)
            .resizable(false)
            .show(ui, |ui| {
                ScrollArea::vertical().auto_shrink(false).show(ui, |ui| stages::side(ui, state, out));
            });
    }
    CentralPanel::default().frame(paper.inner_margin(Margin::same(CARD_GAP as i8))).show(ui, |ui| {
        stages::centre(ui, state, out);
    });
    if state.overlay == Overlay::Keys {
        keys::overlay(ui, out);
    }
}
