//! The numbers: sweeps, responses, averages, corrections.
//!
//! Pure computation on slices of `f64`: no input or output, no clock, no globals, no screen. Levels are
//! in decibels, times in seconds or milliseconds, frequencies in hertz; the unit is in the name.

pub mod air;
pub mod align;
pub mod average;
pub mod bands;
pub mod calibration;
pub mod correct;
pub mod curve;
pub mod decay;
pub mod decibel;
mod dot;
pub mod entry_check;
pub mod exposure;
pub mod factory;
pub mod filter;
pub mod fit;
pub mod limits;
pub mod measure;
pub mod noise;
pub mod roll_call;
pub mod spectrum;
pub mod step;
pub mod stimulus;
pub mod system;

pub mod target;
pub mod tune;
pub mod verdict;
pub mod weighting;
