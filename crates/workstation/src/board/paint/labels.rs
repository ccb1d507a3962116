//! Names at the curves' right ends.

use eframe::egui::{Align2, Stroke, Ui, pos2, vec2};

use super::super::Board;
use super::super::layout::{Layout, spread_apart};
use super::traces;
use crate::theme::{CORNER, GRID, Size, Tokens};

const APART: f32 = 18.0;

pub fn paint(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    let ends: Vec<_> =
        board.traces.iter().filter_map(|trace| Some((trace, traces::end(trace, layout)?))).collect();
    let plot = layout.plot;
    // A curve that ends well inside the plot is named there; the rest are named in the margin.
    let (inside, margin): (Vec<_>, Vec<_>) = ends.into_iter().partition(|(_, at)| at.x < plot.right() - 60.0);
    let painter = ui.painter();
    // A curve that leaves the plot is named at its edge.
    let on_edge = |at: f32| at.clamp(plot.top(), plot.bottom());
    let wished: Vec<f32> = inside.iter().map(|(_, at)| on_edge(at.y)).collect();
    let placed = spread_apart(&wished, APART, plot.top() + 10.0, plot.bottom() - 10.0);
    for ((trace, at), y) in inside.into_iter().zip(placed) {
        let ink = traces::colour(trace.ink, t);
        let galley = painter.layout_no_wrap(trace.name.clone(), Size::Small.bold(), ink);
        let beside = Align2::LEFT_CENTER.anchor_size(pos2(at.x + 2.0 * GRID, y), galley.size());
        let most = plot.right() - GRID;
        let rect = beside.translate(vec2((most - beside.right()).min(0.0), 0.0));
        let end = pos2(at.x, on_edge(at.y));
        if (y - end.y).abs() > 2.0 {
            painter.line_segment([end, rect.left_center()], Stroke::new(1.0, ink.gamma_multiply(0.6)));
        }
        painter.rect_filled(rect.expand2(vec2(2.0, 0.0)), CORNER / 2, t.card.gamma_multiply(0.85));
        painter.galley(rect.min, galley, t.ink);
    }
    let wished: Vec<f32> = margin.iter().map(|(_, at)| at.y.clamp(plot.top(), plot.bottom())).collect();
    let placed = spread_apart(&wished, APART, plot.top() + 28.0, plot.bottom() - 8.0);
    for (((trace, _), wish), y) in margin.iter().zip(&wished).zip(placed) {
        let ink = traces::colour(trace.ink, t);
        if (y - wish).abs() > 2.0 {
            let leader = [pos2(plot.right() + 1.0, *wish), pos2(plot.right() + 9.0, y)];
            painter.line_segment(leader, Stroke::new(1.0, ink.gamma_multiply(0.6)));
        }
        let at = pos2(plot.right() + 12.0, y);
        let clip = painter.with_clip_rect(ui.max_rect().union(plot).expand(200.0));
        clip.text(at, Align2::LEFT_CENTER, &trace.name, Size::Small.bold(), ink);
    }
}
