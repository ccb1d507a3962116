//! Simulated cabins and drivers that share nothing with what they judge: image sources (Allen and Berkley 1979) and
//! second-order sections run sample by sample.

#![allow(dead_code, reason = "each test takes what it needs")]

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::PI;

const SPEED_M_S: f64 = 343.2;

/// A number from the environment, for longer runs and other draws than the usual ones.
pub fn asked<T: std::str::FromStr>(variable: &str, usual: T) -> T {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

pub fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

/// Close to normal: the sum of twelve even draws.
pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
}

pub fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|d| (a[d] - b[d]).powi(2)).sum::<f64>().sqrt()
}

/// Adds a pulse at `at` samples to a train: a long windowed sinc, of bandwidth `band` of half the rate.
pub fn add_pulse(train: &mut [f64], at: f64, strength: f64, half: i32, band: f64) {
    let centre = at.round();
    for k in -half..=half {
        let x = f64::from(k) - (at - centre);
        let sinc = if x.abs() < 1e-12 { band } else { (PI * band * x).sin() / (PI * x) };
        let window = (PI * x / (2.0 * f64::from(half + 1))).cos().powi(2);
        if let Some(sample) = train.get_mut((centre as i64 + i64::from(k)) as usize) {
            *sample += strength * sinc * window;
        }
    }
}

/// One second-order section, direct form, by the bilinear transform (textbook forms).
pub struct Section {
    b: [f64; 3],
    a: [f64; 2],
}

impl Section {
    pub fn pass(corner_hz: f64, q: f64, high: bool, rate_hz: f64) -> Self {
        let k = (PI * corner_hz / rate_hz).tan();
        let norm = 1.0 / (1.0 + k / q + k * k);
        let b0 = if high { norm } else { k * k * norm };
        let b1 = if high { -2.0 * b0 } else { 2.0 * b0 };
        Self { b: [b0, b1, b0], a: [2.0 * (k * k - 1.0) * norm, (1.0 - k / q + k * k) * norm] }
    }

    pub fn bell(centre_hz: f64, gain_db: f64, q: f64, rate_hz: f64) -> Self {
        let k = (PI * centre_hz / rate_hz).tan();
        let v = 10f64.powf(gain_db / 20.0);
        let norm = 1.0 / (1.0 + k / q + k * k);
        Self {
            b: [
                (1.0 + v * k / q + k * k) * norm,
                2.0 * (k * k - 1.0) * norm,
                (1.0 - v * k / q + k * k) * norm,
            ],
            a: [2.0 * (k * k - 1.0) * norm, (1.0 - k / q + k * k) * norm],
        }
    }

    pub fn run(&self, x: &mut [f64]) {
        let (mut s1, mut s2) = (0.0, 0.0);
        for v in x {
            let y = self.b[0] * *v + s1;
            s1 = self.b[1] * *v - self.a[0] * y + s2;
            s2 = self.b[2] * *v - self.a[1] * y;
            *v = y;
        }
    }
}

/// Butterworth of the fourth order as two sections.
pub const BUTTERWORTH_4: [f64; 2] = [0.541_196, 1.306_563];

/// A shoebox of random size whose walls reflect `reflection` of the pressure.
pub struct Cabin {
    pub size_m: [f64; 3],
    walls: [f64; 6],
    /// Centre of the driver's head.
    pub head_m: [f64; 3],
}

impl Cabin {
    pub fn random(rng: &mut ChaCha8Rng, reflection: (f64, f64)) -> Self {
        let size_m = [between(rng, 2.0, 2.8), between(rng, 1.3, 1.5), between(rng, 1.0, 1.25)];
        let walls = [(); 6].map(|()| between(rng, reflection.0, reflection.1));
        let head_m = [
            between(rng, 0.46, 0.58) * size_m[0],
            between(rng, 0.33, 0.41) * size_m[1],
            between(rng, 0.75, 0.85) * size_m[2],
        ];
        Self { size_m, walls, head_m }
    }

    /// Images of a source out to `reach_m` from the head: where they are and how strong.
    pub fn images(&self, source_m: [f64; 3], reach_m: f64) -> Vec<([f64; 3], f64)> {
        let most = |d: usize| (reach_m / (2.0 * self.size_m[d])) as i32 + 1;
        let mut images = Vec::new();
        for flip in 0..8 {
            for x in -most(0)..=most(0) {
                for y in -most(1)..=most(1) {
                    for z in -most(2)..=most(2) {
                        let cell = [x, y, z];
                        let (mut at_m, mut strength) = ([0.0; 3], 1.0);
                        for d in 0..3 {
                            let mirrored: i32 = flip >> d & 1;
                            at_m[d] = f64::from(1 - 2 * mirrored) * source_m[d]
                                + 2.0 * f64::from(cell[d]) * self.size_m[d];
                            strength *= self.walls[2 * d].powi((cell[d] - mirrored).abs())
                                * self.walls[2 * d + 1].powi(cell[d].abs());
                        }
                        if distance(at_m, self.head_m) < reach_m {
                            images.push((at_m, strength));
                        }
                    }
                }
            }
        }
        images
    }

    /// Impulse response at `offset_m` from the head, `length` samples, with `delay_s` before it.
    pub fn impulse(
        &self,
        images: &[([f64; 3], f64)],
        offset_m: [f64; 3],
        length: usize,
        rate_hz: f64,
        delay_s: f64,
    ) -> Vec<f64> {
        let at_m = std::array::from_fn(|d| self.head_m[d] + offset_m[d]);
        let mut impulse = vec![0.0; length];
        for &(image_m, strength) in images {
            let r = distance(image_m, at_m);
            add_pulse(&mut impulse, (r / SPEED_M_S + delay_s) * rate_hz, strength / r, 12, 0.92);
        }
        impulse
    }
}
