//! Finds a stimulus in a recording, and how fast the recording's clock runs.

use super::MeasureError;
use super::compressed::{AFTER_S, BEFORE_S, Compressed};
use super::deconvolve::{Divisor, Stretch};
use super::lag::Lag;
use super::search::{Found, find_jointly, likeness, rendered};
use super::time_base::TimeBase;
use crate::spectrum::{Plans, fast_length};
use crate::stimulus::{MarkerShape, Recipe, Sweep, Timeline};
use crate::verdict::Verdict;

/// Largest clock error that is searched for.
pub(super) const LARGEST_SKEW: f64 = 600e-6;
/// A sound counts as found when its likeness is this many times the median of noise; the largest of a million
/// values of noise alone is 4.5 times.
pub(super) const CLEAR: f64 = 6.0;
/// Lags that leave the line of a steady clock by more than this are lost samples, not drift.
const LOST_FRAMES: f64 = 0.3;

/// One stimulus in one recording.
pub(super) struct Search<'a> {
    pub plan: &'a Sweep,
    pub amplitude: f64,
    pub line: Timeline,
    pub recording: &'a [f64],
    pub rate_hz: f64,
    pub plans: &'a Plans,
}

impl<'a> Search<'a> {
    pub fn new(
        plans: &'a Plans,
        recipe: &Recipe,
        plan: &'a Sweep,
        recording: &'a [f64],
        rate_hz: f64,
    ) -> Self {
        let line = plan.timeline(recipe.rate_hz);
        Self { plan, amplitude: recipe.amplitude(), line, recording, rate_hz, plans }
    }

    /// Finds the stimulus by its markers, or else by its sweeps.
    pub fn locate(&self) -> Result<TimeBase, MeasureError> {
        let peak = self.recording.iter().fold(0.0f64, |m, x| m.max(x.abs()));
        if peak < SILENCE {
            return Err(MeasureError::Silent);
        }
        let Some(found) = self.by_markers(self.rate_hz) else {
            return match self.by_sweeps().map(|base| self.refine(base, false)) {
                Some(Ok(base)) if self.runs_as_played(&base) => Ok(base),
                by_sweeps => match self.other_rate(CLEAR) {
                    Some(error) => Err(error),
                    None => by_sweeps.unwrap_or_else(|| Err(self.why_not())),
                },
            };
        };
        let base = self.refine(self.on_markers(&found)?, true)?;
        // A loud sweep can pass for markers; what does not run evenly may be a recording at another rate.
        if base.remarks.iter().any(|(verdict, _)| *verdict == Verdict::Retake)
            && let Some(error) = self.other_rate(3.0 * found.clearness)
        {
            return Err(error);
        }
        Ok(base)
    }

    /// True where all repeats lie as far apart as they were played, so that the rate is right.
    fn runs_as_played(&self, base: &TimeBase) -> bool {
        base.sweeps.len() > 1
            && base.sweeps.len() == self.line.sweeps.len()
            && base.remarks.iter().all(|(verdict, _)| *verdict != Verdict::Retake)
    }

    fn played_s(&self, at: usize) -> f64 {
        at as f64 / f64::from(self.line.rate_hz)
    }

    /// The markers, taking the recording to run at `rate_hz`.
    fn by_markers(&self, rate_hz: f64) -> Option<Found> {
        let marker = &self.plan.marker;
        let high_hz = marker.high_hz_at(rate_hz);
        if self.line.markers.is_empty() || high_hz < 2.0 * marker.low_hz {
            return None;
        }
        let template = rendered(marker.seconds, rate_hz, |t_s| marker.held_at(t_s, rate_hz));
        let alike = likeness(self.plans, self.recording, &template, rate_hz, marker.low_hz, high_hz);
        let first = *self.line.markers.first()?;
        let distances: Vec<f64> =
            self.line.markers.iter().map(|&at| self.played_s(at - first) * rate_hz).collect();
        find_jointly(&alike, &distances, LARGEST_SKEW, (0.02 * rate_hz) as usize)
            .filter(|found| found.clearness >= CLEAR)
    }

