//! From separate impulse responses to delays, polarity and levels.

mod arrival;
mod band;

pub use arrival::{Arrival, Confidence, arrival};
pub use band::{Band, usable_band};

/// Why a response cannot be aligned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AlignError {
    /// Fewer samples than any analysis needs.
    #[error("the response has only {samples} samples; at least 256 are needed")]
    TooShort {
        /// What it has.
        samples: usize,
    },
    /// NaN or infinity.
    #[error("the response holds values that are not finite numbers")]
    NotFinite,
    /// Zeros only.
    #[error("the response is silent; check that the channel played")]
    Silent,
    /// Nothing above the noise.
    #[error(
        "the response has no band that stands above its noise; measure it again, louder or with more repeats"
    )]
    NoBand,
}
