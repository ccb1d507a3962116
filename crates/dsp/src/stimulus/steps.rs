//! One tone at rising levels: where does it stop being clean?

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use super::sweep::fade;
use super::{RecipeError, channel_within, frames_of, within};

/// Tones from the lowest level to the recipe's own level, in equal steps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Steps {
    /// The channel that carries it, counted from 1.
    pub on: usize,
    /// Frequency of the tone.
    pub frequency_hz: f64,
    /// Level of the first, softest tone.
    pub from_dbfs: f64,
    /// Distance from tone to tone.
    pub step_db: f64,
    /// Length of each tone.
    pub tone_s: f64,
    /// Fade at both ends of each tone.
    pub fade_s: f64,
    /// Silence before each tone.
    pub gap_s: f64,
}

impl Steps {
    /// Level of each tone, rising to `to_dbfs` and never above it.
    pub fn levels_dbfs(&self, to_dbfs: f64) -> Vec<f64> {
        let count = ((to_dbfs - self.from_dbfs) / self.step_db + 1e-9).floor().max(0.0) as usize;
        (0..=count).map(|i| self.from_dbfs + i as f64 * self.step_db).collect()
    }

    /// First sample of tone `index`.
    pub fn start(&self, index: usize, rate_hz: u32) -> usize {
        let (gap, tone) = (frames_of(self.gap_s, rate_hz), frames_of(self.tone_s, rate_hz));
        gap + index * (gap + tone)
    }

    pub(super) fn check(&self, rate_hz: u32, channels: usize, to_dbfs: f64) -> Result<(), RecipeError> {
        channel_within(self.on, channels)?;
        within("the frequency of the tone in Hz", self.frequency_hz, 1.0, f64::from(rate_hz) / 2.0)?;
        within("the level of the first tone in dBFS", self.from_dbfs, -120.0, to_dbfs)?;
        within("the step in dB", self.step_db, 0.1, 20.0)?;
        within("the length of a tone in seconds", self.tone_s, 0.05, 30.0)?;
        within("the fade in seconds", self.fade_s, 0.0, self.tone_s / 2.0)?;
        within("the silence before a tone in seconds", self.gap_s, 0.0, 30.0)
    }

    pub(super) fn frames(&self, rate_hz: u32, to_dbfs: f64) -> usize {
        self.start(self.levels_dbfs(to_dbfs).len(), rate_hz)
    }

    pub(super) fn render(&self, rate_hz: u32, to_dbfs: f64) -> Vec<f64> {
        let mut samples = vec![0.0; self.frames(rate_hz, to_dbfs)];
        for (index, level_dbfs) in self.levels_dbfs(to_dbfs).into_iter().enumerate() {
            let amplitude = 10f64.powf(level_dbfs / 20.0);
            let tone =
                samples.iter_mut().skip(self.start(index, rate_hz)).take(frames_of(self.tone_s, rate_hz));
            for (i, sample) in tone.enumerate() {
                let t_s = i as f64 / f64::from(rate_hz);
                *sample = amplitude
                    * fade(t_s, self.tone_s, self.fade_s, self.fade_s)
                    * (TAU * (self.frequency_hz * t_s).fract()).sin();
            }
        }
        samples
    }
}
