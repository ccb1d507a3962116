//! Random numbers that are the same on every machine.

use std::f64::consts::PI;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of random numbers is for, so that streams do not repeat one another.
#[derive(Debug, Clone, Copy)]
pub enum Purpose {
    /// Latencies and the like.
    Take = 1,
    /// The idle cabin.
    Cabin = 2,
    /// Hiss of the microphone.
    Hiss = 3,
    /// Hiss of lines; the input's index is added.
    Line = 16,
    /// Hiss of head-unit outputs; the output's index is added.
    Factory = 1 << 8,
    /// Events; the event's index is added.
    Event = 1 << 10,
    /// Rattles; the channel's index is added.
    Rattle = 1 << 12,
    /// Displaced reflections.
    Scatter = 1 << 14,
}

/// One stream of random numbers.
pub struct Chance(ChaCha8Rng);

impl Chance {
    /// The stream of `seed` for `purpose`, number `index`, in take `take`.
    pub fn new(seed: u64, take: u64, purpose: Purpose, index: usize) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed ^ take.wrapping_mul(0x9E37_79B9_7F4A_7C15));
        generator.set_stream(purpose as u64 + index as u64);
        Self(generator)
    }

    /// Uniform from 0 (included) to 1 (excluded).
    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// `count` Gaussian samples of unit variance (Box and Muller 1958).
    pub fn gaussian(&mut self, count: usize) -> Vec<f64> {
        let mut samples = Vec::with_capacity(count + 1);
        while samples.len() < count {
            let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
            let (sin, cos) = (2.0 * PI * self.uniform()).sin_cos();
            samples.extend([radius * cos, radius * sin]);
        }
        samples.truncate(count);
        samples
    }
}
