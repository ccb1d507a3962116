//! The numbers: sweeps, responses, averages, corrections.
//!
//! Pure computation on slices of `f64`: no input or output, no clock, no globals, no screen. Levels are
//! in decibels, times in seconds or milliseconds, frequencies in hertz; the unit is in the name.

pub mod curve;
pub mod filter;
pub mod limits;
pub mod spectrum;
pub mod target;
pub mod tune;
pub mod verdict;
