//! The exponential sweep and the marker chirp, as functions of time.
//!
//! Both are closed forms, so a recording made on another clock can be compared with the signal evaluated at
//! that clock's own instants; nothing recorded is ever resampled.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

/// An exponential sweep `w(t) sin(2π f₁ L exp(t/L))` from 0 to `seconds`, with `L = seconds / ln(f₂/f₁)`.
///
/// Source: A. Farina, AES 108 (2000), without the "−1" in the phase, as in A. Novák, P. Lotton, L. Simon,
/// JAES 63(10), 2015: harmonic `n` is then the sweep itself, `L ln n` earlier.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SweepShape {
    /// Frequency at the start.
    pub low_hz: f64,
    /// Frequency at the end.
    pub high_hz: f64,
    /// Length.
    pub seconds: f64,
    /// Raised-cosine fade at the start.
    pub fade_in_s: f64,
    /// Raised-cosine fade at the end.
    pub fade_out_s: f64,
}

/// Share of an octave over which a sweep fades in.
const FADE_IN_OCTAVES: f64 = 0.25;
/// Share of an octave over which a sweep fades out.
const FADE_OUT_OCTAVES: f64 = 1.0 / 24.0;

impl SweepShape {
    /// The synchronised sweep whose length is nearest to `asked_s`, with its usual fades.
    ///
    /// Novák 2015, equations 47 and 49: `L = round(f₁ T / ln(f₂/f₁)) / f₁`, so that it starts at zero phase.
    /// Needs `0 < low_hz < high_hz` and `asked_s > 0`.
    pub fn synchronised(low_hz: f64, high_hz: f64, asked_s: f64) -> Self {
        let span = (high_hz / low_hz).ln();
        let cycles = (low_hz * asked_s / span).round().max(1.0);
        let seconds = cycles / low_hz * span;
        let octave_s = seconds / (high_hz / low_hz).log2();
        Self {
            low_hz,
            high_hz,
            seconds,
            fade_in_s: (FADE_IN_OCTAVES * octave_s).min(seconds / 4.0),
            fade_out_s: (FADE_OUT_OCTAVES * octave_s).min(seconds / 4.0),
        }
    }

    /// `L`: the time in which the frequency grows by a factor of e.
    pub fn rate_s(&self) -> f64 {
        self.seconds / (self.high_hz / self.low_hz).ln()
    }

    /// The instant at which the sweep passes `frequency_hz`; outside 0 to `seconds` where it does not.
    pub fn time_of_s(&self, frequency_hz: f64) -> f64 {
        self.rate_s() * (frequency_hz / self.low_hz).ln()
    }

    /// The highest frequency at which the sweep still has half its amplitude: the middle of its fade-out.
    ///
    /// Beyond it a division by the sweep says more about noise than about the channel.
    pub fn whole_to_hz(&self) -> f64 {
        self.high_hz * (-0.5 * self.fade_out_s / self.rate_s()).exp()
    }

    /// How much earlier than the linear response that of harmonic `order` lies in the deconvolved recording.
    pub fn harmonic_advance_s(&self, order: usize) -> f64 {
        self.rate_s() * (order as f64).ln()
    }

    /// The sweep at `t_s` after its start, with peak 1; 0 before and after.
    pub fn at(&self, t_s: f64) -> f64 {
        if !(0.0..=self.seconds).contains(&t_s) {
            return 0.0;
        }
        let rate_s = self.rate_s();
        let cycles = self.low_hz * rate_s * (t_s / rate_s).exp();
        fade(t_s, self.seconds, self.fade_in_s, self.fade_out_s) * (TAU * cycles.fract()).sin()
    }

