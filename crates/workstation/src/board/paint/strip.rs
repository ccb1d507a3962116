//! The difference strip and the correction strip.

use eframe::egui::{Align2, Pos2, Rect, Shape, Stroke, Ui, pos2};

use super::super::axis::signed;
use super::super::layout::Layout;
use super::super::{Board, differences};
use super::regions::{band, hatch};
use crate::theme::{GRID, Size, Tokens};

/// A solid bar where before and after differ by more than their intervals; hatching where they cannot be told apart.
pub fn difference(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    let (Some(rect), Some((before, after))) = (layout.difference, super::before_and_after(board)) else {
        return;
    };
    let painter = ui.painter().with_clip_rect(rect);
    let mut free_from = rect.left();
    for stretch in differences(&before.curve, &after.curve) {
        let column =
            Rect::from_x_y_ranges(layout.x(stretch.from_hz)..=layout.x(stretch.to_hz), rect.y_range())
                .intersect(rect);
        if stretch.distinct {
            painter.rect_filled(column.shrink2(eframe::egui::vec2(0.0, 7.0)), 0, Tokens::ribbon(t.after));
            let middle =
                Rect::from_x_y_ranges(column.x_range(), column.center().y - 1.5..=column.center().y + 1.5);
            painter.rect_filled(middle, 0, t.after);
            continue;
        }
        hatch(ui, column, t.quiet.gamma_multiply(0.35));
        let words = "not distinguishable";
        let galley = painter.layout_no_wrap(words.into(), Size::Small.regular(), t.quiet);
        let plate = Align2::CENTER_CENTER.anchor_size(column.center(), galley.size());
        if galley.size().x + 2.0 * GRID <= column.width() && plate.left() >= free_from {
            free_from = plate.right() + 24.0;
            painter.rect_filled(plate, 0, t.card);
            painter.galley(plate.min, galley, t.quiet);
        }
    }
    let at = pos2(rect.right() + 12.0, rect.center().y);
    ui.painter().text(at, Align2::LEFT_CENTER, "difference", Size::Small.regular(), t.quiet);
}

/// What the processor does, on its own small level axis.
pub fn correction(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    let (Some(rect), Some(strip)) = (layout.strip, &board.strip) else { return };
    let y = |db: f64| rect.center().y - rect.height() * 0.5 * (db / strip.reach_db) as f32;
    let painter = ui.painter();
    let step = if strip.reach_db > 12.0 { 10.0 } else { strip.reach_db / 2.0 };
    for db in [-step, 0.0, step] {
        let ink = if db == 0.0 { t.quiet } else { t.line };
        painter.hline(rect.x_range(), painter.round_to_pixel_center(y(db)), Stroke::new(1.0, ink));
        let words = if db > 0.0 { format!("+{}", signed(db, 0)) } else { signed(db, 0) };
        painter.text(
            pos2(rect.left() - 8.0, y(db)),
            Align2::RIGHT_CENTER,
            words,
            Size::Small.regular(),
            t.quiet,
        );
    }
    let points: Vec<Pos2> = strip
        .curve
        .frequency_hz
        .iter()
        .zip(&strip.curve.level_db)
        .filter(|(_, db)| db.is_finite())
        .map(|(hz, db)| pos2(layout.x(*hz), y(*db)))
        .collect();
    let base: Vec<Pos2> = points.iter().map(|p| pos2(p.x, y(0.0))).collect();
    let inside = painter.with_clip_rect(rect);
    inside.add(band(&points, &base, Tokens::wash(t.after)));
    inside.add(Shape::line(points, Stroke::new(2.0, t.after)));
    let at = pos2(rect.right() + 12.0, rect.center().y);
    painter.text(at, Align2::LEFT_CENTER, &strip.name, Size::Small.bold(), t.after);
}
