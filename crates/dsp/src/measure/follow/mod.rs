//! Following a stimulus in a recording that is still being made: what has been heard of it so far.
//!
//! It says when a recording may end, and what to tell whoever waits for it. What the recording is worth is judged when it
//! is whole, by [`super::locate`].

mod level;
mod tone;
mod unmarked;

pub use tone::{ToneFollower, ToneHeard};

use super::clock::{CLEAR, LARGEST_SKEW, SILENCE};
use super::search::{likeness, rendered};
use super::{MeasureError, sweep_of};
use crate::spectrum::Plans;
use crate::stimulus::{MarkerShape, Recipe, Timeline};
use unmarked::Unmarked;

/// How much of a stimulus has been heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    /// Nothing that is the opening marker.
    Waiting,
    /// The opening marker, and these sweeps to their ends.
    Begun {
        /// Sweeps that have ended.
        sweeps: usize,
    },
    /// The closing marker too.
    Whole,
    /// The closing marker is overdue: the player was stopped, or its clock is none.
    Overdue,
    /// No marker that can be relied on, but what sounded is over and may have been all of it: a subwoofer's output alone
    /// carries none, or next to none.
    Unmarked,
}

impl Heard {
    /// True where nothing more is waited for.
    pub fn is_over(self) -> bool {
        matches!(self, Self::Whole | Self::Overdue | Self::Unmarked)
    }
}

/// A sweep stands out more than a marker ([`CLEAR`]), being longer. One of three seconds gives 100 where the noise is as strong as it is;
/// another part of the stimulus in its place gave 17.
const SWEEP_CLEAR: f64 = 60.0;
/// An opening marker less clear than this may have its closing one lost in the noise.
const RELIED_ON: f64 = 3.0 * CLEAR;
/// How often the recording is looked at.
const LOOK_S: f64 = 0.4;
/// What is looked at before and after where a sound is expected.
const SLACK_S: f64 = 0.1;
/// What a marker is given to ring out, and what is recorded after the closing one.
const AFTER_S: f64 = 0.4;

/// A sound that may be the opening marker.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    /// Frame of the recording.
    at: u64,
    input: usize,
    clearness: f64,
}

/// Follows a stimulus with markers at its ends, in whichever input shows it best.
///
/// Not believed at once: a sound like the marker counts until a clearer one comes, and only stays when the first sweep
/// follows where it must. So a closing marker heard alone, or a door, does not pass for the beginning.
pub struct Follower {
    recipe: Recipe,
    line: Timeline,
    rate_hz: f64,
    plans: Plans,
    /// The latest of each input.
    kept: Vec<Vec<f64>>,
    /// Frame of the recording where that begins.
    kept_from: u64,
    looked_to: u64,
    candidate: Option<Candidate>,
    sure: bool,
    unmarked: Unmarked,
    heard: Heard,
}

impl Follower {
    /// For a recording of `inputs` inputs at `rate_hz`.
    ///
    /// # Errors
    /// A recipe without a sweep or without two markers to follow it by.
    pub fn new(recipe: &Recipe, rate_hz: u32, inputs: usize) -> Result<Self, MeasureError> {
        let line = sweep_of(recipe)?.timeline(recipe.rate_hz);
        if line.markers.len() < 2 {
            return Err(MeasureError::NoMarkers);
        }
        let lasts_s = line.frames as f64 / f64::from(line.rate_hz);
        Ok(Self {
            recipe: recipe.clone(),
            line,
            rate_hz: f64::from(rate_hz),
            plans: Plans::default(),
            kept: vec![Vec::new(); inputs],
            kept_from: 0,
            looked_to: 0,
            candidate: None,
            sure: false,
            unmarked: Unmarked::new(rate_hz, inputs, lasts_s),
            heard: Heard::Waiting,
        })
    }

    /// Sweeps in the stimulus, those of one side alone among them.
    pub fn sweeps(&self) -> usize {
        self.line.sweeps.len() + 2 * usize::from(self.line.alone.is_some())
    }

    /// Takes in more of the recording, interleaved; says what has been heard up to now.
    pub fn hear(&mut self, frames: &[f32]) -> Heard {
        if self.heard.is_over() {
            return self.heard;
        }
        let inputs = self.kept.len();
        for (input, kept) in self.kept.iter_mut().enumerate() {
            kept.extend(frames.iter().skip(input).step_by(inputs).map(|x| f64::from(*x)));
        }
        if (self.frames() - self.looked_to) as f64 >= LOOK_S * self.rate_hz {
            self.look();
        }
        if self.unmarked.hear(frames) && self.heard == Heard::Waiting {
            self.heard = Heard::Unmarked;
        }
        self.heard
    }

    /// Frames heard so far.
    fn frames(&self) -> u64 {
        self.kept_from + self.kept.first().map_or(0, Vec::len) as u64
    }

    fn marker(&self) -> Option<&MarkerShape> {
        sweep_of(&self.recipe).ok().map(|sweep| &sweep.marker)
    }

    /// Played frames as frames of the recording, if the clocks agreed.
    fn span(&self, frames: usize) -> f64 {
        frames as f64 / f64::from(self.line.rate_hz) * self.rate_hz
    }

    fn look(&mut self) {
        let Some(marker_s) = self.marker().map(|marker| marker.seconds) else { return };
        if !self.sure {
            // What began before the last look ended may be whole only now.
            let from = self.looked_to.saturating_sub(((marker_s + SLACK_S) * self.rate_hz) as u64);
            if let Some(found) = self.find_marker(from, self.frames())
                && self.candidate.is_none_or(|known| found.clearness > known.clearness)
            {
                self.candidate = Some(found);
            }
        }
        self.looked_to = self.frames();
        if let Some(candidate) = self.candidate {
            self.heard = self.after(candidate, marker_s);
        }
        self.forget(marker_s);
    }

