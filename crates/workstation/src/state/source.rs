//! The source stage.

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct SourcePage {
    /// The output whose curve is on top; all of them without.
    pub shown: Option<String>,
    /// The undoing is in the processor.
    pub entered: bool,
}