    /// Clock and places from markers that were found.
    fn on_markers(&self, found: &Found) -> Result<TimeBase, MeasureError> {
        let first = self.line.markers[0];
        let since_s: Vec<f64> = self.line.markers.iter().map(|&at| self.played_s(at - first)).collect();
        let mut times = found.at.clone();
        let mut sigma_frames = 0.0;
        let (mut frames_per_s, mut start) =
            line_through(&since_s, &times).unwrap_or((self.rate_hz, times[0]));
        for _ in 0..2 {
            let heard: Vec<Compressed> =
                times.iter().map(|&at| self.marker(at.round(), frames_per_s)).collect();
            for (i, this) in heard.iter().enumerate().skip(1) {
                let lag = this.after(&heard[0], None).ok_or(MeasureError::NotFound)?;
                times[i] = times[i].round() - times[0].round() + times[0] + lag.seconds * frames_per_s;
                sigma_frames = lag.sigma_s * frames_per_s;
            }
            (frames_per_s, start) = line_through(&since_s, &times).unwrap_or((frames_per_s, start));
        }
        let mut remarks = Vec::new();
        let worst =
            since_s.iter().zip(&times).map(|(s, t)| (t - start - s * frames_per_s).abs()).fold(0.0, f64::max);
        if worst > LOST_FRAMES.max(8.0 * sigma_frames) {
            remarks.push(lost(worst));
        }
        let span_s = since_s.last().copied().unwrap_or(0.0);
        let known = span_s > 0.0;
        Ok(TimeBase {
            frames_per_s,
            skew_ppm: known.then(|| (frames_per_s / self.rate_hz - 1.0) * 1e6),
            skew_sigma_ppm: if known { sigma_frames / span_s / self.rate_hz * 1e6 } else { f64::INFINITY },
            sweeps: self.complete(&self.line.sweeps, first, start, frames_per_s),
            remarks,
        })
    }

    /// The sweeps that lie wholly in the recording when stimulus sample `first` lies at `start`.
    fn complete(&self, sweeps: &[usize], first: usize, start: f64, frames_per_s: f64) -> Vec<(usize, f64)> {
        let length = self.plan.shape.seconds * frames_per_s;
        sweeps
            .iter()
            .map(|&at| start + (self.played_s(at) - self.played_s(first)) * frames_per_s)
            .enumerate()
            .filter(|(_, at)| *at >= 0.0 && at + length <= self.recording.len() as f64)
            .map(|(i, at)| (i + 1, at))
            .collect()
    }

    /// The sweeps themselves, where no markers can be found: all of them, or as many from the first as there are.
    fn by_sweeps(&self) -> Option<TimeBase> {
        let shape = &self.plan.shape;
        let template = rendered(shape.seconds, self.rate_hz, |t_s| shape.at(t_s));
        let high_hz = shape.high_hz.min(0.48 * self.rate_hz);
        let alike = likeness(self.plans, self.recording, &template, self.rate_hz, shape.low_hz, high_hz);
        let first = *self.line.sweeps.first()?;
        let distances: Vec<f64> =
            self.line.sweeps.iter().map(|&at| self.played_s(at - first) * self.rate_hz).collect();
        let found = (1..=distances.len()).rev().find_map(|count| {
            find_jointly(&alike, &distances[..count], LARGEST_SKEW, (0.05 * self.rate_hz) as usize)
                .filter(|found| found.clearness >= CLEAR)
        })?;
        let times = found.at;
        let since_s: Vec<f64> =
            self.line.sweeps.iter().take(times.len()).map(|&at| self.played_s(at - first)).collect();
        let fitted = line_through(&since_s, &times);
        let (frames_per_s, start) = fitted.unwrap_or((self.rate_hz, times[0]));
        let how = match (self.line.markers.is_empty(), fitted.is_some()) {
            (true, true) => "The stimulus has no markers; the clock's error is estimated from the repeats.",
            (false, true) => {
                "The markers were not found, only the sweeps; the clock's error is estimated from the repeats. Check that the recording holds the whole stimulus."
            }
            (true, false) => {
                "The stimulus has no markers and only one sweep: the clock's error is unknown, and phase at high frequency with it. Markers around the sweeps tell it."
            }
            (false, false) => {
                "The markers were not found, only one sweep: the clock's error is unknown, and phase at high frequency with it. Check that the recording holds the whole stimulus."
            }
        };
        let sweeps: Vec<(usize, f64)> =
            self.complete(&self.line.sweeps[..times.len()], first, start, frames_per_s);
        if sweeps.is_empty() {
            return None;
        }
        let mut remarks = vec![(Verdict::Usable, how.to_string())];
        if times.len() < self.line.sweeps.len() {
            let words = format!(
                "Only {} of {} sweeps are in the recording; record until the stimulus has ended.",
                times.len(),
                self.line.sweeps.len()
            );
            remarks.push((Verdict::Usable, words));
        }
        Some(TimeBase {
            frames_per_s,
            skew_ppm: fitted.map(|_| (frames_per_s / self.rate_hz - 1.0) * 1e6),
            skew_sigma_ppm: f64::INFINITY,
            sweeps,
            remarks,
        })
    }

