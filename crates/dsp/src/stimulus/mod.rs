//! Signals to play, each described by a recipe from which the very same samples can be made again.

mod pink;
mod plan;
mod roll_call;
mod steps;
mod sweep;

use serde::{Deserialize, Serialize};

pub use pink::Pink;
pub use plan::{Alone, Markers, Sides, Sweep, Timeline};
pub use roll_call::{Call, RollCall};
pub use steps::Steps;
pub use sweep::{MarkerShape, SweepShape};

/// Everything needed to make a stimulus again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recipe {
    /// Sample rate of the stimulus.
    pub rate_hz: u32,
    /// Channels in the file.
    pub channels: usize,
    /// Peak of the signal; for pink noise its rms. 0 dBFS is a sample value of 1.
    pub level_dbfs: f64,
    /// What is played.
    #[serde(flatten)]
    pub signal: Signal,
}

/// The kinds of stimulus.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Signal {
    /// Exponential sweeps, with markers around them.
    Sweep(Sweep),
    /// Pink noise.
    Pink(Pink),
    /// One tone at rising levels.
    Steps(Steps),
    /// A short sweep on each channel in turn.
    RollCall(RollCall),
}

/// A stimulus as samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Rendered {
    /// Sample rate.
    pub rate_hz: u32,
    /// One vector per channel, all of one length, within −1 to 1.
    pub channels: Vec<Vec<f64>>,
}

/// What is wrong with a recipe; each says what would be right.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RecipeError {
    /// A number outside its range.
    #[error("{what} is {is}; it must be {must}")]
    OutOfRange {
        /// The quantity, with its unit.
        what: &'static str,
        /// What the recipe says.
        is: f64,
        /// What would be right.
        must: String,
    },
}

/// The longest stimulus that is made.
const LONGEST_S: f64 = 900.0;
/// Two gibibytes while it is made; a quarter of an hour on one channel at the highest rate is less.
const MOST_SAMPLES: f64 = (1 << 28) as f64;

impl Recipe {
    /// Checks every number; [`Recipe::render`] refuses what this refuses.
    pub fn check(&self) -> Result<(), RecipeError> {
        within("the sample rate in Hz", f64::from(self.rate_hz), 8000.0, 192_000.0)?;
        within("the number of channels", self.channels as f64, 1.0, 64.0)?;
        within("the level in dBFS", self.level_dbfs, -120.0, 0.0)?;
        match &self.signal {
            Signal::Sweep(sweep) => sweep.check(self.rate_hz, self.channels)?,
            Signal::Pink(pink) => pink.check(self.rate_hz, self.channels, self.level_dbfs)?,
            Signal::Steps(steps) => steps.check(self.rate_hz, self.channels, self.level_dbfs)?,
            Signal::RollCall(calls) => calls.check(self.rate_hz, self.channels)?,
        }
        within("the length in seconds", self.frames() as f64 / f64::from(self.rate_hz), 0.0, LONGEST_S)?;
        within(
            "the number of samples in all channels",
            (self.channels * self.frames()) as f64,
            0.0,
            MOST_SAMPLES,
        )
    }

    /// Samples in each channel.
    pub fn frames(&self) -> usize {
        match &self.signal {
            Signal::Sweep(sweep) => sweep.frames(self.rate_hz),
            Signal::Pink(pink) => pink.frames(self.rate_hz),
            Signal::Steps(steps) => steps.frames(self.rate_hz, self.level_dbfs),
            Signal::RollCall(calls) => calls.frames(self.rate_hz),
        }
    }

    /// The samples; the same recipe gives the same samples on every machine with the same mathematical library.
    pub fn render(&self) -> Result<Rendered, RecipeError> {
        self.check()?;
        let mut channels = vec![vec![0.0; self.frames()]; self.channels];
        let mut put = |channel: usize, samples: Vec<f64>| {
            if let Some(slot) = channels.get_mut(channel.wrapping_sub(1)) {
                *slot = samples;
            }
        };
        match &self.signal {
            Signal::Sweep(sweep) => sweep.render(self.rate_hz, self.amplitude(), &mut channels),
            Signal::Pink(pink) => put(pink.on, pink.render(self.rate_hz, self.amplitude())?),
            Signal::Steps(steps) => put(steps.on, steps.render(self.rate_hz, self.level_dbfs)),
            Signal::RollCall(calls) => calls.render(self.rate_hz, self.amplitude(), &mut channels),
        }
        Ok(Rendered { rate_hz: self.rate_hz, channels })
    }

    /// `level_dbfs` as a factor.
    pub fn amplitude(&self) -> f64 {
        10f64.powf(self.level_dbfs / 20.0)
    }
}

/// Accepts `is` from `min` to `max`.
fn within(what: &'static str, is: f64, min: f64, max: f64) -> Result<(), RecipeError> {
    if (min..=max).contains(&is) {
        return Ok(());
    }
    Err(RecipeError::OutOfRange { what, is, must: format!("from {min} to {max}") })
}

/// Accepts a band that lies below half the sample rate and is wide enough to sweep through.
fn band_within(rate_hz: u32, low_hz: f64, high_hz: f64) -> Result<(), RecipeError> {
    let nyquist_hz = f64::from(rate_hz) / 2.0;
    within("the lowest frequency in Hz", low_hz, 1.0, nyquist_hz)?;
    within("the highest frequency in Hz", high_hz, low_hz * 1.2, nyquist_hz)
}

/// Accepts a channel counted from 1.
fn channel_within(on: usize, channels: usize) -> Result<(), RecipeError> {
    within("the channel that carries the signal", on as f64, 1.0, channels as f64)
}

/// Whole samples nearest to `seconds`.
fn frames_of(seconds: f64, rate_hz: u32) -> usize {
    (seconds * f64::from(rate_hz)).round().max(0.0) as usize
}
#[cfg(test)]
mod tests;
