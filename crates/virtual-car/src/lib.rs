//! A simulated car behind the same interface as a sound card.
//!
//! Head unit, processor, amplifiers, speakers, cabin, microphone, recorder, noise and mishaps, all from a
//! [`scenario::Scenario`] and a seed, the same on every machine. It uses `dsp` for plain types only and has its own
//! filters, transforms and resampling, so that it can judge the estimators there. Whatever comes from it says that
//! it is simulated.

mod bessel;
mod cabin;
mod car;
mod chance;
mod driver;
mod filter;
mod head_unit;
mod input_stage;
mod level;
mod microphone;
mod processor;
mod recording;
mod resample;
mod rig;
pub mod scenario;
mod sound;
mod transform;
mod weather;

pub use car::{CarError, Stick, VirtualCar};
pub use input_stage::{InputPart, InputStage, InputSum};
pub use rig::{CarHandle, VirtualRig};
pub use scenario::{Scenario, ScenarioError};
