//! A stimulus whose markers cannot be heard: a subwoofer's output alone carries the bottom of the sweeps and no more.

use super::level::Levels;

/// What sounds for less than this in all is a knock, a plug, a click of the player.
const LEAST_S: f64 = 2.0;
/// It is over once nothing has been heard for this long: somebody may still be looking for the file.
const AWAY_S: f64 = 8.0;

/// Whether something has sounded and is over that may have been the whole stimulus.
#[derive(Debug)]
pub(super) struct Unmarked {
    levels: Levels,
    /// Levels that the stimulus lasts.
    lasts: usize,
    /// Levels since the first loud one, loud ones among them, and soft ones since the last of these.
    since: usize,
    loud: usize,
    soft: usize,
}

impl Unmarked {
    /// For a stimulus of `lasts_s` seconds in a recording of `inputs` inputs at `rate_hz`.
    pub fn new(rate_hz: u32, inputs: usize, lasts_s: f64) -> Self {
        let lasts = Levels::in_time(lasts_s);
        Self { levels: Levels::new(rate_hz, inputs), lasts, since: 0, loud: 0, soft: 0 }
    }

    /// Takes in more of the recording, interleaved; true once the stimulus must be over, if it was that.
    pub fn hear(&mut self, frames: &[f32]) -> bool {
        self.levels.hear(frames).into_iter().any(|rms| self.level(rms))
    }

    fn level(&mut self, rms: f64) -> bool {
        let loud = self.levels.is_loud(rms);
        if loud || self.loud > 0 {
            self.since += 1;
            self.loud += usize::from(loud);
            self.soft = if loud { 0 } else { self.soft + 1 };
        }
        // Whatever was heard first cannot lie before the beginning.
        let over = self.since >= self.lasts && self.soft >= Levels::in_time(AWAY_S);
        let long = self.loud >= Levels::in_time(LEAST_S);
        if over && !long {
            (self.since, self.loud, self.soft) = (0, 0, 0);
        }
        over && long
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `seconds` of a rumble on the second of two inputs.
    fn heard(follower: &mut Unmarked, seconds: f64, amplitude: f64) -> bool {
        let frames = (seconds * 48_000.0) as usize;
        let rumble = (0..frames).flat_map(|n| [1e-5, (amplitude * (n as f64 * 0.0065).sin()) as f32]);
        follower.hear(&rumble.collect::<Vec<f32>>())
    }

    #[test]
    fn what_has_sounded_is_over_when_the_stimulus_must_be() {
        let mut follower = Unmarked::new(48_000, 2, 20.0);
        assert!(!heard(&mut follower, 3.0, 1e-4));
        assert!(!heard(&mut follower, 3.0, 0.1));
        assert!(!heard(&mut follower, 8.0, 1e-4), "the next sweep is still to come");
        assert!(!heard(&mut follower, 3.0, 0.1));
        assert!(!heard(&mut follower, 2.5, 1e-4));
        assert!(heard(&mut follower, 6.0, 1e-4));
    }

    #[test]
    fn a_knock_is_forgotten_and_a_hum_is_waited_for() {
        let mut follower = Unmarked::new(48_000, 2, 20.0);
        heard(&mut follower, 1.0, 1e-4);
        assert!(!heard(&mut follower, 0.5, 0.3));
        assert!(!heard(&mut follower, 30.0, 1e-4));
        assert!(!heard(&mut follower, 60.0, 0.1), "it still sounds");
    }
}
