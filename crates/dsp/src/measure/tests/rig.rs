//! Simulated systems and recordings, made without any of the estimators under test.

use std::f64::consts::{PI, TAU};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::spectrum::{Complex, RealTransform, fast_length, minimum_phase};
use crate::stimulus::{Markers, Recipe, Signal, Sweep};

pub const RATE_HZ: f64 = 48_000.0;

/// A sweep of 2^19 samples from 20 Hz to 20 kHz, as near as its synchronised rate allows.
pub fn sweep_recipe(repeats: usize) -> Recipe {
    let plan = Sweep::usual(20.0, 20_000.0, 524_288.0 / RATE_HZ, repeats, Markers::Ends);
    Recipe { rate_hz: 48_000, channels: 1, level_dbfs: -12.0, signal: Signal::Sweep(plan) }
}

/// A random minimum-phase system with five reflections and a delay, known exactly in the frequency domain.
pub struct Car {
    bumps: Vec<(f64, f64, f64)>,
    reflections: Vec<(f64, f64)>,
    /// Delay of the direct sound.
    pub delay_s: f64,
}

impl Car {
    pub fn random(random: &mut ChaCha8Rng) -> Self {
        let bumps = (0..8)
            .map(|_| {
                let centre = 30.0 * (18_000.0f64 / 30.0).powf(random.random_range(0.0..1.0));
                (centre.ln(), random.random_range(0.15..0.8), random.random_range(-6.0..6.0))
            })
            .collect();
        let reflections =
            (0..5).map(|_| (random.random_range(0.001..0.020), random.random_range(-0.18..0.18))).collect();
        Self { bumps, reflections, delay_s: random.random_range(0.003..0.009) }
    }

    /// Nothing but a wire.
    pub fn wire() -> Self {
        Self { bumps: Vec::new(), reflections: Vec::new(), delay_s: 0.0 }
    }

    /// The minimum-phase part with its reflections, without the delay, at the bins of a transform.
    pub fn response(&self, plan: &RealTransform) -> Vec<Complex> {
        let spacing_hz = RATE_HZ / plan.length() as f64;
        let magnitude: Vec<f64> = (0..plan.bins())
            .map(|k| {
                let at = (k as f64 * spacing_hz).max(1.0).ln();
                let db: f64 = self.bumps.iter().map(|(c, w, g)| g * (-((at - c) / w).powi(2)).exp()).sum();
                10f64.powf(db / 20.0)
            })
            .collect();
        let minimum = minimum_phase(&magnitude).unwrap();
        minimum
            .iter()
            .enumerate()
            .map(|(k, h)| {
                let hz = k as f64 * spacing_hz;
                let echoes: Complex =
                    self.reflections.iter().map(|(t, g)| Complex::cis(-TAU * hz * t) * *g).sum();
                h * (1.0 + echoes)
            })
            .collect()
    }
}

/// `signal` through `car`, starting `offset` samples into the recording, on a clock fast by `skew`.
pub fn record(signal: &[f64], car: &Car, offset: f64, skew: f64, extra_s: f64) -> Vec<f64> {
    let frames = signal.len() + ((extra_s + 1.0) * RATE_HZ) as usize + offset as usize;
    let plan = RealTransform::new(fast_length(frames + 48_000));
    let spacing_hz = RATE_HZ / plan.length() as f64;
    let mut spectrum = plan.forward(signal);
    for (k, (bin, h)) in spectrum.iter_mut().zip(car.response(&plan)).enumerate() {
        let delay_s = car.delay_s + offset / RATE_HZ / (1.0 + skew);
        *bin *= h * Complex::cis(-TAU * k as f64 * spacing_hz * delay_s);
    }
    let played = plan.inverse(&spectrum);
    if skew == 0.0 {
        return played[..frames].to_vec();
    }
    (0..frames).map(|n| sinc_at(&played, n as f64 / (1.0 + skew))).collect()
}

/// Value between samples, by a long Hann-windowed sinc; independent of the one in the program.
fn sinc_at(samples: &[f64], at: f64) -> f64 {
    const HALF: i64 = 64;
    let base = at.floor() as i64;
    let part = at - base as f64;
    if part.abs() < 1e-12 {
        return samples.get(base as usize).copied().unwrap_or(0.0);
    }
    let sine = (PI * part).sin();
    (-HALF + 1..=HALF)
        .map(|k| {
            let x = part - k as f64;
            let sign = if k.rem_euclid(2) == 0 { 1.0 } else { -1.0 };
            let value = usize::try_from(base + k).ok().and_then(|n| samples.get(n)).copied().unwrap_or(0.0);
            value * sign * sine / (PI * x) * (0.5 + 0.5 * (PI * x / (HALF as f64 + 1.0)).cos())
        })
        .sum()
}

/// Power of the part of a recording that carries the stimulus.
fn power(samples: &[f64]) -> f64 {
    samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64
}

#[derive(Clone, Copy)]
pub enum Colour {
    White,
    /// Falling by 6 dB per octave above 20 Hz, as an idling car does.
    Idle,
}

/// Adds noise `snr_db` below the mean power of `samples` between the given instants.
pub fn add_noise(
    samples: &mut [f64],
    random: &mut ChaCha8Rng,
    colour: Colour,
    snr_db: f64,
    over: (usize, usize),
) {
    let signal = power(&samples[over.0..over.1]);
    let mut noise: Vec<f64> = (0..samples.len()).map(|_| gaussian(random)).collect();
    if let Colour::Idle = colour {
        let plan = RealTransform::new(fast_length(noise.len()));
        let spacing_hz = RATE_HZ / plan.length() as f64;
        let mut spectrum = plan.forward(&noise);
        for (k, bin) in spectrum.iter_mut().enumerate() {
            let hz = k as f64 * spacing_hz;
            *bin *= if hz < 5.0 { 0.0 } else { 20.0 / hz.max(20.0) };
        }
        noise = plan.inverse(&spectrum)[..samples.len()].to_vec();
    }
    let scale = (signal / power(&noise)).sqrt() * 10f64.powf(-snr_db / 20.0);
    samples.iter_mut().zip(&noise).for_each(|(s, n)| *s += scale * n);
}

/// One value of a normal distribution (Box and Muller).
pub fn gaussian(random: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (random.random_range(f64::MIN_POSITIVE..1.0), random.random_range(0.0..TAU));
    (-2.0 * a.ln()).sqrt() * b.cos()
}

pub fn seeded(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}
