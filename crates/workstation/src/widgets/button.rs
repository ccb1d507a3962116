//! Buttons: a verb each.

use eframe::egui::{Button, Direction, Layout, Response, Stroke, Ui, vec2};

use crate::commands::Command;
use crate::theme::{Size, Tokens, bold, plain, tokens};

/// A button for `command`, with its own words and, on hover, its key.
pub fn action(ui: &mut Ui, command: Command, enabled: bool, out: &mut Vec<Command>) -> Response {
    let t = tokens(ui);
    let button = Button::new(plain(command.label(), Size::Body, if enabled { t.ink } else { t.quiet }));
    show(ui, button, command, enabled, out)
}

/// The one thing to do next: filled, as wide as the room, in its own words or in `label`.
pub fn primary(
    ui: &mut Ui,
    command: Command,
    label: Option<&str>,
    height: f32,
    out: &mut Vec<Command>,
) -> Response {
    let t = tokens(ui);
    let words = label.map_or_else(|| command.label(), str::to_owned);
    let button = Button::new(bold(words, Size::Body, t.paper)).fill(t.ink).stroke(Stroke::new(1.0, t.ink));
    let size = vec2(ui.available_width(), height);
    let centred = Layout::centered_and_justified(Direction::LeftToRight);
    ui.allocate_ui_with_layout(size, centred, |ui| show(ui, button, command, true, out)).inner
}

/// A button without an edge, for what is seldom wanted.
pub fn quiet(ui: &mut Ui, command: Command, enabled: bool, out: &mut Vec<Command>) -> Response {
    let button = Button::new(plain(command.label(), Size::Body, tokens(ui).quiet)).frame_when_inactive(false);
    show(ui, button, command, enabled, out)
}

fn show(
    ui: &mut Ui,
    button: Button<'_>,
    command: Command,
    enabled: bool,
    out: &mut Vec<Command>,
) -> Response {
    let mut response = ui.add_enabled(enabled, button);
    if let Some(key) = command.shortcut() {
        response = response.on_hover_text(ui.ctx().format_shortcut(&key));
    }
    if response.has_focus() {
        focus_ring(ui, &response, tokens(ui));
    }
    if response.clicked() {
        out.push(command);
    }
    response
}

/// A ring around what has the keyboard.
pub fn focus_ring(ui: &Ui, response: &Response, t: &Tokens) {
    let stroke = Stroke::new(2.0, t.focus);
    ui.painter().rect_stroke(response.rect.expand(2.0), 8.0, stroke, eframe::egui::StrokeKind::Outside);
}
