//! What a board shows.

use std::sync::Arc;

use dsp::curve::Curve;
use dsp::tune::LeftAlone;

use super::View;

/// What a curve stands for; decides its ink and its dash.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// As it was: dashed, cool.
    Before,
    /// As measured now: solid, warm.
    After,
    /// As the tune is expected to make it: dotted, warm.
    Predicted,
    /// The one the user is busy with: solid, ink.
    Chosen,
    /// One of several beside it, told apart by name and by dash.
    Beside(u8),
}

/// One curve and its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Stands at the curve's right end.
    pub name: String,
    /// What it stands for.
    pub ink: Ink,
    /// The levels, with their interval where it is known.
    pub curve: Arc<Curve>,
    /// Added to every level, so that curves of one take keep their distance while the whole is brought into view.
    pub shift_db: f64,
}

/// The correction itself, under the curves on the same axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// What the strip shows, in a word or two.
    pub name: String,
    /// Gain over frequency.
    pub curve: Arc<Curve>,
    /// Half the strip's height.
    pub reach_db: f64,
}

/// One point of the target that can be dragged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Handle {
    /// Where it is.
    pub frequency_hz: f64,
    /// On the board, with the target's fitted level added.
    pub level_db: f64,
}

/// All of it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Board {
    /// Drawn in order; the last lies on top.
    pub traces: Vec<Trace>,
    /// Centre of the target's corridor.
    pub target: Option<Arc<Curve>>,
    /// Half the corridor's height.
    pub tolerance_db: f64,
    /// Points of the target; empty unless it is being shaped.
    pub handles: Vec<Handle>,
    /// Hatched regions with their reasons.
    pub left_alone: Vec<LeftAlone>,
    /// The correction.
    pub strip: Option<Strip>,
    /// Unit of the level axis.
    pub unit: &'static str,
    /// True when any curve comes from a simulation.
    pub simulated: bool,
    /// What to say while there are no curves.
    pub empty: String,
}

/// What the user did to a board.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BoardCommand {
    /// Look at another part.
    Look(View),
    /// See all again.
    SeeAll,
    /// Move the reading line by keyboard, or take it away.
    Read(Option<f64>),
    /// Drag a point of the target; frequency and level as on the board.
    MoveHandle {
        /// Which point.
        index: usize,
        /// To this frequency.
        frequency_hz: f64,
        /// To this level on the board.
        level_db: f64,
    },
    /// The point was let go: one step to undo.
    DropHandle,
}

impl Board {
    /// The trace that shows `ink`, if there is exactly one.
    pub fn only(&self, ink: Ink) -> Option<&Trace> {
        let mut found = self.traces.iter().filter(|t| t.ink == ink);
        found.next().filter(|_| found.next().is_none())
    }
}

impl Trace {
    /// Level on the board at `frequency_hz`.
    pub fn level_at_db(&self, frequency_hz: f64) -> Option<f64> {
        Some(self.curve.level_at_db(frequency_hz)? + self.shift_db)
    }
}
