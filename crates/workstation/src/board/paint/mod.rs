//! Puts a board on the screen, from the back to the front.

mod grid;
mod labels;
mod reading;
mod regions;
mod strip;
mod traces;

use eframe::egui::{Align2, Rect, Stroke, StrokeKind, Ui, pos2, vec2};

use super::layout::Layout;
use super::{Board, Ink, Trace, View};
use crate::theme::{CORNER, Size, Tokens, tokens};

/// Everything, in order.
pub fn board(ui: &Ui, board: &Board, view: &View, layout: &Layout, reading_hz: Option<f64>) {
    let t = tokens(ui);
    grid::paint(ui, board, view, layout, t);
    regions::corridor(ui, board, layout, t);
    regions::left_alone(ui, board, layout, t);
    traces::paint(ui, board, layout, t);
    regions::handles(ui, board, layout, t);
    strip::difference(ui, board, layout, t);
    strip::correction(ui, board, layout, t);
    labels::paint(ui, board, layout, t);
    if board.traces.is_empty() {
        empty(ui, board, layout, t);
    }
    if board.simulated {
        simulated(ui, layout, t);
    }
    if let Some(hz) = reading_hz {
        reading::paint(ui, board, layout, t, hz);
    }
}

/// The before and the after that the difference strip compares, where there is one of each.
pub fn before_and_after(board: &Board) -> Option<(&Trace, &Trace)> {
    let (before, after) = (board.only(Ink::Before)?, board.only(Ink::After)?);
    (before.curve.spread_db.is_some() && after.curve.spread_db.is_some()).then_some((before, after))
}

/// A ring around the board while it has the keyboard.
pub fn focus(ui: &Ui, rect: Rect) {
    let stroke = Stroke::new(2.0, tokens(ui).focus);
    ui.painter().rect_stroke(rect.shrink(1.0), CORNER, stroke, StrokeKind::Inside);
}

/// The part of the plot that the drag under way frames.
pub fn zoom_frame(ui: &Ui, frame: Rect) {
    let t = tokens(ui);
    ui.painter().rect(frame, 0, Tokens::wash(t.focus), Stroke::new(1.0, t.focus), StrokeKind::Inside);
}

fn empty(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    let width = (layout.plot.width() - 48.0).max(60.0);
    let galley = ui.painter().layout(board.empty.clone(), Size::Body.regular(), t.quiet, width);
    let rect = Align2::CENTER_CENTER.anchor_size(layout.plot.center(), galley.size());
    ui.painter().rect_filled(rect.expand(8.0), CORNER, t.paper);
    ui.painter().galley(rect.min, galley, t.quiet);
}

fn simulated(ui: &Ui, layout: &Layout, t: &Tokens) {
    let galley = ui.painter().layout_no_wrap("SIMULATED".into(), Size::Small.bold(), t.warn);
    let rect = Rect::from_min_size(pos2(layout.plot.left() + 10.0, layout.plot.top() + 8.0), galley.size());
    let plate = rect.expand2(vec2(6.0, 3.0));
    ui.painter().rect(plate, CORNER / 2, t.paper, Stroke::new(1.0, t.warn), StrokeKind::Inside);
    ui.painter().galley(rect.min, galley, t.warn);
}
