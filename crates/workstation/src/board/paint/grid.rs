//! Axes, ticks and hairlines.

use eframe::egui::{Align2, Stroke, StrokeKind, Ui, pos2};

use super::super::axis::{frequency_ticks, level_ticks, short_frequency, signed};
use super::super::layout::Layout;
use super::super::{Board, View};
use crate::theme::{Size, Tokens};

pub fn paint(ui: &Ui, board: &Board, view: &View, layout: &Layout, t: &Tokens) {
    let painter = ui.painter();
    let plot = layout.plot;
    let hair = Stroke::new(1.0, t.line);
    let faint = Stroke::new(1.0, t.line.gamma_multiply(0.45));
    let ticks = frequency_ticks(view.from_hz, view.to_hz);
    let columns = [Some(plot), layout.difference, layout.strip];
    for rect in columns.iter().flatten() {
        painter.rect_filled(*rect, 0, t.card);
        for (list, stroke) in [(&ticks.fine, faint), (&ticks.labelled, hair)] {
            for &hz in list {
                painter.vline(painter.round_to_pixel_center(layout.x(hz)), rect.y_range(), stroke);
            }
        }
    }
    let foot = layout.strip.or(layout.difference).unwrap_or(plot).bottom();
    let mut free_from = f32::NEG_INFINITY;
    for &hz in &ticks.labelled {
        let galley = painter.layout_no_wrap(short_frequency(hz), Size::Small.regular(), t.quiet);
        let x = layout.x(hz) - galley.size().x / 2.0;
        if x >= free_from {
            free_from = x + galley.size().x + 8.0;
            painter.galley(pos2(x, foot + 4.0), galley, t.quiet);
        }
    }
    let unit = Align2::LEFT_TOP;
    painter.text(pos2(plot.right() + 24.0, foot + 4.0), unit, "Hz", Size::Small.regular(), t.quiet);
    for &db in &level_ticks(view.bottom_db, view.top_db, plot.height()).labelled {
        let y = painter.round_to_pixel_center(layout.y(db));
        painter.hline(plot.x_range(), y, hair);
        painter.text(
            pos2(plot.left() - 8.0, y),
            Align2::RIGHT_CENTER,
            signed(db, 0),
            Size::Small.regular(),
            t.quiet,
        );
    }
    let at = pos2(plot.right() + 8.0, plot.top());
    painter.text(at, Align2::LEFT_TOP, board.unit, Size::Small.regular(), t.quiet);
    for rect in columns.iter().flatten() {
        painter.rect_stroke(*rect, 0, hair, StrokeKind::Outside);
    }
}
