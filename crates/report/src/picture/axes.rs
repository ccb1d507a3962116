//! The two axes: log frequency with the ticks of the trade, level in decibels.

use super::{Board, stroke, text};
use crate::ink;

pub const LOW_HZ: f64 = 20.0;
pub const HIGH_HZ: f64 = 20_000.0;
const TICKS_HZ: [(f64, &str); 10] = [
    (20.0, "20"),
    (50.0, "50"),
    (100.0, "100"),
    (200.0, "200"),
    (500.0, "500"),
    (1000.0, "1k"),
    (2000.0, "2k"),
    (5000.0, "5k"),
    (10_000.0, "10k"),
    (20_000.0, "20k"),
];
/// What is further below the highest curve than this is beside the point.
const TALLEST_DB: f64 = 50.0;
/// Of curves of a cabin.
pub const LEAST_SPAN_DB: f64 = 30.0;

/// Between the middles of two words at the frequency axis.
const ROOM_OF_A_TICK: f64 = 19.0;

/// Where frequencies and levels lie in the picture.
pub struct Axes {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
    pub low_db: f64,
    pub high_db: f64,
}

impl Axes {
    /// Axes that hold every curve of `board` inside its band.
    pub fn around(board: &Board<'_>) -> Self {
        let shown = |hz: f64| (board.band_hz.0..=board.band_hz.1).contains(&hz);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut hold = |level: f64| {
            if level.is_finite() {
                (low, high) = (low.min(level), high.max(level));
            }
        };
        for line in &board.lines {
            let points = line.curve.frequency_hz.iter().zip(&line.curve.level_db);
            points.filter(|(hz, _)| shown(**hz)).for_each(|(_, level)| hold(*level));
        }
        if let Some(target) = board.corridor {
            for (hz, _) in TICKS_HZ.iter().filter(|(hz, _)| shown(*hz)) {
                let level = target.level_at_db(*hz);
                hold(level + target.tolerance_db);
                hold(level - target.tolerance_db);
            }
        }
        if low > high {
            (low, high) = (-board.least_span_db / 2.0, board.least_span_db / 2.0);
        }
        // What is missing to the least span goes to both sides alike.
        let missing = ((board.least_span_db - (high - low)) / 2.0 - 1.0).max(0.0);
        let high_db = ((high + missing + 1.0) / 5.0).floor() * 5.0;
        let high_db = if high_db < high + 1.0 { high_db + 5.0 } else { high_db };
        let low_db =
            (((low - 1.0) / 5.0).floor() * 5.0).max(high_db - TALLEST_DB).min(high_db - board.least_span_db);
        let (width, height) = board.size;
        Self { left: 30.0, right: width - 62.0, top: 18.0, bottom: height - 18.0, low_db, high_db }
    }

    pub fn x(&self, hz: f64) -> f64 {
        let share = (hz / LOW_HZ).ln() / (HIGH_HZ / LOW_HZ).ln();
        self.left + share.clamp(0.0, 1.0) * (self.right - self.left)
    }

    /// Levels beyond the axis lie on its edge.
    pub fn y(&self, level_db: f64) -> f64 {
        let share = (level_db - self.low_db) / (self.high_db - self.low_db);
        self.bottom - share.clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Grid, ticks, and their words.
    pub fn draw(&self, svg: &mut String) {
        for decade in [10.0, 100.0, 1000.0, 10_000.0] {
            for hz in (1..10).map(|digit| decade * f64::from(digit)) {
                if (LOW_HZ..=HIGH_HZ).contains(&hz) {
                    let ticked = TICKS_HZ.iter().any(|(tick, _)| *tick == hz);
                    let width = if ticked { 0.7 } else { 0.3 };
                    stroke(svg, (self.x(hz), self.top), (self.x(hz), self.bottom), ink::LINE, width);
                }
            }
        }
        // In a narrow picture there is no room for all of the words.
        let mut last = f64::NEG_INFINITY;
        for (hz, words) in TICKS_HZ {
            let x = self.x(hz);
            if x - last > ROOM_OF_A_TICK {
                text(svg, (x, self.bottom + 12.0), "middle", ink::TEXT, false, words);
                last = x;
            }
        }
        text(svg, (self.right + 14.0, self.bottom + 12.0), "start", ink::QUIET, false, "Hz");
        let step = if self.high_db - self.low_db > LEAST_SPAN_DB { 10.0 } else { 5.0 };
        let mut level = (self.low_db / step).ceil() * step;
        while level <= self.high_db {
            let width = if level == 0.0 { 1.2 } else { 0.6 };
            stroke(svg, (self.left, self.y(level)), (self.right, self.y(level)), ink::LINE, width);
            let words = match level {
                level if level < 0.0 => format!("\u{2212}{}", level.abs()),
                level if level > 0.0 => format!("+{level}"),
                _ => "0".to_owned(),
            };
            text(svg, (self.left - 5.0, self.y(level) + 3.0), "end", ink::TEXT, false, &words);
            level += step;
        }
        text(svg, (self.left - 5.0, self.top - 7.0), "end", ink::QUIET, false, "dB");
    }
}
