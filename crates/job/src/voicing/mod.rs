//! Voicing: what levels, crossovers, delays, polarity and correction?

mod bins;
mod target_error;

pub use bins::Bins;
pub use target_error::{TargetError, fit_target, target_error};
