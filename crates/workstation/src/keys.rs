//! Keys that work anywhere, and the page that lists them.

use eframe::egui::{Context, Event, Frame, Id, Key, Margin, Modal, Modifiers, Ui};

use crate::commands::{CabinCommand, Command, HandoverCommand};
use crate::stages::Stage;
use crate::state::{Overlay, State, next_step};
use crate::theme::{CORNER, EDGE, GRID, Size, bold, plain, tokens};
use crate::widgets::action;

/// Commands whose key was pressed in this frame.
pub fn pressed(ctx: &Context, state: &State, out: &mut Vec<Command>) {
    // Escape silences before anything else looks at it, wherever the keyboard is.
    if ctx.input(|i| i.key_pressed(Key::Escape)) {
        out.push(Command::StopSound);
        match state.overlay {
            Overlay::None => {}
            Overlay::Keys => out.push(Command::ShowKeys(false)),
            Overlay::Customer => out.push(Command::ShowCustomer(false)),
        }
    }
    if ctx.input_mut(|i| i.consume_key(Modifiers::NONE, Key::F11)) {
        out.push(Command::ShowCustomer(state.overlay != Overlay::Customer));
    }
    if ctx.egui_wants_keyboard_input() {
        return;
    }
    for command in [Command::Redo, Command::Undo] {
        if command.shortcut().is_some_and(|key| ctx.input_mut(|i| i.consume_shortcut(&key))) {
            out.push(command);
        }
    }
    // The question mark sits on another key, with or without shift, from keyboard to keyboard: go by what was typed.
    if ctx.input(|i| i.events.iter().any(|e| matches!(e, Event::Text(t) if t == "?"))) {
        out.push(Command::ShowKeys(state.overlay != Overlay::Keys));
    }
    seat_keys(ctx, state, out);
    next_step_key(ctx, state, out);
    if state.stage == Stage::Handover
        && state.handover.typing
        && state.overlay == Overlay::None
        && ctx.input_mut(|i| i.consume_key(Modifiers::NONE, Key::T))
    {
        out.push(Command::Handover(HandoverCommand::TickNext));
    }
    for stage in Stage::ALL {
        if ctx.input_mut(|i| i.consume_key(Modifiers::NONE, stage.key())) {
            out.push(Command::Go(stage));
        }
    }
}

/// Space takes and Backspace retakes where there are positions, unless a control has the keyboard.
fn seat_keys(ctx: &Context, state: &State, out: &mut Vec<Command>) {
    let seat = matches!(state.stage, Stage::Cabin | Stage::Handover) && state.open.is_some();
    if !seat || state.overlay != Overlay::None || ctx.memory(|m| m.focused().is_some()) {
        return;
    }
    for command in [CabinCommand::Take, CabinCommand::Retake].map(Command::Cabin) {
        if command.shortcut().is_some_and(|key| ctx.input_mut(|i| i.consume_shortcut(&key))) {
            out.push(command);
        }
    }
}

/// Enter takes the next step, unless a control has the keyboard.
fn next_step_key(ctx: &Context, state: &State, out: &mut Vec<Command>) {
    if state.overlay != Overlay::None || state.is_busy() || ctx.memory(|m| m.focused().is_some()) {
        return;
    }
    if ctx.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Enter)) {
        out.extend(next_step(state).command);
    }
}

/// Every key and what it does.
pub const KEYS: [(&str, &str); 14] = [
    ("Enter", "take the next step"),
    ("Space", "take the next position"),
    ("Backspace", "take the last position again"),
    ("Esc", "stop the sound, from anywhere"),
    ("1 to 5", "go to a stage"),
    ("Tab, Shift+Tab", "go to the next or the last control"),
    ("Space, Enter", "press the control that has the ring"),
    ("Left, Right", "move the reading line of the board"),
    ("+, −, Home", "look closer, further, see all"),
    ("T", "tick the next line of the entry sheet"),
    ("Ctrl+Z", "undo"),
    ("Ctrl+Shift+Z", "redo"),
    ("F11", "show the customer, or come back"),
    ("?", "show or hide these keys"),
];

/// The list of keys over everything.
pub fn overlay(ui: &Ui, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let frame = Frame::new().fill(t.card).corner_radius(CORNER).inner_margin(Margin::same(EDGE as i8));
    let closed = Modal::new(Id::unique("keys")).frame(frame).show(ui.ctx(), |ui| {
        ui.set_width(460.0);
        ui.label(bold("Keys", Size::Large, t.ink));
        ui.add_space(2.0 * GRID);
        eframe::egui::Grid::new("keys").num_columns(2).min_row_height(24.0).spacing([24.0, 4.0]).show(
            ui,
            |ui| {
                for (key, what) in KEYS {
                    ui.label(bold(key, Size::Body, t.ink));
                    ui.label(plain(what, Size::Body, t.ink));
                    ui.end_row();
                }
            },
        );
        ui.add_space(2.0 * GRID);
        ui.label(plain("Everything is saved as it happens; there is no key for it.", Size::Small, t.quiet));
        ui.add_space(2.0 * GRID);
        action(ui, Command::ShowKeys(false), true, out);
    });
    if closed.should_close() {
        out.push(Command::ShowKeys(false));
    }
}
