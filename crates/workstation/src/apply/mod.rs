//! The one place where commands are carried out.

use eframe::egui::{Context, ThemePreference};

use crate::board::{BoardCommand, View};
use crate::commands::Command;
use crate::state::{Overlay, State};

/// Carries out one command.
pub fn apply(command: Command, state: &mut State, ctx: &Context) {
    match command {
        Command::Go(stage) => state.stage = stage,
        Command::ChangeTheme => {
            let dark = !ctx.global_style().visuals.dark_mode;
            state.dark = Some(dark);
            ctx.set_theme(if dark { ThemePreference::Dark } else { ThemePreference::Light });
        }
        Command::ShowKeys(shown) => state.overlay = if shown { Overlay::Keys } else { Overlay::None },
        Command::ShowCustomer(shown) => state.overlay = if shown { Overlay::Customer } else { Overlay::None },
        Command::Dismiss => state.notice = None,
        Command::Board(command) => board(command, state),
        Command::Undo | Command::Redo | Command::StopSound => {}
    }
}

fn board(command: BoardCommand, state: &mut State) {
    let whole = View::whole(&state.board);
    let view = state.views[state.stage.index()].get_or_insert(whole);
    match command {
        BoardCommand::Look(closer) => *view = closer,
        BoardCommand::SeeAll => *view = View { reading_hz: view.reading_hz, ..whole },
        BoardCommand::Read(hz) => view.reading_hz = hz,
        BoardCommand::MoveHandle { .. } | BoardCommand::DropHandle => {}
    }
}
