//! Where a stimulus lies in a recording, and how fast the recording's clock runs.

use crate::stimulus::Timeline;
use crate::verdict::Verdict;

/// The place of a stimulus in a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeBase {
    /// Recorded samples per second of played time.
    pub frames_per_s: f64,
    /// Recording clock against playing clock, positive when the recording holds more samples than were played.
    /// `None` when nothing in the recording tells, and then `frames_per_s` is the nominal rate.
    pub skew_ppm: Option<f64>,
    /// One standard deviation of `skew_ppm`.
    pub skew_sigma_ppm: f64,
    /// The number from 1 of each complete sweep, and where it begins as heard, in samples of the recording.
    pub sweeps: Vec<(usize, f64)>,
    /// What there is to say about the clock, and how much it matters.
    pub remarks: Vec<(Verdict, String)>,
}

impl TimeBase {
    /// Where sample `at` of the stimulus whose plan is `line` is heard, in samples of the recording; `None` without a
    /// sweep to count from.
    pub fn heard_at(&self, line: &Timeline, at: usize) -> Option<f64> {
        let &(number, start) = self.sweeps.first()?;
        let first = *line.sweeps.get(number.checked_sub(1)?)?;
        Some(start + (at as f64 - first as f64) / f64::from(line.rate_hz) * self.frames_per_s)
    }

    /// The same clock with one sweep only, the one that begins at sample `at` of the stimulus.
    pub fn with_the_sweep_at(&self, line: &Timeline, at: usize) -> Option<Self> {
        let begins = self.heard_at(line, at)?;
        Some(Self { sweeps: vec![(1, begins)], ..self.clone() })
    }
}