    /// What has been heard, the opening marker being `candidate`.
    fn after(&mut self, candidate: Candidate, marker_s: f64) -> Heard {
        let passed = (self.frames() - candidate.at) as f64;
        let opening = self.line.markers[0];
        let (line_hz, rate_hz) = (f64::from(self.line.rate_hz), self.rate_hz);
        let end_of = |at: usize, seconds: f64| {
            ((at - opening) as f64 / line_hz * (1.0 + LARGEST_SKEW) + seconds + AFTER_S) * rate_hz
        };
        let Ok(sweep) = sweep_of(&self.recipe) else { return Heard::Waiting };
        let sweep_s = sweep.shape.seconds;
        let alone = self.line.alone.iter().flat_map(|alone| [alone.left, alone.right]);
        let all: Vec<usize> = self.line.sweeps.iter().copied().chain(alone).collect();
        let ended = all.iter().filter(|&&at| passed >= end_of(at, sweep_s)).count();
        if ended > 0 && !self.sure {
            if !self.follows(candidate, all[0]) {
                // Something else was like the marker.
                self.candidate = None;
                return Heard::Waiting;
            }
            self.sure = true;
        }
        let closing = *self.line.markers.last().unwrap_or(&opening);
        if passed >= end_of(closing, marker_s) {
            let expected = self.span(closing - opening);
            let slack = expected * LARGEST_SKEW + SLACK_S * self.rate_hz;
            let from = candidate.at + (expected - slack).max(0.0) as u64;
            let to = candidate.at + (expected + slack + (marker_s + SLACK_S) * self.rate_hz) as u64;
            return match self.find_marker(from, to) {
                Some(_) => Heard::Whole,
                None if candidate.clearness >= RELIED_ON => Heard::Overdue,
                None => Heard::Unmarked,
            };
        }
        Heard::Begun { sweeps: ended }
    }

    /// The clearest marker that lies wholly from one frame to another.
    fn find_marker(&self, from: u64, to: u64) -> Option<Candidate> {
        let marker = self.marker()?;
        let template = rendered(marker.seconds, self.rate_hz, |t_s| marker.held_at(t_s, self.rate_hz));
        let found = (0..self.kept.len()).filter_map(|input| {
            let (at, clearness) = self
                .like((input, from, to), &template, marker, template.len() as u64)
                .filter(|found| found.1 >= CLEAR)?;
            Some(Candidate { at, input, clearness })
        });
        found.max_by(|a, b| a.clearness.total_cmp(&b.clearness))
    }

    /// Whether the sweep at stimulus frame `sweep` lies where it must after the marker.
    fn follows(&self, candidate: Candidate, sweep: usize) -> bool {
        let (Ok(plan), Some(marker)) = (sweep_of(&self.recipe), self.marker()) else { return false };
        let expected = self.span(sweep - self.line.markers[0]);
        let slack = expected * LARGEST_SKEW + SLACK_S * self.rate_hz;
        let template = rendered(plan.shape.seconds, self.rate_hz, |t_s| plan.shape.at(t_s));
        let from = candidate.at + (expected - slack).max(0.0) as u64;
        let to = from + (2.0 * slack) as u64 + template.len() as u64;
        // The input that carries the marker carries that part of the sweep.
        self.like((candidate.input, from, to), &template, marker, 0)
            .is_some_and(|found| found.1 >= SWEEP_CLEAR)
    }

    /// The frame from which `template` is heard whole in a part of an input, and how clearly. The noise is told from
    /// `before` more frames too: in a short part the template runs past the end at most instants, and finds less of it there.
    fn like(
        &self,
        (input, from, to): (usize, u64, u64),
        template: &[f64],
        band: &MarkerShape,
        before: u64,
    ) -> Option<(u64, f64)> {
        let place = |frame: u64| frame.saturating_sub(self.kept_from) as usize;
        let kept = self.kept.get(input)?;
        let first = place(from.saturating_sub(before));
        let part = kept.get(first..place(to).min(kept.len()))?;
        let latest = part.len().checked_sub(template.len())?;
        if part.iter().all(|x| x.abs() < SILENCE) {
            return None;
        }
        let high_hz = band.high_hz_at(self.rate_hz);
        let alike = likeness(&self.plans, part, template, self.rate_hz, band.low_hz, high_hz);
        let earliest = place(from) - first;
        let (at, strength) = alike.strongest_in(earliest as f64, latest as f64)?;
        Some((self.kept_from + first as u64 + at.round() as u64, alike.clearness(strength)))
    }

    /// Lets go of what will not be looked at again.
    fn forget(&mut self, marker_s: f64) {
        let needed_s = match self.candidate {
            // The first sweep must be whole when it is looked for.
            Some(_) if !self.sure => self.span(self.line.sweeps[0]) / self.rate_hz + self.longest_s() + 1.0,
            _ => 2.0 * marker_s + LOOK_S + 1.0,
        };
        // Clocks may be apart over the whole stimulus; the closing marker is looked for that much earlier.
        let drift_s = self.span(self.line.frames) / self.rate_hz * 2.0 * LARGEST_SKEW;
        let needed = ((needed_s + drift_s + 2.0 * AFTER_S) * self.rate_hz) as usize;
        let gone = self.kept.first().map_or(0, Vec::len).saturating_sub(needed);
        self.kept.iter_mut().for_each(|kept| drop(kept.drain(..gone)));
        self.kept_from += gone as u64;
    }

    fn longest_s(&self) -> f64 {
        sweep_of(&self.recipe).map_or(0.0, |sweep| sweep.shape.seconds)
    }
}

#[cfg(test)]
mod tests;