    /// Whether the markers are there, this clear at least, at a rate that the header does not say.
    fn other_rate(&self, clearness: f64) -> Option<MeasureError> {
        let (says_hz, played_hz) = (self.rate_hz as u32, self.line.rate_hz);
        // A recording at the played rate is the most likely one to be mislabelled.
        [played_hz, 44_100, 48_000, 88_200, 96_000, 32_000, 16_000]
            .into_iter()
            .filter(|&is_hz| self.line.markers.len() > 1 && is_hz != says_hz)
            .filter(|&is_hz| (0.4..=2.5).contains(&(f64::from(is_hz) / self.rate_hz)))
            .find(|&is_hz| {
                self.by_markers(f64::from(is_hz)).is_some_and(|found| found.clearness >= clearness)
            })
            .map(|is_hz| MeasureError::WrongRate { says_hz, is_hz })
    }

    /// Why the stimulus cannot be found.
    fn why_not(&self) -> MeasureError {
        let needed_s = self.plan.shape.seconds;
        let has_s = self.recording.len() as f64 / self.rate_hz;
        if has_s < needed_s {
            return MeasureError::TooShort { has_s, needed_s: self.played_s(self.line.frames) };
        }
        MeasureError::NotFound
    }

    /// What the repeats say about the clock, and whether sweep and markers lie on one line, where the markers are heard.
    fn refine(&self, mut base: TimeBase, by_markers: bool) -> Result<TimeBase, MeasureError> {
        if base.sweeps.is_empty() {
            let has_s = self.recording.len() as f64 / self.rate_hz;
            return Err(MeasureError::TooShort { has_s, needed_s: self.played_s(self.line.frames) });
        }
        if base.sweeps.len() < self.line.sweeps.len() && base.remarks.is_empty() {
            let words = format!(
                "Only {} of {} sweeps lie wholly in the recording; start it earlier and stop it later.",
                base.sweeps.len(),
                self.line.sweeps.len()
            );
            base.remarks.push((Verdict::Usable, words));
        }
        let mut heard = self.sweeps(&base);
        for _ in 0..2 {
            let Some(turned_ppm) = self.by_repeats(&mut base, &mut heard) else { break };
            if turned_ppm.abs() < SMEARS_PPM {
                break;
            }
            heard = self.sweeps(&base);
        }
        if base.sweeps.len() > 1 {
            let lags: Vec<Option<Lag>> = heard.iter().skip(1).map(|h| h.after(&heard[0], None)).collect();
            let off = lags.iter().flatten().map(|l| l.seconds.abs() - 8.0 * l.sigma_s).fold(0.0, f64::max);
            if off * base.frames_per_s > LOST_FRAMES {
                base.remarks.push(lost(off * base.frames_per_s));
            } else {
                // A clock that drifts a little: each repeat keeps its own place.
                for (sweep, lag) in base.sweeps.iter_mut().skip(1).zip(lags) {
                    if let Some(lag) = lag.filter(|l| l.seconds.abs() > 5.0 * l.sigma_s) {
                        sweep.1 += lag.seconds * base.frames_per_s;
                    }
                }
            }
        }
        if by_markers && let Some(first) = heard.first() {
            self.check_against_markers(&mut base, first);
        }
        Ok(base)
    }

