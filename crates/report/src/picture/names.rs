//! What stands beside the curves.

use super::axes::{Axes, HIGH_HZ};
use super::curves::shown;
use super::{Board, stroke, text};
use crate::ink::{self, Ink};
use crate::words;

/// From one name to the next.
const APART: f64 = 10.5;

struct Name {
    place: f64,
    end: (f64, f64),
    ink: Ink,
    words: String,
}

/// Names at the right ends, moved apart where they would touch, with a hairline to the curve.
pub fn at_the_ends(board: &Board<'_>, axes: &Axes, svg: &mut String) {
    let mut names: Vec<Name> = Vec::new();
    let mut add = |hz: f64, level: f64, ink, words| {
        let end = (axes.x(hz), axes.y(level));
        names.push(Name { place: end.1, end, ink, words });
    };
    for line in &board.lines {
        if let Some((_, hz, level)) = shown(line.curve, board.band_hz).next_back() {
            add(hz, level, line.ink, line.name.to_owned());
        }
    }
    if let Some(target) = board.corridor {
        let hz = board.band_hz.1.min(HIGH_HZ);
        add(hz, target.level_at_db(hz), ink::CORRIDOR, format!("target ±{}", target.tolerance_db));
    }
    names.sort_by(|a, b| a.place.total_cmp(&b.place));
    let mut free = axes.top + 3.0;
    for name in &mut names {
        name.place = name.place.max(free);
        free = name.place + APART;
    }
    let mut ceiling = axes.bottom - 1.0;
    for name in names.iter_mut().rev() {
        name.place = name.place.min(ceiling);
        ceiling = name.place - APART;
    }
    for name in names {
        stroke(svg, name.end, (axes.right + 8.0, name.place), name.ink, 0.5);
        text(svg, (axes.right + 11.0, name.place + 3.0), "start", name.ink, false, &name.words);
    }
}

/// The title above, and SIMULATED where it is.
pub fn title(board: &Board<'_>, axes: &Axes, svg: &mut String) {
    let title = words::sentence_case(board.title);
    text(svg, (axes.left, axes.top - 7.0), "start", ink::TEXT, true, &title);
    if board.simulated {
        text(svg, (axes.right, axes.top - 7.0), "end", ink::WARN, true, "SIMULATED");
    }
}
