//! The source stage.

use std::sync::Arc;

use dsp::curve::Curve;

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct SourcePage {
    /// The output whose curve is on top; all of them without.
    pub shown: Option<String>,
    /// The undoing, as the processor would play it, per side.
    pub undo: Option<Arc<Curve>>,
    /// The undoing is in the processor.
    pub entered: bool,
}
