//! A chip: one of a few things to choose among, with a mark for how far it is.

use eframe::egui::{Rect, Response, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2};

use super::mark::{Mark, mark};
use crate::commands::Command;
use crate::theme::{CARD_INSET, CORNER, LEAST_TARGET, Size, Tokens, tokens};

/// Draws a chip; choosing it pushes `command`.
pub fn chip(
    ui: &mut Ui,
    words: &str,
    state: Option<(Mark, &str)>,
    chosen: bool,
    command: Command,
    out: &mut Vec<Command>,
) -> Response {
    let t = tokens(ui);
    let font = if chosen { Size::Body.bold() } else { Size::Body.regular() };
    let galley = ui.painter().layout_no_wrap(words.to_owned(), font, t.ink);
    let mark_room = if state.is_some() { 20.0 } else { 0.0 };
    let size = vec2(galley.size().x + mark_room + 2.0 * CARD_INSET, LEAST_TARGET);
    let (rect, response) = ui.allocate_exact_size(size, Sense::click());
    let spoken = state.map_or_else(|| words.to_owned(), |(_, word)| format!("{words}, {word}"));
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, ui.is_enabled(), chosen, &spoken));
    ground(ui, rect, &response, chosen, t);
    let mut left = rect.left() + CARD_INSET;
    if let Some((shape, _)) = state {
        mark(ui.painter(), pos2(left + 6.0, rect.center().y), shape, t);
        left += mark_room;
    }
    let ink = if chosen { t.focus } else { t.ink };
    ui.painter().galley_with_override_text_color(
        pos2(left, rect.center().y - galley.size().y / 2.0),
        galley,
        ink,
    );
    if response.clicked() {
        out.push(command);
    }
    response
}

fn ground(ui: &Ui, rect: Rect, response: &Response, chosen: bool, t: &Tokens) {
    let edge = match (chosen, response.has_focus(), response.hovered()) {
        (_, true, _) => Stroke::new(2.5, t.focus),
        (true, ..) => Stroke::new(1.5, t.focus),
        (_, _, true) => Stroke::new(1.0, t.quiet),
        _ => Stroke::new(1.0, t.line),
    };
    let fill = if chosen { Tokens::wash(t.focus) } else { t.card };
    ui.painter().rect(rect, CORNER, fill, edge, StrokeKind::Inside);
}
