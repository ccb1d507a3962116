//! A figure with its unit: aligned on the decimal mark, the unit in a quieter ink.

use crate::flow::{Flow, Style};
use crate::ink;

/// Draws `value`, such as `−6.5 dB`, with its decimal mark at `mark`. What is not a number begins at `start`.
pub fn figure(
    flow: &mut Flow<'_>,
    (start, mark, unit_at): (f32, f32, f32),
    y: f32,
    style: Style,
    value: &str,
) {
    let (number, unit) = value.split_once(' ').unwrap_or((value, ""));
    if number.is_empty()
        || !number.trim_start_matches(['+', '\u{2212}']).starts_with(|c: char| c.is_ascii_digit())
    {
        flow.words_at(start, y, style, value);
        return;
    }
    let (whole, part) = number.find('.').map_or((number, ""), |at| number.split_at(at));
    flow.words_ending_at(mark, y, style, whole);
    flow.words_at(mark, y, style, part);
    flow.words_at(unit_at, y, Style { ink: ink::QUIET, ..style }, unit);
}
