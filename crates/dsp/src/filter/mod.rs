//! Filters as processors build them: cookbook sections, crossovers, delay, taps; their responses and how they sound.
//!
//! Every second-order filter starts as an analogue [`Prototype`] and becomes digital by the bilinear transform
//! pre-warped at its own corner. [`ChannelFilter`] is a checked [`ChannelTune`](crate::tune::ChannelTune): making
//! one is the only step that can fail; responses, prediction, headroom and audio follow from it.

mod channel;
mod convolve;
mod cookbook;
mod crossover;
mod delay;
mod prototype;
mod run;

pub use channel::{ChannelFilter, HEADROOM_FROM_HZ, taps_responses};
pub use convolve::Convolver;
pub use cookbook::{GENTLE_SHELF_Q, Slopes, prototype_slopes, section_biquad, section_prototype};
pub use crossover::{bessel_stages, butterworth_stages, crossover_biquads, crossover_stages, stages_of};
pub use delay::DelayLine;
pub use prototype::{Prototype, Warp};
pub use run::{Cascade, ChannelRunner};

use crate::tune::CrossoverFamily;

/// Why a setting cannot be turned into a filter.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The rate is not a positive number.
    #[error("the sample rate is {rate_hz} Hz; it must be a positive number")]
    Rate {
        /// As given.
        rate_hz: f64,
    },
    /// Outside (0, rate/2).
    #[error("a filter at {frequency_hz} Hz; at {rate_hz} Hz sample rate it must lie between 0 and {} Hz", rate_hz / 2.0)]
    Frequency {
        /// As given.
        frequency_hz: f64,
        /// The tune's rate.
        rate_hz: f64,
    },
    /// Not a positive number.
    #[error("a filter at {frequency_hz} Hz has Q {q}; Q must be a positive number")]
    Q {
        /// Of the filter.
        frequency_hz: f64,
        /// As given.
        q: f64,
    },
    /// Not a finite number, or beyond ±120 dB.
    #[error("a gain of {gain_db} dB; it must lie between -120 and 120")]
    Gain {
        /// As given.
        gain_db: f64,
    },
    /// Negative, not finite, or longer than ten seconds.
    #[error("a delay of {delay_ms} ms; it must lie between 0 and 10000")]
    Delay {
        /// As given.
        delay_ms: f64,
    },
    /// The family has no such order.
    #[error("a crossover of {family} order {order}; {}", orders_of(*family))]
    Order {
        /// Of the crossover.
        family: CrossoverFamily,
        /// As given.
        order: u8,
    },
    /// Raw coefficients that are not numbers, not normalised, or do not settle.
    #[error("biquad {number} {why}")]
    Coefficients {
        /// Counted from 1.
        number: usize,
        /// Plain words.
        why: &'static str,
    },
    /// A tap is not a finite number, or there is none.
    #[error("the FIR has {why}")]
    Taps {
        /// Plain words.
        why: &'static str,
    },
}

fn orders_of(family: CrossoverFamily) -> &'static str {
    match family {
        CrossoverFamily::LinkwitzRiley => "Linkwitz-Riley has the even orders 2 to 8",
        CrossoverFamily::Butterworth | CrossoverFamily::Bessel => "the orders are 1 to 8",
    }
}

/// Checks a rate.
pub(crate) fn check_rate(rate_hz: f64) -> Result<(), FilterError> {
    if rate_hz.is_finite() && rate_hz > 0.0 { Ok(()) } else { Err(FilterError::Rate { rate_hz }) }
}

/// Checks that a corner lies inside the digital band.
pub(crate) fn check_frequency(frequency_hz: f64, rate_hz: f64) -> Result<(), FilterError> {
    check_rate(rate_hz)?;
    if frequency_hz > 0.0 && frequency_hz < rate_hz / 2.0 {
        Ok(())
    } else {
        Err(FilterError::Frequency { frequency_hz, rate_hz })
    }
}

/// Checks a gain.
pub(crate) fn check_gain(gain_db: f64) -> Result<(), FilterError> {
    if gain_db.abs() <= 120.0 { Ok(()) } else { Err(FilterError::Gain { gain_db }) }
}