    /// Turns the clock so that first and last repeat agree, as far as they know better than the markers, and tells by how
    /// much. `heard` holds every sweep as the clock is now, and follows it; `None` where it stays as it is.
    fn by_repeats(&self, base: &mut TimeBase, heard: &mut [Compressed]) -> Option<f64> {
        let (&[(first, start), .., (last, end)], [early, .., late]) = (base.sweeps.as_slice(), &*heard)
        else {
            return None;
        };
        let at = base.sweeps.len() / 2;
        let (Some(&(_, middle)), Some(halfway)) = (base.sweeps.get(at), heard.get(at)) else { return None };
        let span_s = self.played_s(self.line.sweeps[last - 1] - self.line.sweeps[first - 1]);
        let lag = late.after(early, None)?;
        let half = if at + 1 == heard.len() { lag } else { halfway.after(early, None)? };
        // A spoiled repeat, or lost samples, do not lie on the line; then the markers are the better witness.
        let expected_s = lag.seconds * (middle - start) / (end - start).max(1.0);
        let apart_s = (half.seconds - expected_s).abs();
        if apart_s * base.frames_per_s > 0.02 + 6.0 * half.sigma_s.hypot(lag.sigma_s) * base.frames_per_s {
            return None;
        }
        let own_sigma_ppm = lag.sigma_s / span_s * 1e6;
        let found_ppm = lag.seconds / span_s * 1e6;
        let trust = if base.skew_sigma_ppm.is_finite() {
            // Markers and repeats that contradict one another are left to the check for lost samples.
            if found_ppm.abs() > 8.0 * base.skew_sigma_ppm.hypot(own_sigma_ppm) + 0.05 {
                return None;
            }
            // A digital copy leaves no doubt in either.
            let both = base.skew_sigma_ppm.hypot(own_sigma_ppm);
            if both > 0.0 { (base.skew_sigma_ppm / both).powi(2) } else { 0.0 }
        } else {
            1.0
        };
        if (trust * found_ppm).abs() < SETTLED_PPM && base.skew_sigma_ppm.is_finite() {
            return None;
        }
        let ratio = 1.0 + trust * found_ppm * 1e-6;
        if (base.frames_per_s * ratio / self.rate_hz - 1.0).abs() > LARGEST_SKEW {
            return None;
        }
        for (sweep, heard) in base.sweeps.iter_mut().zip(heard) {
            let moved = (sweep.1 - start) * (ratio - 1.0);
            sweep.1 += moved;
            heard.count_later(moved / base.frames_per_s);
        }
        base.frames_per_s *= ratio;
        base.skew_ppm = Some((base.frames_per_s / self.rate_hz - 1.0) * 1e6);
        // Of two independent estimates weighed by how sure they are.
        base.skew_sigma_ppm = own_sigma_ppm * trust.sqrt();
        Some(trust * found_ppm)
    }

    /// Samples lost within the only sweep: markers and sweep then disagree about when each frequency arrived.
    fn check_against_markers(&self, base: &mut TimeBase, sweep: &Compressed) {
        let (Some(&marker_at), Some(&(repeat, start))) = (self.line.markers.first(), base.sweeps.first())
        else {
            return;
        };
        let since_s = self.played_s(self.line.sweeps[repeat - 1] - marker_at);
        let marker_start = start - since_s * base.frames_per_s;
        if marker_start < 0.0 || base.remarks.iter().any(|(v, _)| *v == Verdict::Retake) {
            return;
        }
        let marker = self.marker(marker_start, base.frames_per_s);
        let (low_hz, high_hz) = (self.plan.marker.low_hz, self.plan.marker.high_hz_at(base.frames_per_s));
        let bands = ((high_hz / low_hz).log2().floor() as usize).max(1);
        let ratio = (high_hz / low_hz).powf(1.0 / bands as f64);
        let lags: Vec<Lag> = (0..bands)
            .filter_map(|i| {
                let from_hz = low_hz * ratio.powi(i as i32);
                sweep.after(&marker, Some((from_hz, from_hz * ratio)))
            })
            .collect();
        // Two bands must agree that time has slipped: one alone may be a dip of the car.
        let mut off: Vec<f64> =
            lags.iter().map(|l| (l.seconds.abs() - 8.0 * l.sigma_s) * base.frames_per_s).collect();
        off.sort_by(f64::total_cmp);
        if let Some(&second) = off.len().checked_sub(2).and_then(|i| off.get(i))
            && second > LOST_FRAMES
        {
            base.remarks.push(lost(second));
        }
    }

