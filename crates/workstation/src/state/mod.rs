//! Everything on the screen, as one plain value.

mod history;
mod notice;
mod rig_line;

pub use history::History;
pub use notice::{Notice, Tone};
pub use rig_line::RigLine;

use crate::board::{Board, View};
use crate::stages::Stage;

/// What lies over the stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overlay {
    /// Nothing.
    #[default]
    None,
    /// The list of keys.
    Keys,
    /// The customer's view.
    Customer,
}

/// How far a stage is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Progress {
    /// Nothing done yet.
    #[default]
    Open,
    /// Something done.
    Begun,
    /// All done.
    Done,
}

/// All of it. Cheap to clone: what is large is shared.
#[derive(Debug, Clone, Default)]
pub struct State {
    /// The stage on the screen.
    pub stage: Stage,
    /// How far each stage is.
    pub progress: [Progress; 5],
    /// What lies over it.
    pub overlay: Overlay,
    /// Dark, light, or as the system has it.
    pub dark: Option<bool>,
    /// Where each stage's board looks; nothing until it first has curves.
    pub views: [Option<View>; 5],
    /// The car and the visit in the top bar.
    pub heading: String,
    /// The rig in the top bar.
    pub rig: RigLine,
    /// The latest message.
    pub notice: Option<Notice>,
    /// The board of the stage on the screen.
    pub board: Board,
}
