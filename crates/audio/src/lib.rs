//! Sound cards and WAV files: playing a stimulus while recording, with level and stop safety.

pub mod card;
pub mod conformance;
pub mod cue;
pub mod rig;
pub mod safety;
pub mod wav;
