//! The part of the plane that a board shows.

use super::Board;

/// Lowest frequency of the whole view.
pub const LOWEST_HZ: f64 = 20.0;
/// Highest frequency of the whole view.
pub const HIGHEST_HZ: f64 = 20_000.0;
/// Height of the whole view.
pub const WHOLE_DB: f64 = 50.0;

/// Frequencies and levels in sight. It changes only when the user asks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Left edge.
    pub from_hz: f64,
    /// Right edge.
    pub to_hz: f64,
    /// Bottom edge.
    pub bottom_db: f64,
    /// Top edge.
    pub top_db: f64,
    /// Where the reading line was put by keyboard.
    pub reading_hz: Option<f64>,
}

impl Default for View {
    fn default() -> Self {
        Self { from_hz: LOWEST_HZ, to_hz: HIGHEST_HZ, bottom_db: -35.0, top_db: 15.0, reading_hz: None }
    }
}

impl View {
    /// All frequencies, 50 dB tall, with the highest curve a little under the top.
    pub fn whole(board: &Board) -> Self {
        let highest = board
            .traces
            .iter()
            .flat_map(|t| {
                let points = t.curve.frequency_hz.iter().zip(&t.curve.level_db);
                points.filter(|(hz, _)| (LOWEST_HZ..=HIGHEST_HZ).contains(*hz)).map(|(_, db)| db + t.shift_db)
            })
            .chain(board.target.iter().flat_map(|t| t.level_db.iter().map(|db| db + board.tolerance_db)))
            .filter(|db| db.is_finite())
            .fold(f64::NEG_INFINITY, f64::max);
        if !highest.is_finite() {
            return Self::default();
        }
        let top_db = (highest / 5.0).floor() * 5.0 + 10.0;
        Self { top_db, bottom_db: top_db - WHOLE_DB, ..Self::default() }
    }

    /// The same view kept within sensible bounds: at least a third of an octave and 3 dB.
    pub fn sane(self) -> Option<Self> {
        let from_hz = self.from_hz.max(LOWEST_HZ);
        let to_hz = self.to_hz.min(HIGHEST_HZ);
        let wide_enough = to_hz / from_hz >= 1.25 && self.top_db - self.bottom_db >= 3.0;
        (wide_enough && self.top_db.is_finite() && self.bottom_db.is_finite()).then_some(Self {
            from_hz,
            to_hz,
            ..self
        })
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use dsp::curve::Curve;

    use super::super::{Ink, Trace};
    use super::*;

    #[test]
    fn the_whole_view_is_fifty_decibels_and_holds_the_top() {
        let curve = Arc::new(Curve::of_levels(vec![20.0, 1000.0], vec![-12.0, 7.3]));
        let trace = Trace { name: "Left".into(), ink: Ink::Chosen, curve, shift_db: 0.0 };
        let view = View::whole(&Board { traces: vec![trace], ..Board::default() });
        assert_eq!((view.top_db, view.bottom_db), (15.0, -35.0));
    }

    #[test]
    fn a_curve_without_a_finite_point_leaves_the_usual_view() {
        let curve = Arc::new(Curve::of_levels(vec![20.0, 1000.0], vec![f64::NAN, f64::INFINITY]));
        let trace = Trace { name: "Left".into(), ink: Ink::Chosen, curve, shift_db: 0.0 };
        assert_eq!(View::whole(&Board { traces: vec![trace], ..Board::default() }), View::default());
    }

    #[test]
    fn a_look_too_close_is_refused() {
        assert_eq!(View { from_hz: 100.0, to_hz: 110.0, ..View::default() }.sane(), None);
        assert!(View { from_hz: 100.0, to_hz: 200.0, ..View::default() }.sane().is_some());
    }
}
