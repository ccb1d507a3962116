//! Voicing: what levels, crossovers, delays, polarity and correction?

mod align;
mod compare;
mod crossovers;
mod ears;
#[cfg(test)]
mod invented;
mod join;
mod meeting;
mod pairs;
mod predict;
mod propose;
mod refine;
mod save;
mod seats;
mod set_up;
mod slopes;
mod start;
mod system;
mod tape;
mod taps;
mod target_error;
mod visit;

pub use align::{Voiced, align, set_levels};
pub use compare::{ChangeCurve, Changed, TuneComparison, compare};
pub use crossovers::{CrossoverAdvice, propose_crossovers};
pub use dsp::spectrum::Bins;
pub use dsp::system::Tapped;
pub use ears::{AtTheEars, at_the_ears};
pub use join::{Joined, Joint, RunnerUp, join, join_again};
pub(crate) use predict::inner_band;
pub use predict::{Prediction, SMOOTHING_PER_OCTAVE, Scope, average_of, curve_grid_hz, predict};
pub use propose::{Proposal, heard_band, propose, propose_quickly, propose_with_taps};
pub use refine::{FOLLOW, Refined, Refinement, THOROUGH, refine, whole_error_db};
pub use save::save_tune;
pub use seats::{SeatShare, TwoSeats, two_seats};
pub use set_up::{SetUp, Taps, Wish, set_up};
pub use slopes::{away_from_slope, reach_slopes, sharing};
pub use start::start_tune;
pub use tape::cross_check;
pub use taps::{NO_TAPS, has_taps, reason as taps_reason, tap, without_taps};
pub use target_error::{TargetError, fit_target, gained, target_error};
pub use visit::{Made, VisitOrder, Voicing, curves_at_other_seat, set_up_visit};
