//! Everything a user can ask for. Label and key live here and nowhere else.

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
}

const COMMAND: Modifiers = Modifiers::COMMAND;

impl Command {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Go(stage) => stage.name().into(),
            Self::ChangeTheme => "Light or dark".into(),
            Self::Undo => "Undo".into(),
            Self::Redo => "Redo".into(),
            Self::StopSound => "Stop sound".into(),
            Self::ShowKeys(_) => "Keys".into(),
            Self::ShowCustomer(true) => "Show the customer".into(),
            Self::ShowCustomer(false) => "Leave the customer's view".into(),
            Self::Dismiss => "Put away".into(),
            Self::Board(_) => "Curve board".into(),
        }
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
            Self::ChangeTheme | Self::Dismiss | Self::Board(_) => None,
        }
    }
}
