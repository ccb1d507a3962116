//! The five stages as procedures; what the window and the command line both call.

pub mod align;
mod analysis;
pub mod apply;
pub mod average;
pub mod cabin;
pub mod correct;
pub mod demo;
pub mod devices;
pub mod entry_check;
pub mod error;
pub mod export;
pub mod factory;
pub mod gates;
pub mod handover;
pub mod intake;
pub mod judged;
pub mod measure;
pub mod noise;
pub mod plan;
pub mod response;
pub mod rig;
pub mod roll_call;
pub mod source;
pub mod stimulus;
pub mod voicing;
pub mod workplace;

pub use error::JobError;
pub use judged::Judged;
pub use workplace::{WorkClock, Workplace};
