//! Intake: what car, what rig, what wishes, is the bay fit to measure in?

mod conditions;

pub use conditions::{CONDITIONS, Condition};
