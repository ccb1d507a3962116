//! Short tones that tell the person at the microphone what to do without looking.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use crate::card;
use crate::rig::{PlayedChannel, RigError, Watch};
use crate::safety::peak_of_dbfs;

/// No cue is louder, whatever is asked for.
pub const LOUDEST_DBFS: f64 = -20.0;

/// What a cue says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cue {
    /// Rising: go, hold still, the sweep follows.
    Go,
    /// Falling: done here, move on to the next position.
    MoveOn,
    /// Twice low: again, the same position; the screen says why.
    Again,
}

impl Cue {
    /// The notes: pitch in Hz (0 is a rest) and length in seconds.
    fn notes(self) -> &'static [(f64, f64)] {
        // A fourth up, a fourth down, and one low pitch twice: told apart by direction, not by pitch alone.
        match self {
            Self::Go => &[(660.0, 0.11), (880.0, 0.16)],
            Self::MoveOn => &[(880.0, 0.11), (660.0, 0.16)],
            Self::Again => &[(330.0, 0.14), (0.0, 0.09), (330.0, 0.14)],
        }
    }

    /// The cue as samples, every note faded in and out; its peak is `level_dbfs`, at most [`LOUDEST_DBFS`].
    pub fn samples(self, rate_hz: u32, level_dbfs: f64) -> Vec<f32> {
        let rate = f64::from(rate_hz);
        let peak = peak_of_dbfs(level_dbfs.min(LOUDEST_DBFS));
        let mut samples = Vec::new();
        for &(pitch_hz, seconds) in self.notes() {
            let frames = (seconds * rate) as usize;
            samples.extend((0..frames).map(|n| {
                let t = n as f64 / rate;
                let edge = (t / 0.012).min((seconds - t) / 0.03).clamp(0.0, 1.0);
                let rise = 0.5 - 0.5 * (PI * edge).cos();
                (peak * rise * (TAU * pitch_hz * t).sin()) as f32
            }));
        }
        samples
    }
}

/// Plays a cue on the first two channels of an output, the system's default when none is named; returns when it is over.
///
/// Best on a device of its own, such as the laptop's speakers: on the rig's output a processor channel with a tweeter may
/// hear it. It passes the same ceiling as a take, and `watch.stop()` silences it the same way.
///
/// # Errors
/// There is no such device, or it cannot be opened now.
pub fn play(cue: Cue, output: Option<&str>, level_dbfs: f64, watch: &Watch) -> Result<(), RigError> {
    const RATE_HZ: u32 = 48_000;
    let samples = Arc::new(cue.samples(RATE_HZ, level_dbfs));
    let both = [0, 1].map(|output| PlayedChannel { output, samples: Arc::clone(&samples) });
    card::sound_only(output, RATE_HZ, &both, LOUDEST_DBFS, watch)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::safety::{Player, dbfs};

    #[test]
    fn cues_are_short_faded_told_apart_and_never_loud() {
        let cues = [Cue::Go, Cue::MoveOn, Cue::Again];
        for cue in cues {
            for asked_dbfs in [-40.0, -20.0, 0.0] {
                let samples = cue.samples(48_000, asked_dbfs);
                let peak = samples.iter().fold(0f32, |peak, x| peak.max(x.abs()));
                assert!((dbfs(f64::from(peak)) - asked_dbfs.min(LOUDEST_DBFS)).abs() < 0.1);
                assert!(samples.len() < 24_000, "longer than half a second");
                let line = PlayedChannel { output: 0, samples: Arc::new(samples) };
                Player::new(48_000, &[line], LOUDEST_DBFS, None).unwrap();
            }
        }
        assert_ne!(Cue::MoveOn.samples(48_000, -30.0), Cue::Again.samples(48_000, -30.0));
    }
}
