//! Intake: what car, what rig, what wishes, is the bay fit to measure in?

mod bay;
mod begin;
mod rig_check;

pub use bay::{BayBand, BayCheck, check_bay};
pub use begin::{ScenarioSheet, begin_simulated, default_target, scenario_sheet};
pub use rig_check::{RigCheck, check_rig};