    /// The sweep at `from_s`, `from_s + step_s` and so on, as [`Self::at`] has it to 1e-9.
    ///
    /// The growth from sample to sample is the same throughout, which saves an exponential each; it is set right now and
    /// then, before its rounding shows.
    pub fn sampled(&self, from_s: f64, step_s: f64, count: usize) -> Vec<f64> {
        const BLOCK: usize = 64;
        let rate_s = self.rate_s();
        let growth = (step_s / rate_s).exp();
        let (mut cycles, mut samples) = (0.0, Vec::with_capacity(count));
        for n in 0..count {
            let t_s = from_s + n as f64 * step_s;
            if n % BLOCK == 0 {
                cycles = self.low_hz * rate_s * (t_s / rate_s).exp();
            }
            samples.push(if (0.0..=self.seconds).contains(&t_s) {
                fade(t_s, self.seconds, self.fade_in_s, self.fade_out_s) * (TAU * cycles.fract()).sin()
            } else {
                0.0
            });
            cycles *= growth;
        }
        samples
    }

    /// The magnitude its spectrum has away from the ends, `½ √(L/f)`, in seconds (continuous transform, peak 1).
    ///
    /// Novák 2015, equation 51.
    pub fn spectrum_s(&self, frequency_hz: f64) -> f64 {
        0.5 * (self.rate_s() / frequency_hz).sqrt()
    }
}

/// A short chirp whose frequency falls in a straight line from `high_hz` to `low_hz`.
///
/// It falls because the sweep rises: the two never look alike to a correlator.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MarkerShape {
    /// Frequency at the end.
    pub low_hz: f64,
    /// Frequency at the start.
    pub high_hz: f64,
    /// Length.
    pub seconds: f64,
}

/// Share of a marker taken by each of its fades.
const MARKER_FADE: f64 = 0.1;

impl MarkerShape {
    /// The marker for a sweep from `low_hz` to `high_hz`: a second from 10 kHz to 300 Hz as far as the sweep's own band
    /// allows, so that no speaker gets what the sweep spares it; the whole band where less than an octave is left.
    ///
    /// Two instants are told apart the finer, the longer the marker lasts and the higher it reaches (by the root of its
    /// energy, and by its bandwidth).
    pub fn within(low_hz: f64, high_hz: f64) -> Self {
        let (from, to) = (low_hz.max(300.0), high_hz.min(10_000.0));
        let (low_hz, high_hz) = if to >= 2.0 * from { (from, to) } else { (low_hz, high_hz) };
        Self { low_hz, high_hz, seconds: 1.0 }
    }

    /// The highest frequency of the marker that a recording at `rate_hz` can hold.
    pub fn high_hz_at(&self, rate_hz: f64) -> f64 {
        self.high_hz.min(0.45 * rate_hz)
    }

    /// As [`Self::at`], without what a recording at `rate_hz` cannot hold.
    pub fn held_at(&self, t_s: f64, rate_hz: f64) -> f64 {
        let now_hz = self.high_hz - (self.high_hz - self.low_hz) * t_s / self.seconds;
        if now_hz > self.high_hz_at(rate_hz) { 0.0 } else { self.at(t_s) }
    }

    /// The marker at `t_s` after its start, with peak 1; 0 before and after.
    pub fn at(&self, t_s: f64) -> f64 {
        if !(0.0..=self.seconds).contains(&t_s) {
            return 0.0;
        }
        let slope = (self.high_hz - self.low_hz) / self.seconds;
        let cycles = t_s * (self.high_hz - 0.5 * slope * t_s);
        let fade_s = MARKER_FADE * self.seconds;
        fade(t_s, self.seconds, fade_s, fade_s) * (TAU * cycles.fract()).sin()
    }
}

/// Raised-cosine fades at both ends of 0 to `seconds`.
pub(crate) fn fade(t_s: f64, seconds: f64, in_s: f64, out_s: f64) -> f64 {
    let ramp =
        |x: f64, length: f64| if x >= length { 1.0 } else { 0.5 - 0.5 * (PI * x.max(0.0) / length).cos() };
    ramp(t_s, in_s) * ramp(seconds - t_s, out_s)
}
