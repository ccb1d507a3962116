//! Everything a user can ask for, a small list per area. Label and key live here and nowhere else.

mod cabin;
mod garage;
mod handover;
mod intake;
mod source;
mod voicing;

pub use cabin::CabinCommand;
pub use garage::GarageCommand;
pub use handover::HandoverCommand;
pub use intake::{ChannelEdit, IntakeCommand, RigEdit, SheetEdit};
pub use source::SourceCommand;
pub use voicing::{TargetEdit, TuneEdit, VoicingCommand};

use eframe::egui::{Key, KeyboardShortcut, Modifiers};

use crate::board::BoardCommand;
use crate::stages::Stage;

/// One wish.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Show a stage.
    Go(Stage),
    /// The other theme.
    ChangeTheme,
    /// Take back the last edit.
    Undo,
    /// Do it again.
    Redo,
    /// Silence, at once.
    StopSound,
    /// Show or hide the list of keys.
    ShowKeys(bool),
    /// Show or leave the customer's view.
    ShowCustomer(bool),
    /// Put a message away.
    Dismiss,
    /// Something done to the stage's curve board.
    Board(BoardCommand),
    /// Garages, cars, visits.
    Garage(GarageCommand),
    /// The job card.
    Intake(IntakeCommand),
    /// The factory's signal.
    Source(SourceCommand),
    /// Takes at the seat; also those of the handover.
    Cabin(CabinCommand),
    /// The tune.
    Voicing(VoicingCommand),
    /// Proof and report.
    Handover(HandoverCommand),
}

const COMMAND: Modifiers = Modifiers::COMMAND;

impl Command {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Go(stage) => format!("Go to {}", stage.name().to_lowercase()),
            Self::ChangeTheme => "Light or dark".into(),
            Self::Undo => "Undo".into(),
            Self::Redo => "Redo".into(),
            Self::StopSound => "Stop sound".into(),
            Self::ShowKeys(true) => "Keys".into(),
            Self::ShowKeys(false) => "Close".into(),
            Self::ShowCustomer(true) => "Show the customer".into(),
            Self::ShowCustomer(false) => "Leave the customer's view".into(),
            Self::Dismiss => "Put away".into(),
            Self::Board(_) => "Curve board".into(),
            Self::Garage(command) => command.label(),
            Self::Intake(command) => command.label(),
            Self::Source(command) => command.label(),
            Self::Cabin(command) => command.label(),
            Self::Voicing(command) => command.label(),
            Self::Handover(command) => command.label(),
        }
    }

    /// True for what a hand drags or types and an eye follows.
    pub fn is_under_the_hand(&self) -> bool {
        let board = matches!(self, Self::Board(BoardCommand::MoveHandle { .. }));
        let plan = matches!(self, Self::Source(SourceCommand::Plan(_)));
        let walk = matches!(self, Self::Undo | Self::Redo);
        board
            || plan
            || walk
            || matches!(self, Self::Voicing(VoicingCommand::Edit(_) | VoicingCommand::Target(_)))
    }

    /// The key that does it, where there is one.
    pub fn shortcut(&self) -> Option<KeyboardShortcut> {
        let plain = |key| Some(KeyboardShortcut::new(Modifiers::NONE, key));
        match self {
            Self::Go(stage) => plain(stage.key()),
            Self::Undo => Some(KeyboardShortcut::new(COMMAND, Key::Z)),
            Self::Redo => Some(KeyboardShortcut::new(COMMAND | Modifiers::SHIFT, Key::Z)),
            Self::StopSound => plain(Key::Escape),
            Self::ShowKeys(_) => plain(Key::Questionmark),
            Self::ShowCustomer(_) => plain(Key::F11),
            Self::Cabin(CabinCommand::Take) => plain(Key::Space),
            Self::Cabin(CabinCommand::Retake) => plain(Key::Backspace),
            _ => None,
        }
    }
}
