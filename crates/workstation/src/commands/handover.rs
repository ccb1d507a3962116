//! Proof and report.

/// What can be asked of the handover stage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HandoverCommand {
    /// Before, after and predicted from the takes.
    Prove,
    /// Put a side on the board.
    Side(String),
    /// Put the entry sheet in place of the curves, or the curves back.
    TypeIn(bool),
    /// Show the entry sheet of a channel.
    SheetOf(String),
    /// Tick the next line of the sheet.
    TickNext,
    /// Tick a line of the entry sheet.
    Tick(String, bool),
    /// Type in the report's field.
    EditReport(String),
    /// Ask the system's own dialog for the report's place.
    Browse,
    /// Write the report.
    WriteReport,
}

impl HandoverCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Prove => "Work out the proof".into(),
            Self::Side(name) => name.clone(),
            Self::TypeIn(true) => "Type it in".into(),
            Self::TypeIn(false) => "Back to the curves".into(),
            Self::SheetOf(channel) => channel.clone(),
            Self::TickNext => "Tick the next line".into(),
            Self::Tick(key, _) => key.clone(),
            Self::EditReport(_) => "Report file".into(),
            Self::Browse => "Choose file".into(),
            Self::WriteReport => "Write report".into(),
        }
    }
}
