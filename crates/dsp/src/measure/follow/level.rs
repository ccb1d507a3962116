//! The level of a recording while it is made.

/// A level is taken over this time.
const LOOK_S: f64 = 0.1;
/// A sound stands this far above the softest that was heard before it, as a ratio: 20 dB.
const ABOVE_NOISE: f64 = 10.0;
/// Nothing softer is a sound: −70 dBFS.
const FAINTEST: f64 = 3e-4;

/// Levels of whichever input is loudest, one after the other.
#[derive(Debug)]
pub(super) struct Levels {
    look: usize,
    frames: usize,
    /// Sum of squares of each input in the present look.
    power: Vec<f64>,
    softest: f64,
}

impl Levels {
    pub fn new(rate_hz: u32, inputs: usize) -> Self {
        let look = ((LOOK_S * f64::from(rate_hz)) as usize).max(1);
        Self { look, frames: 0, power: vec![0.0; inputs], softest: f64::INFINITY }
    }

    /// Takes in more of the recording, interleaved; gives the rms of each look that has ended, 1 being full scale.
    pub fn hear(&mut self, frames: &[f32]) -> Vec<f64> {
        let mut ended = Vec::new();
        for frame in frames.chunks_exact(self.power.len().max(1)) {
            self.power.iter_mut().zip(frame).for_each(|(sum, x)| *sum += f64::from(*x).powi(2));
            self.frames += 1;
            if self.frames == self.look {
                let most = self.power.iter().copied().fold(0.0, f64::max);
                ended.push((most / self.look as f64).sqrt());
                self.power.fill(0.0);
                self.frames = 0;
            }
        }
        ended
    }

    /// Whether a level is a sound's, against the softest up to now.
    pub fn is_loud(&mut self, rms: f64) -> bool {
        let loud = rms > FAINTEST && rms > ABOVE_NOISE * self.softest;
        self.softest = self.softest.min(rms);
        loud
    }

    /// How many levels a time holds.
    pub fn in_time(seconds: f64) -> usize {
        (seconds / LOOK_S).round() as usize
    }
}