    /// What one marker beginning at `start` says of the car.
    fn marker(&self, start: f64, frames_per_s: f64) -> Compressed {
        let marker: &MarkerShape = &self.plan.marker;
        let margin = ((BEFORE_S + AFTER_S) * frames_per_s) as usize;
        let frames = fast_length((marker.seconds * frames_per_s) as usize + 2 * margin);
        let first = start.floor() as i64 - margin as i64;
        let at = Stretch { first, frames, start, frames_per_s };
        let held = |t_s| marker.held_at(t_s, frames_per_s);
        let cyclic = Divisor::matched(held, &at, self.plans).divide(self.recording);
        Compressed::new(self.plans, &cyclic, frames_per_s, marker.low_hz, marker.high_hz_at(frames_per_s), 0)
    }

    /// What each sweep says of the car. All are divided by the first: played the same, they differ by their delay alone.
    fn sweeps(&self, base: &TimeBase) -> Vec<Compressed> {
        let Some(&(_, start)) = base.sweeps.first() else { return Vec::new() };
        let (shape, frames_per_s) = (&self.plan.shape, base.frames_per_s);
        let at = stretch(self.plan, start, frames_per_s);
        let divisor = Divisor::of_sweep(shape, self.amplitude, &at, self.plans);
        let compressed = |&(_, begins): &(usize, f64)| {
            let whole = (begins - start).round();
            let cyclic = divisor.divide_from(self.recording, at.first + whole as i64);
            let (low_hz, high_hz) = (2.0 * shape.low_hz, 0.9 * shape.high_hz);
            let mut heard = Compressed::new(self.plans, &cyclic, frames_per_s, low_hz, high_hz, 1);
            heard.count_later((begins - start - whole) / frames_per_s);
            heard
        };
        base.sweeps.iter().map(compressed).collect()
    }
}

/// A clock that would move by less than this stays: a nanosecond over ten seconds.
const SETTLED_PPM: f64 = 1e-4;
/// A clock turned by less than this moves the top of a sweep against its bottom by half a microsecond at most.
const SMEARS_PPM: f64 = 0.05;
/// Below this nothing was recorded (−100 dBFS).
pub(super) const SILENCE: f64 = 1e-5;
/// What a stretch holds before its sweep.
pub(super) const LEAD_S: f64 = 0.25;

/// The stretch of a recording that belongs to a sweep beginning at `start`.
pub(super) fn stretch(plan: &Sweep, start: f64, frames_per_s: f64) -> Stretch {
    let lead = (LEAD_S.min(plan.guard_s) * frames_per_s) as i64;
    let length = (plan.shape.seconds + plan.gap_s) * frames_per_s;
    // Not a sample of the next sweep or marker: the fast length below, not above.
    let frames = fast_length(((length as usize) + lead as usize) * 31 / 32);
    let frames =
        if frames as f64 > length + lead as f64 { (length as usize + lead as usize) & !1 } else { frames };
    Stretch { first: start.floor() as i64 - lead, frames, start, frames_per_s }
}

fn lost(frames: f64) -> (Verdict, String) {
    let words = format!(
        "The recording does not run evenly with the stimulus: about {frames:.0} sample(s) or more were lost or doubled on the way. Close other programs, use a larger buffer or another port, and take it again.",
        frames = frames.max(1.0)
    );
    (Verdict::Retake, words)
}

/// Least-squares line `y = slope · x + offset`; `None` where `x` does not spread.
fn line_through(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let n = x.len() as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let xx: f64 = x.iter().map(|v| (v - mx).powi(2)).sum();
    let xy: f64 = x.iter().zip(y).map(|(v, w)| (v - mx) * (w - my)).sum();
    (xx > 0.0).then(|| (xy / xx, my - xy / xx * mx))
}
