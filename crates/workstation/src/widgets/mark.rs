//! Small shapes that say how far something is. They never stand alone: a word goes with each.

use eframe::egui::{Color32, Painter, Pos2, Shape, Stroke, vec2};

use crate::theme::Tokens;

/// How far something is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A full disc.
    Done,
    /// A half disc.
    Begun,
    /// A ring.
    Open,
    /// A triangle.
    Doubt,
    /// A cross.
    Again,
}

impl Mark {
    /// The mark's ink.
    pub fn ink(self, t: &Tokens) -> Color32 {
        match self {
            Self::Done => t.corridor,
            Self::Begun => t.after,
            Self::Open => t.quiet,
            Self::Doubt => t.warn,
            Self::Again => t.stop,
        }
    }
}

/// Draws a mark about 12 points wide.
pub fn mark(painter: &Painter, at: Pos2, mark: Mark, t: &Tokens) {
    let ink = mark.ink(t);
    let radius = 5.5;
    match mark {
        Mark::Done => {
            painter.circle_filled(at, radius, ink);
        }
        Mark::Begun => {
            let arc = (0..=16).map(|i| {
                let angle = std::f32::consts::PI * (0.5 + i as f32 / 16.0);
                at + radius * vec2(angle.cos(), -angle.sin())
            });
            painter.add(Shape::convex_polygon(arc.collect(), ink, Stroke::NONE));
            painter.circle_stroke(at, radius, Stroke::new(1.5, ink));
        }
        Mark::Open => {
            painter.circle_stroke(at, radius, Stroke::new(1.5, ink));
        }
        Mark::Doubt => {
            let corners = vec![at + vec2(0.0, -6.0), at + vec2(6.0, 5.0), at + vec2(-6.0, 5.0)];
            painter.add(Shape::convex_polygon(corners, ink, Stroke::NONE));
        }
        Mark::Again => {
            for side in [-1.0, 1.0] {
                let ends = [at + vec2(-4.5 * side, -4.5), at + vec2(4.5 * side, 4.5)];
                painter.line_segment(ends, Stroke::new(2.5, ink));
            }
        }
    }
}
