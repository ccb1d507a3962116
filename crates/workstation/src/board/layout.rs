//! Where everything on a board goes.

use eframe::egui::{Pos2, Rect, pos2};

use super::{Board, Trace, View};

/// Room for the figures of the level axis.
const LEFT: f32 = 44.0;
/// Room for the names at the curves' ends, by the longest: a letter takes about this much.
const LETTER: f32 = 8.2;
/// The least, for the unit and the word "difference".
const LEAST_RIGHT: f32 = 84.0;
const MOST_RIGHT: f32 = 190.0;
/// Room for the figures of the frequency axis.
const FOOT: f32 = 24.0;
const TOP: f32 = 12.0;
const DIFFERENCE: f32 = 22.0;
const GAP: f32 = 4.0;

/// Rectangles and the mapping between the plane and the screen.
pub struct Layout {
    /// Where curves are drawn.
    pub plot: Rect,
    /// Where before and after are told apart or not.
    pub difference: Option<Rect>,
    /// Where the correction is drawn.
    pub strip: Option<Rect>,
    view: View,
}

impl Layout {
    /// Divides `rect` for what `board` has to show.
    pub fn new(rect: Rect, board: &Board, view: &View) -> Self {
        // A curve that ends inside the plot is named there.
        let ends_beyond =
            |trace: &&Trace| trace.curve.frequency_hz.last().is_some_and(|hz| *hz > 0.7 * view.to_hz);
        let names = board
            .traces
            .iter()
            .filter(ends_beyond)
            .map(|t| &t.name)
            .chain(board.strip.iter().map(|s| &s.name));
        let longest = names.map(|name| name.chars().count()).max().unwrap_or(0);
        let wanted = (LETTER * longest as f32 + 20.0).clamp(LEAST_RIGHT, MOST_RIGHT);
        let right = if rect.width() < 420.0 { 72.0 } else { wanted };
        let inner = Rect::from_min_max(
            pos2(rect.left() + LEFT, rect.top() + TOP),
            pos2(
                (rect.right() - right).max(rect.left() + LEFT + 1.0),
                (rect.bottom() - FOOT).max(rect.top() + TOP + 1.0),
            ),
        );
        let has_difference = super::paint::before_and_after(board).is_some();
        let strip_height =
            if board.strip.is_some() { (inner.height() * 0.24).clamp(72.0, 150.0) } else { 0.0 };
        let mut bottom = inner.bottom();
        let mut cut = |height: f32, gap: f32| {
            let slice = Rect::from_min_max(pos2(inner.left(), bottom - height), pos2(inner.right(), bottom));
            bottom -= height + gap;
            slice
        };
        let strip = board.strip.is_some().then(|| cut(strip_height, FOOT + GAP));
        let difference = has_difference.then(|| cut(DIFFERENCE, if strip.is_some() { GAP } else { FOOT }));
        let plot = Rect::from_min_max(inner.min, pos2(inner.right(), bottom.max(inner.top() + 1.0)));
        Self { plot, difference, strip, view: *view }
    }

    /// Screen x of a frequency.
    pub fn x(&self, hz: f64) -> f32 {
        let share = (hz / self.view.from_hz).ln() / (self.view.to_hz / self.view.from_hz).ln();
        self.plot.left() + self.plot.width() * share as f32
    }

    /// Frequency at a screen x.
    pub fn hz(&self, x: f32) -> f64 {
        let share = f64::from((x - self.plot.left()) / self.plot.width());
        self.view.from_hz * (share * (self.view.to_hz / self.view.from_hz).ln()).exp()
    }

    /// Screen y of a level.
    pub fn y(&self, db: f64) -> f32 {
        let share = (self.view.top_db - db) / (self.view.top_db - self.view.bottom_db);
        self.plot.top() + self.plot.height() * share as f32
    }

    /// Level at a screen y.
    pub fn db(&self, y: f32) -> f64 {
        let share = f64::from((y - self.plot.top()) / self.plot.height());
        self.view.top_db - share * (self.view.top_db - self.view.bottom_db)
    }

    /// Both at once.
    pub fn at(&self, hz: f64, db: f64) -> Pos2 {
        pos2(self.x(hz), self.y(db))
    }
}

/// Heights for labels wished at `wished`, in the same order, none nearer to another than `apart`, within `top..=bottom`
/// as far as they fit.
pub fn spread_apart(wished: &[f32], apart: f32, top: f32, bottom: f32) -> Vec<f32> {
    let mut order: Vec<usize> = (0..wished.len()).collect();
    order.sort_by(|&a, &b| wished[a].total_cmp(&wished[b]));
    let mut placed = vec![0.0; wished.len()];
    let mut least = top;
    for &i in &order {
        placed[i] = wished[i].max(least);
        least = placed[i] + apart;
    }
    let mut most = bottom;
    for &i in order.iter().rev() {
        placed[i] = placed[i].min(most);
        most = placed[i] - apart;
    }
    placed
}

#[cfg(test)]
mod tests {
    use eframe::egui::vec2;

    use super::*;

    #[test]
    fn the_mapping_goes_both_ways() {
        let rect = Rect::from_min_size(pos2(10.0, 20.0), vec2(900.0, 500.0));
        let layout = Layout::new(rect, &Board::default(), &View::default());
        for (hz, db) in [(20.0, 15.0), (1000.0, 0.0), (20_000.0, -35.0)] {
            let at = layout.at(hz, db);
            // Screen positions are f32: a thousandth of the value is far below a pixel.
            assert!((layout.hz(at.x) / hz - 1.0).abs() < 1e-3 && (layout.db(at.y) - db).abs() < 1e-3);
        }
    }

    #[test]
    fn labels_keep_their_distance_and_their_order() {
        let placed = spread_apart(&[100.0, 101.0, 20.0, 300.0], 18.0, 0.0, 310.0);
        assert_eq!(placed, [100.0, 118.0, 20.0, 300.0]);
        let crowded = spread_apart(&[305.0, 306.0, 307.0], 18.0, 0.0, 310.0);
        assert_eq!(crowded, [274.0, 292.0, 310.0]);
    }
}
