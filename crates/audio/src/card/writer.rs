//! The writer thread: from the ring to the file, measuring what passes.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::beat::Pulse;
use super::stream::Ends;
use crate::rig::{Ear, Wanted, Watch};
use crate::wav::{Recorder, WavError};

/// How long the writer rests when the ring is empty.
const REST: Duration = Duration::from_millis(4);
/// The largest 16-bit sample as a float, less a hair: at or above it an input is at its end.
const CLIPPED: f32 = 0.999_96;
/// A dropout shows as exact silence that begins or ends abruptly; shorter ones happen in low-level signals, and what has
/// been silent from the first frame has not begun to sound.
const HOLE_LEAST_FRAMES: u64 = 48;
const HOLE_EDGE: f32 = 0.003;

/// Shared between the take and its writer.
#[derive(Debug, Default)]
pub(super) struct Switch {
    /// Nothing more will come: drain and close.
    pub done: AtomicBool,
    /// The file could not be written; the take must end.
    pub failed: AtomicBool,
    /// Whoever follows the recording has enough of it.
    pub enough: AtomicBool,
    /// Input frames before this one are not recorded.
    pub skip_until: AtomicU64,
}

/// What the writer saw.
pub(super) struct Written {
    pub frames: u64,
    pub peaks: Vec<f32>,
    pub clipped: Vec<u64>,
    pub not_finite: u64,
    /// First frame and length of each dropout, in frames of the recording.
    pub holes: Vec<(u64, u64)>,
    /// Frames the ring lost before reaching the writer.
    pub missing: u64,
    /// Input frames that were left out before the recording began.
    pub skipped: u64,
    pub pulse: Pulse,
}

pub(super) struct Writer<'a> {
    pub ends: Ends,
    pub recorder: Recorder,
    pub channels: usize,
    pub rate_hz: u32,
    pub origin: Instant,
    pub switch: &'a Switch,
    pub watch: &'a Watch,
    pub ear: &'a mut Ear<'a>,
}

impl Writer<'_> {
    pub fn run(mut self) -> Result<Written, WavError> {
        let mut seen = Seen::new(self.channels, self.rate_hz, self.origin);
        let mut block = Vec::new();
        loop {
            // Read before draining: what came before "done" is then surely drained.
            let done = self.switch.done.load(Ordering::Acquire);
            let mut idle = true;
            while let Ok(beat) = self.ends.beats.pop() {
                idle = false;
                let samples = beat.frames as usize * self.channels;
                let Ok(chunk) = self.ends.samples.read_chunk(samples) else { break };
                let (first, second) = chunk.as_slices();
                block.clear();
                block.extend_from_slice(first);
                block.extend_from_slice(second);
                chunk.commit_all();
                seen.written.missing += beat.first_frame - seen.next_frame.unwrap_or(beat.first_frame);
                seen.next_frame = Some(beat.first_frame + beat.frames);
                seen.written.pulse.add(beat);

                let skip = self
                    .switch
                    .skip_until
                    .load(Ordering::Acquire)
                    .saturating_sub(beat.first_frame)
                    .min(beat.frames);
                seen.written.skipped += skip;
                let kept = block.get(skip as usize * self.channels..).unwrap_or_default();
                if let Err(error) = self.recorder.write(kept) {
                    self.switch.failed.store(true, Ordering::Release);
                    return Err(error);
                }
                seen.look(kept);
                self.watch.set_inputs(seen.levels());
                self.watch.set_recorded_frames(self.recorder.frames());
                if !self.switch.enough.load(Ordering::Relaxed) && (self.ear)(kept) == Wanted::Enough {
                    self.switch.enough.store(true, Ordering::Release);
                }
            }
            if done && idle {
                break;
            }
            if idle {
                std::thread::sleep(REST);
            }
        }
        seen.written.frames =
            self.recorder.finish().inspect_err(|_| self.switch.failed.store(true, Ordering::Release))?;
        Ok(seen.written)
    }
}

struct Seen {
    written: Written,
    next_frame: Option<u64>,
    frame: u64,
    /// Largest sample of each input in the latest block.
    latest: Vec<f32>,
    /// Where the present run of exact silence began, and whether it began abruptly.
    silence: Option<(u64, bool)>,
    before: f32,
}

impl Seen {
    fn new(channels: usize, rate_hz: u32, origin: Instant) -> Self {
        let written = Written {
            frames: 0,
            peaks: vec![0.0; channels],
            clipped: vec![0; channels],
            not_finite: 0,
            holes: Vec::new(),
            missing: 0,
            skipped: 0,
            pulse: Pulse::new(rate_hz, origin),
        };
        let latest = vec![0.0; channels];
        Self { written, next_frame: None, frame: 0, latest, silence: None, before: 0.0 }
    }

    /// Level of each input in the latest block, and whether it ever touched full scale.
    fn levels(&self) -> impl Iterator<Item = (f32, bool)> {
        self.latest.iter().zip(&self.written.clipped).map(|(peak, clipped)| (*peak, *clipped > 0))
    }

    /// Counts a block.
    fn look(&mut self, block: &[f32]) {
        self.latest.fill(0.0);
        for frame in block.chunks_exact(self.written.peaks.len()) {
            let mut largest = 0f32;
            let counts = self.written.peaks.iter_mut().zip(&mut self.written.clipped);
            for ((sample, latest), (peak, clipped)) in frame.iter().zip(&mut self.latest).zip(counts) {
                let size = sample.abs();
                *latest = latest.max(size);
                self.written.not_finite += u64::from(!size.is_finite());
                largest = largest.max(size);
                *peak = peak.max(size);
                *clipped += u64::from(size >= CLIPPED);
            }
            self.follow_silence(largest);
            self.before = largest;
            self.frame += 1;
        }
    }

    fn follow_silence(&mut self, largest: f32) {
        match self.silence {
            None if largest == 0.0 => self.silence = Some((self.frame, self.before > HOLE_EDGE)),
            Some((start, began_abruptly)) if largest > 0.0 => {
                let length = self.frame - start;
                if start > 0 && length >= HOLE_LEAST_FRAMES && (began_abruptly || largest > HOLE_EDGE) {
                    self.written.holes.push((start, length));
                }
                self.silence = None;
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_silence_within_a_sound_is_a_hole() {
        let mut seen = Seen::new(1, 48_000, Instant::now());
        // Nothing plays at first, and the sound begins at once.
        seen.look(&[0.0; 200]);
        seen.look(&[0.5; 100]);
        seen.look(&[0.0; 60]);
        seen.look(&[0.5; 100]);
        // Too short for a dropout.
        seen.look(&[0.0; 40]);
        seen.look(&[0.5; 100]);
        // It ends, and nothing comes after.
        seen.look(&[0.0; 200]);
        assert_eq!(seen.written.holes, [(300, 60)]);
    }
}
