//! Proof and report.

/// What can be asked of the handover stage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HandoverCommand {
    /// Before, after and predicted from the takes.
    Prove,
    /// Put a side on the board.
    Side(String),
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
            Self::Tick(key, _) => key.clone(),
            Self::EditReport(_) => "Report file".into(),
            Self::Browse => "Choose file".into(),
            Self::WriteReport => "Write report".into(),
        }
    }
}
