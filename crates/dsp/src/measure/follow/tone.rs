//! Following a tone whose level is turned up by hand: when it has begun, and when it has ended.

use super::level::Levels;

/// How much of the tone has been heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ToneHeard {
    /// Nothing yet.
    Waiting,
    /// It sounds.
    Begun,
    /// It has ended.
    Ended,
}

/// It has begun once it has lasted this long.
const STEADY_S: f64 = 0.6;
/// It has ended once it has been away this long; a step of a volume control may mute for a moment.
const AWAY_S: f64 = 2.0;
/// Away is this far under its loudest, as a ratio: 40 dB.
const AWAY: f64 = 0.01;

/// Follows a tone in whichever input it is loudest.
#[derive(Debug)]
pub struct ToneFollower {
    levels: Levels,
    loudest: f64,
    /// Levels in a row that were loud, or soft after that.
    run: usize,
    heard: ToneHeard,
}

impl ToneFollower {
    /// For a recording of `inputs` inputs at `rate_hz`.
    pub fn new(rate_hz: u32, inputs: usize) -> Self {
        Self { levels: Levels::new(rate_hz, inputs), loudest: 0.0, run: 0, heard: ToneHeard::Waiting }
    }

    /// Takes in more of the recording, interleaved; says what has been heard up to now.
    pub fn hear(&mut self, frames: &[f32]) -> ToneHeard {
        for rms in self.levels.hear(frames) {
            self.level(rms);
        }
        self.heard
    }

    fn level(&mut self, rms: f64) {
        match self.heard {
            ToneHeard::Waiting => {
                self.run = if self.levels.is_loud(rms) { self.run + 1 } else { 0 };
                if self.run >= Levels::in_time(STEADY_S) {
                    (self.heard, self.run, self.loudest) = (ToneHeard::Begun, 0, rms);
                }
            }
            ToneHeard::Begun => {
                self.loudest = self.loudest.max(rms);
                self.run = if rms < AWAY * self.loudest { self.run + 1 } else { 0 };
                if self.run >= Levels::in_time(AWAY_S) {
                    self.heard = ToneHeard::Ended;
                }
            }
            ToneHeard::Ended => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(follower: &mut ToneFollower, seconds: f64, amplitude: f64) -> ToneHeard {
        let frames = (seconds * 48_000.0) as usize;
        let tone = (0..frames).map(|n| (amplitude * (n as f64 * 0.1309).sin()) as f32);
        // The second input hears the tone, the first next to nothing.
        let interleaved: Vec<f32> = tone.flat_map(|x| [1e-5, x]).collect();
        interleaved.chunks(8192).map(|block| follower.hear(block)).last().unwrap()
    }

    #[test]
    fn a_tone_begins_is_turned_up_and_ends() {
        let mut follower = ToneFollower::new(48_000, 2);
        assert_eq!(heard(&mut follower, 3.0, 1e-4), ToneHeard::Waiting);
        assert_eq!(heard(&mut follower, 1.0, 0.01), ToneHeard::Begun);
        // A step that mutes for half a second is no end.
        assert_eq!(heard(&mut follower, 0.5, 0.0), ToneHeard::Begun);
        assert_eq!(heard(&mut follower, 5.0, 0.3), ToneHeard::Begun);
        assert_eq!(heard(&mut follower, 1.0, 1e-4), ToneHeard::Begun);
        assert_eq!(heard(&mut follower, 1.5, 1e-4), ToneHeard::Ended);
    }

    #[test]
    fn a_knock_is_no_tone() {
        let mut follower = ToneFollower::new(48_000, 2);
        heard(&mut follower, 1.0, 1e-4);
        assert_eq!(heard(&mut follower, 0.3, 0.5), ToneHeard::Waiting);
        assert_eq!(heard(&mut follower, 3.0, 1e-4), ToneHeard::Waiting);
    }
}
