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
    /// Both sides in the sweeps, then each alone; only `on` sounds without it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sides: Option<Sides>,
}

/// What follows the sweeps on both sides: one sweep on the left alone, one on the right alone, and quiet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sides {
    /// The channel of the left side, counted from 1.
    pub left: usize,
    /// The channel of the right side.
    pub right: usize,
    /// Level of the sweeps on one side alone against those on both: softer, so that compression shows.
    pub alone_db: f64,
    /// Quiet before the last marker, in which noise and hum are heard.
    pub quiet_s: f64,
}

impl Sides {
    /// Channels 1 and 2, 12 dB softer, two seconds of quiet.
    pub const USUAL: Self = Self { left: 1, right: 2, alone_db: -12.0, quiet_s: 2.0 };
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
            sides: None,
        }
    }

    /// First sample of each marker and of each sweep, and the length of the whole.
    pub fn timeline(&self, rate_hz: u32) -> Timeline {
        let of = |seconds| frames_of(seconds, rate_hz);
        let mut line = Timeline {
            rate_hz,
            markers: Vec::new(),
            sweeps: Vec::new(),
            alone: None,
            frames: of(self.lead_s),
        };
        for repeat in 0..=self.repeats {
            if let Some(sides) = self.sides.filter(|_| repeat == self.repeats) {
                let sweep = of(self.shape.seconds) + of(self.gap_s);
                let (left, right) = (line.frames, line.frames + sweep);
                let quiet = right + sweep;
                line.alone = Some(Alone { left, right, quiet: quiet..quiet + of(sides.quiet_s) });
                line.frames = quiet + of(sides.quiet_s);
            }
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
        if let Some(sides) = &self.sides {
            within("the number of channels of a stimulus for both sides", channels as f64, 2.0, 64.0)?;
            channel_within(sides.left, channels)?;
            channel_within(sides.right, channels)?;
            within("the level of one side alone in dB", sides.alone_db, -40.0, 0.0)?;
            within("the quiet in seconds", sides.quiet_s, 0.5, 60.0)?;
        }
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

    pub(super) fn render(&self, rate_hz: u32, amplitude: f64, channels: &mut [Vec<f64>]) {
        let line = self.timeline(rate_hz);
        let mut add = |to: &[usize], start: usize, seconds: f64, at: &dyn Fn(f64) -> f64| {
            let frames = (seconds * f64::from(rate_hz)).floor() as usize + 1;
            for channel in to {
                let Some(samples) = channels.get_mut(channel.wrapping_sub(1)) else { continue };
                for (i, sample) in samples.iter_mut().skip(start).take(frames).enumerate() {
                    *sample += at(i as f64 / f64::from(rate_hz));
                }
            }
        };
        let both = self.sides.map_or_else(|| vec![self.on], |sides| vec![sides.left, sides.right]);
        for &start in &line.markers {
            add(&both, start, self.marker.seconds, &|t| amplitude * self.marker.at(t));
        }
        for &start in &line.sweeps {
            add(&both, start, self.shape.seconds, &|t| amplitude * self.shape.at(t));
        }
        if let (Some(sides), Some(alone)) = (&self.sides, &line.alone) {
            let softer = amplitude * 10f64.powf(sides.alone_db / 20.0);
            for (channel, start) in [(sides.left, alone.left), (sides.right, alone.right)] {
                add(&[channel], start, self.shape.seconds, &|t| softer * self.shape.at(t));
            }
        }
    }
}

/// Where each side sounds alone, and where nothing does, in samples of the stimulus.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alone {
    /// First sample of the sweep on the left.
    pub left: usize,
    /// First sample of the sweep on the right.
    pub right: usize,
    /// The quiet.
    pub quiet: std::ops::Range<usize>,
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
    /// The sides alone, where the stimulus has them.
    pub alone: Option<Alone>,
    /// Length of the whole.
    pub frames: usize,
}
