//! From samples to spectra and back, and from spectra to what a tuner reads.
//!
//! One convention throughout: the forward transform is not normalised, `X[k] = Σ x[n] e^(−2πikn/N)`; the inverse
//! carries `1/N`. A one-sided spectrum of a real signal of even length `N` holds bins `0..=N/2`, bin `k` at
//! `k · rate / N`. A positive delay turns the phase negative.

mod beyond;
mod bins;
mod fft;
mod gate;
mod minimum_phase;
mod phase;
mod smooth;

pub use beyond::continue_beyond;
pub use bins::Bins;
pub use fft::{Complex, Plans, RealTransform, bin_hz, convolve, fast_length, forward, inverse, response_at};
pub use gate::{Gate, frequency_dependent};
pub use minimum_phase::{EndSlopes, ExtendedMinimumPhase, minimum_phase, minimum_phase_impulse};
pub use phase::{excess_phase, group_delay_s, unwrap, wrap_deg};
pub use smooth::{smooth_complex, smooth_power, smoothed_curve};

/// A Hann window, 0 half a sample beyond either end.
pub fn hann(length: usize) -> impl Iterator<Item = f64> {
    let turn = std::f64::consts::TAU / length as f64;
    (0..length).map(move |n| 0.5 - 0.5 * (turn * (n as f64 + 0.5)).cos())
}

/// What a spectrum routine refuses.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpectrumError {
    /// Lengths that must agree do not.
    #[error("{what} has {actual} values; {expected} are needed")]
    Length {
        /// Which input.
        what: &'static str,
        /// What it has.
        actual: usize,
        /// What it should have.
        expected: usize,
    },
    /// A band that is empty, reversed, or beyond the spectrum.
    #[error(
        "the band {from_hz} to {to_hz} Hz cannot be used; it must lie between 0 and {limit_hz} Hz and hold some bins"
    )]
    Band {
        /// Lower edge as given.
        from_hz: f64,
        /// Upper edge as given.
        to_hz: f64,
        /// Highest frequency of the spectrum.
        limit_hz: f64,
    },
    /// Nothing but zeros, or something that is not a number.
    #[error("{what} holds no finite level above zero")]
    Silent {
        /// Which input.
        what: &'static str,
    },
}
