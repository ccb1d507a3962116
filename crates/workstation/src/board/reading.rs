//! What the reading line says.

use super::axis::signed;
use super::{Board, Trace};

/// One line beside the reading line: a name, a figure, its interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The curve.
    pub name: String,
    /// Figure with one decimal, no unit.
    pub level: String,
    /// `±0.8` or nothing.
    pub interval: String,
}

/// The frequency as a tuner says it, with its unit.
pub fn frequency_words(hz: f64) -> String {
    match hz {
        f if f >= 10_000.0 => format!("{:.1} kHz", f / 1000.0),
        f if f >= 1000.0 => format!("{:.2} kHz", f / 1000.0),
        f if f >= 100.0 => format!("{f:.0} Hz"),
        f => format!("{f:.1} Hz"),
    }
}

/// Every curve's level at `hz`, from the top of the board down.
pub fn reading_lines(board: &Board, hz: f64) -> Vec<Reading> {
    let mut lines: Vec<(f64, Reading)> = board.traces.iter().filter_map(|t| line(t, hz)).collect();
    lines.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut lines: Vec<Reading> = lines.into_iter().map(|(_, line)| line).collect();
    if let Some(level) = board.target.as_ref().and_then(|t| t.level_at_db(hz)) {
        let interval = format!("±{:.1}", board.tolerance_db);
        lines.push(Reading { name: "target".into(), level: signed(level, 1), interval });
    }
    if let Some(strip) = &board.strip
        && let Some(gain) = strip.curve.level_at_db(hz)
    {
        lines.push(Reading { name: strip.name.clone(), level: signed(gain, 1), interval: String::new() });
    }
    lines
}

fn line(trace: &Trace, hz: f64) -> Option<(f64, Reading)> {
    let level = trace.level_at_db(hz).filter(|l| l.is_finite())?;
    let interval = trace.curve.spread_at_db(hz).map(|s| format!("±{s:.1}")).unwrap_or_default();
    Some((level, Reading { name: trace.name.clone(), level: signed(level, 1), interval }))
}

/// Why a region is left alone, where `hz` lies in one.
pub fn reason_at(board: &Board, hz: f64) -> Option<&str> {
    board.left_alone.iter().find(|r| (r.from_hz..=r.to_hz).contains(&hz)).map(|r| r.reason.as_str())
}

/// The board in words, for those who do not see it.
pub fn spoken(board: &Board, reading_hz: Option<f64>) -> String {
    if board.traces.is_empty() {
        return format!("Curve board. {}", board.empty);
    }
    let Some(hz) = reading_hz else {
        let names: Vec<&str> = board.traces.iter().map(|t| t.name.as_str()).collect();
        return format!("Curve board: {}. Arrow keys move the reading line.", names.join(", "));
    };
    let mut words = format!("At {}", frequency_words(hz));
    for line in reading_lines(board, hz) {
        words.push_str(&format!(", {} {} {} {}", line.name, line.level, board.unit, line.interval));
    }
    if let Some(reason) = reason_at(board, hz) {
        words.push_str(&format!(". Left alone: {reason}"));
    }
    words
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use dsp::curve::Curve;

    use super::super::Ink;
    use super::*;

    fn board() -> Board {
        let mut curve = Curve::of_levels(vec![20.0, 20_000.0], vec![-3.0, -3.0]);
        curve.spread_db = Some(vec![0.8, 0.8]);
        let trace = Trace { name: "Left".into(), ink: Ink::Before, curve: Arc::new(curve), shift_db: 0.0 };
        Board { traces: vec![trace], unit: "dB", ..Board::default() }
    }

    #[test]
    fn every_curve_is_named_with_its_interval() {
        let lines = reading_lines(&board(), 63.0);
        assert_eq!(lines, [Reading { name: "Left".into(), level: "−3.0".into(), interval: "±0.8".into() }]);
    }

    #[test]
    fn the_board_speaks() {
        assert_eq!(spoken(&board(), Some(63.0)), "At 63.0 Hz, Left −3.0 dB ±0.8");
        assert!(spoken(&board(), None).starts_with("Curve board: Left."));
    }
}
