//! The reading line and its small table.

use std::sync::Arc;

use eframe::egui::{Galley, Rect, Stroke, StrokeKind, Ui, pos2, vec2};

use super::super::Board;
use super::super::layout::Layout;
use super::super::reading::{frequency_words, reading_lines, reason_at};
use crate::theme::{CARD_INSET, CORNER, Size, Tokens};

const ROW: f32 = 20.0;
const GUTTER: f32 = 12.0;

pub fn paint(ui: &Ui, board: &Board, layout: &Layout, t: &Tokens, hz: f64) {
    let x = ui.painter().round_to_pixel_center(layout.x(hz));
    for rect in [Some(layout.plot), layout.difference, layout.strip].iter().flatten() {
        ui.painter().vline(x, rect.y_range(), Stroke::new(1.0, t.focus));
    }
    let lay = |words: &str, font, ink| ui.painter().layout_no_wrap(words.to_owned(), font, ink);
    let title = lay(&format!("{} {}", frequency_words(hz), ""), Size::Small.bold(), t.ink);
    let rows: Vec<[Arc<Galley>; 3]> = reading_lines(board, hz)
        .iter()
        .map(|line| {
            [
                lay(&line.name, Size::Small.regular(), t.ink),
                lay(&format!("{} {}", line.level, board.unit), Size::Small.regular(), t.ink),
                lay(&line.interval, Size::Small.regular(), t.quiet),
            ]
        })
        .collect();
    let width_of = |column: usize| rows.iter().map(|r| r[column].size().x).fold(0.0, f32::max);
    let columns = [width_of(0), width_of(1), width_of(2)];
    let table = columns.iter().sum::<f32>() + 2.0 * GUTTER;
    let reason = reason_at(board, hz).map(|words| {
        ui.painter().layout(format!("Left alone: {words}"), Size::Small.regular(), t.warn, table.max(220.0))
    });
    let width = table.max(title.size().x).max(reason.as_ref().map_or(0.0, |g| g.size().x));
    let height = ROW * (rows.len() + 1) as f32 + reason.as_ref().map_or(0.0, |g| g.size().y + 4.0);
    let size = vec2(width + 2.0 * CARD_INSET, height + 2.0 * 8.0);
    // On the far side of the line from the nearer edge, so that it never covers what is being read at.
    let left = if x + 12.0 + size.x < layout.plot.right() { x + 12.0 } else { x - 12.0 - size.x };
    let card = Rect::from_min_size(pos2(left, layout.plot.top() + 8.0), size);
    ui.painter().rect(card, CORNER, t.card, Stroke::new(1.0, t.line), StrokeKind::Inside);
    let mut at = card.min + vec2(CARD_INSET, 8.0);
    ui.painter().galley(at, title, t.ink);
    at.y += ROW;
    for [name, level, interval] in rows {
        ui.painter().galley(at, name, t.ink);
        // Levels have one decimal and one unit: flush right aligns them on the decimal mark.
        let level_at = at.x + columns[0] + GUTTER + columns[1] - level.size().x;
        ui.painter().galley(pos2(level_at, at.y), level, t.ink);
        let interval_at = at.x + columns[0] + columns[1] + 2.0 * GUTTER;
        ui.painter().galley(pos2(interval_at, at.y), interval, t.quiet);
        at.y += ROW;
    }
    if let Some(reason) = reason {
        ui.painter().galley(at + vec2(0.0, 4.0), reason, t.warn);
    }
}
