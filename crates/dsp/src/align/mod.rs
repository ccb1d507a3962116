//! From separate impulse responses to delays, polarity and levels.

mod arrival;
mod band;
pub mod join;
mod stage;

pub use arrival::{Arrival, Confidence, arrival, arrival_within};
pub use band::{Band, usable_band};
pub use stage::{AlignedChannel, Alignment, Options, Speaker, align};

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
    /// One channel's fault, named.
    #[error("{name}, position {position}: {fault}")]
    Channel {
        /// The channel.
        name: String,
        /// Counted from 1.
        position: usize,
        /// What is wrong.
        fault: Box<AlignError>,
    },
    /// Positions that do not correspond.
    #[error(
        "positions differ: {name} {actual}, {first} {expected}; every channel needs the same positions in the same order"
    )]
    Positions {
        /// The channel.
        name: String,
        /// What it has.
        actual: usize,
        /// The first channel.
        first: String,
        /// What that has.
        expected: usize,
    },
    /// Nothing to do.
    #[error("there is no channel to align")]
    None,
}
