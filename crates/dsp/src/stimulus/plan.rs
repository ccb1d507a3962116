//! What a sweep stimulus plays and when: markers, sweeps, and the silence between them.

use serde::{Deserialize, Serialize};

use super::{MarkerShape, RecipeError, SweepShape, band_within, channel_within, frames_of, within};

/// Where markers are placed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Markers {
    /// Nowhere.
    None,
    /// Before the first sweep and after the last.
    Ends,
    /// At both ends and between sweeps, for clocks that drift during the take.
    Between,
}

/// Sweeps with silence after each, and markers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sweep {
    /// The channel that carries it, counted from 1.
    pub on: usize,
    /// One sweep.
    #[serde(flatten)]
    pub shape: SweepShape,
    /// How often the sweep is played.
    pub repeats: usize,
    /// Silence at the start.
    pub lead_s: f64,
    /// Silence after each sweep, in which the car rings out.
    pub gap_s: f64,
    /// Silence at the end.
    pub tail_s: f64,
    /// Where markers are.
    pub markers: Markers,
    /// One marker.
    pub marker: MarkerShape,
    /// Silence after each marker.
    pub guard_s: f64,
}

impl Sweep {
    /// The usual plan: a synchronised sweep, a second of silence after it, markers within its band.
    pub fn usual(low_hz: f64, high_hz: f64, seconds: f64, repeats: usize, markers: Markers) -> Self {
        Self {
            on: 1,
            shape: SweepShape::synchronised(low_hz, high_hz, seconds),
            repeats,
            lead_s: 0.5,
            gap_s: 1.0,
            tail_s: 0.5,
            markers,
            marker: MarkerShape::within(low_hz, high_hz),
            guard_s: 0.5,
        }
    }

    /// First sample of each marker and of each sweep, and the length of the whole.
    pub fn timeline(&self, rate_hz: u32) -> Timeline {
        let of = |seconds| frames_of(seconds, rate_hz);
        let mut line = Timeline { rate_hz, markers: Vec::new(), sweeps: Vec::new(), frames: of(self.lead_s) };
        for repeat in 0..=self.repeats {
            let marked = match self.markers {
                Markers::None => false,
                Markers::Ends => repeat == 0 || repeat == self.repeats,
                Markers::Between => true,
            };
            if marked {
                line.markers.push(line.frames);
                line.frames += of(self.marker.seconds) + of(self.guard_s);
            }
            if repeat < self.repeats {
                line.sweeps.push(line.frames);
                line.frames += of(self.shape.seconds) + of(self.gap_s);
            }
        }
        line.frames += of(self.tail_s);
        line
    }

    pub(super) fn check(&self, rate_hz: u32, channels: usize) -> Result<(), RecipeError> {
        channel_within(self.on, channels)?;
        band_within(rate_hz, self.shape.low_hz, self.shape.high_hz)?;
        within("the length of a sweep in seconds", self.shape.seconds, 0.05, 120.0)?;
        within("the fade-in in seconds", self.shape.fade_in_s, 0.0, self.shape.seconds / 2.0)?;
        within("the fade-out in seconds", self.shape.fade_out_s, 0.0, self.shape.seconds / 2.0)?;
        within("the number of repeats", self.repeats as f64, 1.0, 64.0)?;
        for silence_s in [self.lead_s, self.gap_s, self.tail_s, self.guard_s] {
            within("a silence in seconds", silence_s, 0.0, 60.0)?;
        }
        if self.markers != Markers::None {
            band_within(rate_hz, self.marker.low_hz, self.marker.high_hz)?;
            within("the length of a marker in seconds", self.marker.seconds, 0.05, 10.0)?;
        }
        Ok(())
    }

    pub(super) fn frames(&self, rate_hz: u32) -> usize {
        self.timeline(rate_hz).frames
    }

    pub(super) fn render(&self, rate_hz: u32, amplitude: f64) -> Vec<f64> {
        let line = self.timeline(rate_hz);
        let mut samples = vec![0.0; line.frames];
        let mut add = |start: usize, seconds: f64, at: &dyn Fn(f64) -> f64| {
            let frames = (seconds * f64::from(rate_hz)).floor() as usize + 1;
            for (i, sample) in samples.iter_mut().skip(start).take(frames).enumerate() {
                *sample += amplitude * at(i as f64 / f64::from(rate_hz));
            }
        };
        for &start in &line.markers {
            add(start, self.marker.seconds, &|t| self.marker.at(t));
        }
        for &start in &line.sweeps {
            add(start, self.shape.seconds, &|t| self.shape.at(t));
        }
        samples
    }
}

/// Where everything lies, in samples of the stimulus.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Timeline {
    /// Sample rate of the stimulus.
    pub rate_hz: u32,
    /// First sample of each marker.
    pub markers: Vec<usize>,
    /// First sample of each sweep.
    pub sweeps: Vec<usize>,
    /// Length of the whole.
    pub frames: usize,
}
