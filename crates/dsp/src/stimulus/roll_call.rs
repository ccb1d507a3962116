//! A short sweep on each channel in turn, never outside what its speaker can take.

use serde::{Deserialize, Serialize};

use super::{RecipeError, SweepShape, band_within, channel_within, frames_of, within};

/// The calls, in the order they are played.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RollCall {
    /// One entry per channel called.
    pub calls: Vec<Call>,
    /// Silence at the start.
    pub lead_s: f64,
    /// Silence after each call.
    pub gap_s: f64,
}

/// One channel's sweep.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Call {
    /// The channel called, counted from 1.
    pub channel: usize,
    /// Its sweep, within the band that is safe for its speaker.
    #[serde(flatten)]
    pub shape: SweepShape,
}

impl RollCall {
    /// Calls of about `seconds` for `(channel, low_hz, high_hz)`, each within its own safe band.
    pub fn usual(bands: &[(usize, f64, f64)], seconds: f64) -> Self {
        let call = |&(channel, low_hz, high_hz): &(usize, f64, f64)| Call {
            channel,
            shape: SweepShape::synchronised(low_hz, high_hz, seconds),
        };
        Self { calls: bands.iter().map(call).collect(), lead_s: 0.5, gap_s: 0.7 }
    }

    /// First sample of each call.
    pub fn starts(&self, rate_hz: u32) -> Vec<usize> {
        let mut next = frames_of(self.lead_s, rate_hz);
        let mut start = |call: &Call| {
            let this = next;
            next += frames_of(call.shape.seconds, rate_hz) + frames_of(self.gap_s, rate_hz);
            this
        };
        self.calls.iter().map(&mut start).collect()
    }

    pub(super) fn check(&self, rate_hz: u32, channels: usize) -> Result<(), RecipeError> {
        within("the number of channels called", self.calls.len() as f64, 1.0, 64.0)?;
        within("the silence at the start in seconds", self.lead_s, 0.0, 60.0)?;
        within("the silence after a call in seconds", self.gap_s, 0.1, 60.0)?;
        for (place, call) in self.calls.iter().enumerate() {
            let times = self.calls.iter().take(place + 1).filter(|it| it.channel == call.channel).count();
            within("how often one channel is called", times as f64, 1.0, 1.0)?;
            channel_within(call.channel, channels)?;
            band_within(rate_hz, call.shape.low_hz, call.shape.high_hz)?;
            within("the length of a call in seconds", call.shape.seconds, 0.05, 30.0)?;
            within("the fade-in in seconds", call.shape.fade_in_s, 0.0, call.shape.seconds / 2.0)?;
            within("the fade-out in seconds", call.shape.fade_out_s, 0.0, call.shape.seconds / 2.0)?;
        }
        Ok(())
    }

    pub(super) fn frames(&self, rate_hz: u32) -> usize {
        let calls: usize = self.calls.iter().map(|call| frames_of(call.shape.seconds, rate_hz)).sum();
        frames_of(self.lead_s, rate_hz) + calls + self.calls.len() * frames_of(self.gap_s, rate_hz)
    }

    pub(super) fn render(&self, rate_hz: u32, amplitude: f64, channels: &mut [Vec<f64>]) {
        for (call, start) in self.calls.iter().zip(self.starts(rate_hz)) {
            let Some(samples) = channels.get_mut(call.channel.wrapping_sub(1)) else { continue };
            let frames = frames_of(call.shape.seconds, rate_hz) + 1;
            for (i, sample) in samples.iter_mut().skip(start).take(frames).enumerate() {
                *sample += amplitude * call.shape.at(i as f64 / f64::from(rate_hz));
            }
        }
    }
}
