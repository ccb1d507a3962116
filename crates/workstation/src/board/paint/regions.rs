//! The corridor, its handles, and the regions left alone.

use eframe::egui::{Color32, Mesh, Rect, Shape, Stroke, Ui, pos2};

use super::super::Board;
use super::super::layout::Layout;
use crate::theme::Tokens;

/// The target as a band, its edges one point wide.
pub fn corridor(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    let Some(target) = &board.target else { return };
    let painter = ui.painter().with_clip_rect(layout.plot);
    let edge = |sign: f64| -> Vec<_> {
        let points = target.frequency_hz.iter().zip(&target.level_db);
        points.map(|(hz, db)| layout.at(*hz, db + sign * board.tolerance_db)).collect()
    };
    let (upper, lower) = (edge(1.0), edge(-1.0));
    painter.add(band(&upper, &lower, Tokens::wash(t.corridor)));
    for line in [upper, lower] {
        painter.add(Shape::line(line, Stroke::new(1.0, t.corridor)));
    }
}

/// The area between two lines of the same length.
pub fn band(upper: &[eframe::egui::Pos2], lower: &[eframe::egui::Pos2], fill: Color32) -> Mesh {
    let mut mesh = Mesh::default();
    for (a, b) in upper.iter().zip(lower) {
        mesh.colored_vertex(*a, fill);
        mesh.colored_vertex(*b, fill);
    }
    for i in 0..(upper.len().min(lower.len()) as u32).saturating_sub(1) {
        mesh.add_triangle(2 * i, 2 * i + 1, 2 * i + 2);
        mesh.add_triangle(2 * i + 1, 2 * i + 3, 2 * i + 2);
    }
    mesh
}

/// Points of the target that can be dragged.
pub fn handles(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    let painter = ui.painter().with_clip_rect(layout.plot.expand(10.0));
    for handle in &board.handles {
        let at = layout.at(handle.frequency_hz, handle.level_db);
        painter.circle(at, 7.0, t.card, Stroke::new(2.0, t.corridor));
        painter.circle_filled(at, 2.5, t.corridor);
    }
}

/// Hatching over every region that the correction does not touch.
pub fn left_alone(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    for region in &board.left_alone {
        let column =
            Rect::from_x_y_ranges(layout.x(region.from_hz)..=layout.x(region.to_hz), layout.plot.y_range());
        hatch(ui, column.intersect(layout.plot), t.quiet.gamma_multiply(0.45));
    }
}

/// Lines at 45 degrees, 8 points apart, in step with one another across neighbouring columns.
pub fn hatch(ui: &Ui, rect: Rect, ink: Color32) {
    if !rect.is_positive() {
        return;
    }
    let painter = ui.painter().with_clip_rect(rect);
    let spacing = 8.0;
    let first = ((rect.left() + rect.top()) / spacing).ceil() as i32;
    let last = ((rect.right() + rect.bottom()) / spacing).floor() as i32;
    for n in first..=last {
        let sum = n as f32 * spacing;
        let ends = [pos2(sum - rect.bottom(), rect.bottom()), pos2(sum - rect.top(), rect.top())];
        painter.line_segment(ends, Stroke::new(1.0, ink));
    }
}
