//! The five stages of a visit, a screen each.

mod cabin;
mod entry_sheet;
mod garage_page;
mod handover;
mod intake;
mod next_card;
mod seat_plan;
mod source;
mod voicing;

use eframe::egui::{Key, Ui, Vec2};

use crate::board::{self, Board, View};
use crate::commands::Command;
use crate::state::State;
use crate::theme::CARD_GAP;

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
    if state.open.is_none() {
        return garage_page::centre(ui, state, out);
    }
    match state.stage {
        Stage::Intake => intake::centre(ui, state, out),
        Stage::Source => source::centre(ui, state, out),
        Stage::Cabin => cabin::centre(ui, state, out),
        Stage::Voicing => voicing::centre(ui, state, out),
        Stage::Handover => handover::centre(ui, state, out),
    }
}

/// The card on the right: the one next step, then what belongs to the stage.
pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = CARD_GAP;
    next_card::show(ui, state, out);
    if state.open.is_none() {
        return;
    }
    match state.stage {
        Stage::Intake => intake::side(ui, state, out),
        Stage::Source => source::side(ui, state, out),
        Stage::Cabin => cabin::side(ui, state, out),
        Stage::Voicing => voicing::side(ui, state, out),
        Stage::Handover => handover::side(ui, state, out),
    }
}

/// The curve board of a stage, for the screen and for the commands that act on it.
pub fn board_of(state: &State) -> Board {
    match state.stage {
        Stage::Intake => Board::default(),
        Stage::Source => source::board(state),
        Stage::Cabin => cabin::board(state),
        Stage::Voicing => voicing::board(state),
        Stage::Handover => handover::board(state),
    }
}

/// Draws a stage's board in `room`.
fn show_board(ui: &mut Ui, state: &State, room: Vec2, out: &mut Vec<Command>) {
    let board = board_of(state);
    let view = state.views[state.stage.index()].unwrap_or_else(|| View::whole(&board));
    out.extend(board::show(ui, &board, &view, room).into_iter().map(Command::Board));
}

pub use handover::{change_words, proof as proof_of, shown as proof_side};
pub use intake::usual_rig;
pub use source::{recordings_ready, recordings_wanted};
pub use voicing::crossover_at;
