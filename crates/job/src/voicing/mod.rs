//! Voicing: what levels, crossovers, delays, polarity and correction?

mod align;
mod predict;
mod propose;
mod save;
mod start;
mod target_error;

pub use align::{Voiced, align, set_levels};
pub use dsp::spectrum::Bins;
pub(crate) use predict::inner_band;
pub use predict::{Prediction, SMOOTHING_PER_OCTAVE, Scope, average_of, curve_grid_hz, predict};
pub use propose::{Proposal, heard_band, propose};
pub use save::save_tune;
pub use start::start_tune;
pub use target_error::{TargetError, fit_target, gained, target_error};
