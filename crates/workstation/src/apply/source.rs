//! The factory's signal.

use super::{sound, think};
use crate::commands::SourceCommand;
use crate::state::State;
use crate::work::{Order, Sound, Think};

pub fn apply(command: SourceCommand, state: &mut State) -> Vec<Order> {
    match command {
        SourceCommand::Take => sound(state, Sound::Source, "Taking the factory signal".into(), true),
        SourceCommand::WorkOut => think(state, Think::WorkOut, "Working out what the factory did"),
        SourceCommand::Enter => sound(state, Sound::EnterUndo, "Entering the undoing".into(), false),
        SourceCommand::Show(name) => {
            state.source.shown = name;
            Vec::new()
        }
    }
}
