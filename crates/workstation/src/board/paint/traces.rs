//! Curves with their ribbons.

use eframe::egui::{Color32, Pos2, Shape, Stroke, Ui};

use super::super::layout::Layout;
use super::super::{Board, Ink, Trace};
use super::regions::band;
use crate::theme::Tokens;

/// The ink of a trace.
pub fn colour(ink: Ink, t: &Tokens) -> Color32 {
    match ink {
        Ink::Before => t.before,
        Ink::After | Ink::Predicted => t.after,
        Ink::Chosen => t.ink,
        Ink::Beside(_) => t.quiet,
    }
}

pub fn paint(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens) {
    for trace in &board.traces {
        ribbon(ui, trace, layout, t);
    }
    for trace in &board.traces {
        for run in runs(trace, layout) {
            line(ui, run, trace.ink, layout, t);
        }
    }
}

fn ribbon(ui: &Ui, trace: &Trace, layout: &Layout, t: &Tokens) {
    let Some(spread) = &trace.curve.spread_db else { return };
    if matches!(trace.ink, Ink::Beside(_)) {
        return;
    }
    let (mut upper, mut lower) = (Vec::new(), Vec::new());
    for ((hz, db), half) in trace.curve.frequency_hz.iter().zip(&trace.curve.level_db).zip(spread) {
        if db.is_finite() && half.is_finite() {
            upper.push(layout.at(*hz, db + trace.shift_db + half));
            lower.push(layout.at(*hz, db + trace.shift_db - half));
        }
    }
    let painter = ui.painter().with_clip_rect(layout.plot);
    painter.add(band(&upper, &lower, Tokens::ribbon(colour(trace.ink, t))));
}

/// Stretches of finite points, thinned to the screen.
fn runs(trace: &Trace, layout: &Layout) -> Vec<Vec<Pos2>> {
    let mut runs: Vec<Vec<Pos2>> = vec![Vec::new()];
    for (hz, db) in trace.curve.frequency_hz.iter().zip(&trace.curve.level_db) {
        if !db.is_finite() {
            runs.push(Vec::new());
            continue;
        }
        let at = layout.at(*hz, db + trace.shift_db);
        if at.x < layout.plot.left() - 40.0 || at.x > layout.plot.right() + 40.0 {
            continue;
        }
        if let Some(run) = runs.last_mut()
            && run.last().is_none_or(|last| last.distance_sq(at) > 0.25)
        {
            run.push(at);
        }
    }
    runs.retain(|run| run.len() > 1);
    runs
}

fn line(ui: &Ui, points: Vec<Pos2>, ink: Ink, layout: &Layout, t: &Tokens) {
    let painter = ui.painter().with_clip_rect(layout.plot);
    let colour = colour(ink, t);
    let dashed = |width: f32, dash: f32, gap: f32| {
        painter.extend(Shape::dashed_line(&points, Stroke::new(width, colour), dash, gap));
    };
    match ink {
        Ink::Before => dashed(2.0, 9.0, 5.0),
        Ink::Predicted => dashed(2.2, 2.2, 4.0),
        Ink::Beside(n) => match n % 4 {
            0 => {
                painter.line(points, Stroke::new(1.2, colour));
            }
            1 => dashed(1.4, 10.0, 4.0),
            2 => dashed(1.4, 5.0, 3.0),
            _ => dashed(1.6, 2.0, 3.0),
        },
        Ink::After | Ink::Chosen => {
            painter.line(points, Stroke::new(2.2, colour));
        }
    }
}

/// The last point in sight: where the name stands.
pub fn end(trace: &Trace, layout: &Layout) -> Option<Pos2> {
    runs(trace, layout).into_iter().flatten().rfind(|p| layout.plot.x_range().contains(p.x))
}
