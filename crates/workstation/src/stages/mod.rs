//! The five stages of a visit, a screen each.

use eframe::egui::{Key, Ui};

use crate::board::{self, View};
use crate::commands::Command;
use crate::state::State;

/// One of the five.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub enum Stage {
    /// What car, what rig, what wishes, is the bay fit to measure in?
    #[default]
    Intake,
    /// What did the factory do to the signal, and how is it undone?
    Source,
    /// What reaches the seat from each speaker?
    Cabin,
    /// What levels, crossovers, delays, polarity and correction?
    Voicing,
    /// Is it better, by how much, how sure are we, what was done?
    Handover,
}

impl Stage {
    /// In working order.
    pub const ALL: [Self; 5] = [Self::Intake, Self::Source, Self::Cabin, Self::Voicing, Self::Handover];

    /// As it stands in the list.
    pub fn name(self) -> &'static str {
        match self {
            Self::Intake => "Intake",
            Self::Source => "Source",
            Self::Cabin => "Cabin",
            Self::Voicing => "Voicing",
            Self::Handover => "Handover",
        }
    }

    /// Place in the list, from 0.
    pub fn index(self) -> usize {
        self as usize
    }

    /// The digit that leads to it.
    pub fn key(self) -> Key {
        [Key::Num1, Key::Num2, Key::Num3, Key::Num4, Key::Num5][self.index()]
    }
}

/// The middle of the window: for most stages the curve board.
pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let view = state.views[state.stage.index()].unwrap_or_else(|| View::whole(&state.board));
    let room = ui.available_size();
    out.extend(board::show(ui, &state.board, &view, room).into_iter().map(Command::Board));
}

/// The card on the right: the one next step, then what belongs to it.
pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let _ = out;
    crate::widgets::card(ui, "What to do next", |ui| crate::widgets::hint(ui, state.stage.name()));
}
