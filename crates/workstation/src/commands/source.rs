//! The factory's signal.

/// What can be asked of the source stage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SourceCommand {
    /// Play through the head unit and record its outputs.
    Take,
    /// Find out what the factory did.
    WorkOut,
    /// Put the undoing into the processor's input.
    Enter,
    /// Put one output on top.
    Show(Option<String>),
}

impl SourceCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Take => "Take the factory signal".into(),
            Self::WorkOut => "Work it out".into(),
            Self::Enter => "Enter the undoing".into(),
            Self::Show(None) => "All outputs".into(),
            Self::Show(Some(name)) => name.clone(),
        }
    }
}
