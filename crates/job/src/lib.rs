//! The five stages as procedures; what the window and the command line both call.

pub mod align;
pub mod average;
pub mod devices;
pub mod gates;
pub mod handover;
pub mod intake;
pub mod judged;
pub mod noise;
pub mod voicing;
