//! The pulse of a stream: when each block came, and what that says about lost frames.

use std::time::Instant;

/// One block as the callback counted it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beat {
    /// Frames handed over before this block.
    pub first_frame: u64,
    /// Frames in this block.
    pub frames: u64,
    /// When the callback ran.
    pub at: Instant,
}

/// Lateness is looked at over stretches of this length; within one, at least one callback is on time.
const STRETCH_S: f64 = 1.0;
/// How many stretches a step must last: a busy computer recovers, a gap does not.
const LASTING: usize = 4;
/// The least step that counts: well above the scheduling noise of a callback, well below one lost block.
const LEAST_GAP_S: f64 = 0.015;

/// A stream fills its buffers ahead of time at first, and sound servers adapt them: what comes before says nothing.
const SETTLING_S: f64 = 0.5;

/// Finds lost frames by comparing the frames counted with the time that passed.
///
/// Callbacks may be late, never early, so the least lateness of a stretch is free of scheduling noise. A clock that
/// runs off moves it slowly; frames that vanish lift it at once and for good.
#[derive(Debug)]
pub(super) struct Pulse {
    rate_hz: f64,
    origin: Instant,
    /// The first frame of each stretch and the least lateness within it, in seconds.
    stretches: Vec<(u64, f64)>,
    stretch_from: Option<f64>,
    earliest: f64,
}

impl Pulse {
    pub fn new(rate_hz: u32, origin: Instant) -> Self {
        Self {
            rate_hz: f64::from(rate_hz),
            origin,
            stretches: Vec::new(),
            stretch_from: None,
            earliest: f64::INFINITY,
        }
    }

    pub fn add(&mut self, beat: Beat) {
        let time = beat.at.saturating_duration_since(self.origin).as_secs_f64();
        let late = time - (beat.first_frame + beat.frames) as f64 / self.rate_hz;
        self.earliest = self.earliest.min(late);
        if (beat.first_frame as f64) < SETTLING_S * self.rate_hz {
            return;
        }
        match (self.stretch_from, self.stretches.last_mut()) {
            (Some(from), Some((_, least))) if time - from < STRETCH_S => *least = least.min(late),
            _ => {
                self.stretch_from = Some(time);
                self.stretches.push((beat.first_frame, late));
            }
        }
    }

    /// Which frame was passing through the device at a moment: the latest that can have been counted by then.
    pub fn frame_at(&self, moment: Instant) -> Option<u64> {
        let time = moment.saturating_duration_since(self.origin).as_secs_f64();
        self.earliest.is_finite().then(|| ((time - self.earliest) * self.rate_hz).max(0.0) as u64)
    }

    /// Frames that went missing before a frame, with the frame near which they did.
    pub fn gaps(&self, to_frame: u64) -> Vec<(u64, u64)> {
        let lasting: Vec<f64> = (0..self.stretches.len())
            .map(|start| {
                self.stretches
                    .iter()
                    .skip(start)
                    .take(LASTING)
                    .map(|(_, late)| *late)
                    .fold(f64::INFINITY, f64::min)
            })
            .collect();
        // The last stretch is cut short: too few callbacks to know its least lateness.
        let whole = self.stretches.len().saturating_sub(1);
        lasting
            .iter()
            .zip(lasting.iter().skip(1))
            .zip(self.stretches.iter().take(whole).skip(1))
            .filter(|((before, after), (frame, _))| **after - **before > LEAST_GAP_S && *frame < to_frame)
            .map(|((before, after), (frame, _))| (*frame, ((after - before) * self.rate_hz) as u64))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    /// Blocks of 2730 frames at 48 kHz, each late by a pattern, from a clock that is off, with frames missing at one point.
    fn pulse(skew_ppm: f64, late_ms: impl Fn(u64) -> f64, gap_at_block: u64, gap_frames: u64) -> Pulse {
        let origin = Instant::now();
        let mut pulse = Pulse::new(48_000, origin);
        let mut missing = 0;
        for block in 0..500u64 {
            if block == gap_at_block {
                missing = gap_frames;
            }
            let real = (block + 1) as f64 * 2730.0 + missing as f64;
            let at_s = 0.1 + real / 48_000.0 / (1.0 + skew_ppm * 1e-6) + late_ms(block) * 1e-3;
            pulse.add(Beat {
                first_frame: block * 2730,
                frames: 2730,
                at: origin + Duration::from_secs_f64(at_s),
            });
        }
        pulse
    }

    #[test]
    fn a_lost_block_is_found_whatever_the_clock_and_the_load() {
        for skew_ppm in [-500.0, 0.0, 500.0] {
            for busy in [0.0, 40.0] {
                let late = |block: u64| if block % 7 == 3 { busy } else { 0.3 * (block % 5) as f64 };
                assert!(
                    pulse(skew_ppm, late, 1000, 0).gaps(u64::MAX).is_empty(),
                    "{skew_ppm} ppm, {busy} ms"
                );
                let found = pulse(skew_ppm, late, 200, 1365).gaps(u64::MAX);
                let [(frame, lost)] = found[..] else { panic!("{skew_ppm} ppm, {busy} ms: {found:?}") };
                // Within one stretch before the place, one after; drift over the lasting stretches adds to the amount.
                assert!(frame.abs_diff(200 * 2730) <= 2 * 48_000, "{frame}");
                assert!(lost.abs_diff(1365) < 150, "{lost}");
            }
        }
    }

    #[test]
    fn a_computer_that_stalls_for_a_while_loses_nothing() {
        let stalled = |block: u64| if (200..230).contains(&block) { 300.0 } else { 1.0 };
        assert!(pulse(0.0, stalled, 1000, 0).gaps(u64::MAX).is_empty());
    }
}
