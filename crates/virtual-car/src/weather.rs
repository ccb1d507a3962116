//! What the microphone hears although nobody plays it: the idle cabin, hiss, and passing trouble.

use std::f64::consts::PI;

use crate::chance::{Chance, Purpose};
use crate::level::{add, factor, mean_square};
use crate::scenario::{Event, Hum, Noise};
use crate::transform::{Convolver, Transform, minimum_phase};

/// Below this the idle cabin does not rise any further.
const FLAT_BELOW_HZ: f64 = 30.0;

/// The noise of the idle cabin: `frames` samples whose level from 20 Hz to 20 kHz is `noise.level_db_spl` for a
/// microphone that reaches full scale with a sine at `full_scale_db_spl`.
pub fn idle_cabin(
    noise: &Noise,
    full_scale_db_spl: f64,
    rate_hz: f64,
    frames: usize,
    mut chance: Chance,
) -> Vec<f64> {
    let transform = Transform::new((0.17 * rate_hz) as usize * 2);
    let bin_hz = rate_hz / transform.length() as f64;
    let exponent = -noise.falls_db_per_octave / 20.0 * 10f64.log2();
    let shape: Vec<f64> = (0..=transform.length() / 2)
        .map(|bin| (bin as f64 * bin_hz / FLAT_BELOW_HZ).max(1.0).powf(exponent))
        .collect();
    let audible = |bin: usize| (20.0..=20_000.0).contains(&(bin as f64 * bin_hz));
    let power: f64 = shape.iter().enumerate().filter(|(bin, _)| audible(*bin)).map(|(_, m)| m * m).sum();
    // White noise of unit variance spreads its power evenly over the bins up to half the rate.
    let power = power / (transform.length() / 2) as f64;
    let rms = factor(noise.level_db_spl - full_scale_db_spl) / 2f64.sqrt();
    let gain = rms / power.sqrt();
    let scaled: Vec<f64> = shape.iter().map(|m| m * gain).collect();
    let mut taps = transform.signal(minimum_phase(&transform, &scaled));
    taps.truncate(transform.length() / 2);
    Convolver::new(&taps).run(&chance.gaussian(frames))
}

/// White noise whose level equals that of a sine at `level_dbfs`.
pub fn hiss(level_dbfs: f64, frames: usize, mut chance: Chance) -> Vec<f64> {
    let rms = factor(level_dbfs) / 2f64.sqrt();
    chance.gaussian(frames).into_iter().map(|sample| sample * rms).collect()
}

/// What the mains leave on a line: their frequency and its odd multiples up to the ninth.
pub fn hum(hum: &Hum, rate_hz: f64, frames: usize) -> Vec<f64> {
    let lines = [1.0, 3.0, 5.0, 7.0, 9.0].map(|n: f64| (n * hum.mains_hz, 3f64.powf((1.0 - n) / 2.0)));
    let peak = factor(hum.level_dbfs);
    let at = |frame: usize| {
        let turns = |hz: f64| (hz * frame as f64 / rate_hz).fract();
        lines.iter().map(|(hz, share)| share * (2.0 * PI * turns(*hz)).sin()).sum::<f64>()
    };
    (0..frames).map(|frame| peak * at(frame)).collect()
}

/// Adds the sound of `event`, which begins at frame `at`, to what the microphone records.
pub fn happen(
    event: Event,
    at: usize,
    full_scale_db_spl: f64,
    rate_hz: f64,
    heard: &mut [f64],
    chance: Chance,
) {
    let Some(rest) = heard.get_mut(at..) else { return };
    match event {
        Event::DoorSlam { level_db_spl } => {
            let slam = slam(rate_hz, chance);
            let peak = slam.iter().fold(0.0, |most: f64, s| most.max(s.abs()));
            add(rest, &slam, factor(level_db_spl - full_scale_db_spl) / peak.max(1e-12));
        }
        Event::Truck { level_db_spl, seconds } => {
            let truck = truck(seconds, rate_hz, chance);
            add(rest, &truck, factor(level_db_spl - full_scale_db_spl) / 2f64.sqrt());
        }
        Event::GainError { gain_db } => rest.iter_mut().for_each(|s| *s *= factor(gain_db)),
        Event::DroppedBlock { .. } | Event::SilentGap { .. } | Event::Unplug | Event::ClockError { .. } => {}
    }
}

/// A panel that thumps and a latch that knocks.
fn slam(rate_hz: f64, mut chance: Chance) -> Vec<f64> {
    let frames = (0.8 * rate_hz) as usize;
    let mut knock = chance.gaussian(frames);
    low_pass(&mut knock, 700.0, rate_hz);
    let thumps = [(31.0, 0.14), (47.0, 0.10), (83.0, 0.06)];
    (0..frames)
        .map(|n| {
            let t = n as f64 / rate_hz;
            let rise = 1.0 - (-t / 0.002).exp();
            let thump: f64 =
                thumps.iter().map(|(hz, tau)| (2.0 * PI * hz * t).sin() * (-t / tau).exp()).sum();
            rise * (thump + 6.0 * knock[n] * (-t / 0.04).exp())
        })
        .collect()
}

/// Rumble that comes and goes; unit rms as it is nearest.
fn truck(seconds: f64, rate_hz: f64, mut chance: Chance) -> Vec<f64> {
    let frames = (seconds * rate_hz) as usize;
    let mut rumble = chance.gaussian(frames);
    low_pass(&mut rumble, 90.0, rate_hz);
    low_pass(&mut rumble, 90.0, rate_hz);
    let unit = 1.0 / mean_square(&rumble).sqrt().max(1e-12);
    rumble
        .iter()
        .enumerate()
        .map(|(n, s)| s * unit * (PI * n as f64 / frames.max(1) as f64).sin().powi(2))
        .collect()
}

fn low_pass(signal: &mut [f64], corner_hz: f64, rate_hz: f64) {
    let keep = (-2.0 * PI * corner_hz / rate_hz).exp();
    let mut state = 0.0;
    for sample in signal {
        state = keep * state + (1.0 - keep) * *sample;
        *sample = state;
    }
}

/// The stream of random numbers for event number `index` of take `take`.
pub fn chance_of_event(seed: u64, take: u64, index: usize) -> Chance {
    Chance::new(seed, take, Purpose::Event, index)
}
