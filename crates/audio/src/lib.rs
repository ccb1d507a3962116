//! Sound cards and WAV files: playing a stimulus while recording, with level and stop safety.

pub mod rig;
pub mod wav;
