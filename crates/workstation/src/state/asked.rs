//! An answer on its way that follows the hand: one at a time, the latest wish last.

/// What was asked of the analysis, such as a correction for a target or an undoing for a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// Its number.
    pub number: u64,
    /// What it is for has changed again meanwhile.
    pub moved_on: bool,
}
