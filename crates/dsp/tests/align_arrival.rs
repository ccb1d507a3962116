//! Arrivals in simulated cabins whose true delays are known.
//!
//! The drivers are cascades of second-order sections run over a train of fractionally delayed pulses, sample by sample; the
//! estimator sees only the noisy result.

use dsp::align::{Confidence, arrival};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::PI;

const RATE_HZ: f64 = 48_000.0;

/// One second-order section, direct form.
struct Section {
    b: [f64; 3],
    a: [f64; 2],
}

impl Section {
    /// Butterworth halves and a bell, by the bilinear transform (textbook forms).
    fn pass(corner_hz: f64, q: f64, high: bool) -> Self {
        let k = (PI * corner_hz / RATE_HZ).tan();
        let norm = 1.0 / (1.0 + k / q + k * k);
        let b0 = if high { norm } else { k * k * norm };
        let b1 = if high { -2.0 * b0 } else { 2.0 * b0 };
        Self { b: [b0, b1, b0], a: [2.0 * (k * k - 1.0) * norm, (1.0 - k / q + k * k) * norm] }
    }

    fn bell(centre_hz: f64, gain_db: f64, q: f64) -> Self {
        let k = (PI * centre_hz / RATE_HZ).tan();
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

    fn run(&self, x: &mut [f64]) {
        let (mut s1, mut s2) = (0.0, 0.0);
        for v in x {
            let y = self.b[0] * *v + s1;
            s1 = self.b[1] * *v - self.a[0] * y + s2;
            s2 = self.b[2] * *v - self.a[1] * y;
            *v = y;
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Driver {
    name: &'static str,
    low_hz: f64,
    high_hz: f64,
    within_us: f64,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
}

/// Adds a pulse at `at` samples, band-limited by a long Kaiser-like window, to a train.
fn add_pulse(train: &mut [f64], at: f64, strength: f64) {
    const HALF: i32 = 48;
    let centre = at.round();
    for k in -HALF..=HALF {
        let x = f64::from(k) - (at - centre);
        let sinc = if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) };
        let window = (PI * x / (2.0 * f64::from(HALF + 1))).cos().powi(2);
        if let Some(sample) = train.get_mut((centre as i64 + i64::from(k)) as usize) {
            *sample += strength * sinc * window;
        }
    }
}

/// An impulse response with its true arrival in seconds and whether it is inverted.
fn simulate(driver: Driver, rng: &mut ChaCha8Rng, equal_reflection: bool) -> (Vec<f64>, f64, bool) {
    let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    let arrival = between(0.004, 0.014) * RATE_HZ;
    let inverted = between(0.0, 1.0) < 0.5;
    let sign = if inverted { -1.0 } else { 1.0 };
    let mut train = vec![0.0; 16_384];
    add_pulse(&mut train, arrival, sign);
    for reflection in 0..5 {
        let later = between(0.0003, 0.010) * RATE_HZ;
        let strength =
            if equal_reflection && reflection == 0 { 1.0 } else { 10f64.powf(between(-14.0, -4.0) / 20.0) };
        let flip = if between(0.0, 1.0) < 0.3 { -1.0 } else { 1.0 };
        add_pulse(&mut train, arrival + later, sign * flip * strength);
    }
    let mut sections = Vec::new();
    for q in [0.541_196, 1.306_563] {
        sections.push(Section::pass(driver.low_hz, q, true));
        if driver.high_hz < 15_000.0 {
            sections.push(Section::pass(driver.high_hz, q, false));
        }
    }
    for _ in 0..3 {
        let centre = driver.low_hz * (driver.high_hz / driver.low_hz).powf(between(0.0, 1.0));
        sections.push(Section::bell(centre, between(-5.0, 5.0), between(0.7, 3.0)));
    }
    for section in sections {
        section.run(&mut train);
    }
    let power = train.iter().map(|x| x * x).sum::<f64>();
    // 40 dB between the energy of the response and that of the noise over the recording.
    let noise = (power / 1e4 / train.len() as f64).sqrt();
    for x in &mut train {
        *x += noise * normal(rng);
    }
    (train, arrival / RATE_HZ, inverted)
}

const DRIVERS: [Driver; 3] = [
    Driver { name: "tweeter", low_hz: 2500.0, high_hz: 20_000.0, within_us: 10.0 },
    Driver { name: "wide-range", low_hz: 80.0, high_hz: 20_000.0, within_us: 5.0 },
    Driver { name: "midrange", low_hz: 80.0, high_hz: 3000.0, within_us: 25.0 },
];

#[test]
fn arrivals_are_right_among_reflections() {
    const SEED: u64 = 3;
    const TRIALS: usize = 100;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut failed = Vec::new();
    for driver in DRIVERS {
        let mut errors_us = Vec::new();
        let (mut wrong_polarity, mut low) = (0, 0);
        for _ in 0..TRIALS {
            let (impulse, truth_s, inverted) = simulate(driver, &mut rng, false);
            let found = arrival(&impulse, RATE_HZ).unwrap();
            errors_us.push(1e6 * (found.time_s - truth_s).abs());
            wrong_polarity += usize::from(inverted != (found.polarity == dsp::tune::Polarity::Inverted));
            low += usize::from(found.confidence == Confidence::Low);
        }
        errors_us.sort_by(f64::total_cmp);
        let at = |share: f64| errors_us[(share * TRIALS as f64) as usize - 1];
        let words = format!(
            "{}: median {:.2}, 90 % {:.2}, 95 % {:.2}, worst {:.1} µs (asked: 95 % within {}); polarity wrong {wrong_polarity}, low confidence {low}",
            driver.name,
            at(0.5),
            at(0.9),
            at(0.95),
            at(1.0),
            driver.within_us
        );
        println!("{words}");
        if at(0.95) > driver.within_us || wrong_polarity > TRIALS / 50 {
            failed.push(words);
        }
    }
    assert!(failed.is_empty(), "seed {SEED}: {failed:#?}");
}

#[test]
fn a_reflection_as_strong_as_the_direct_sound_is_survived_or_doubted() {
    const SEED: u64 = 4;
    const TRIALS: usize = 100;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    for driver in DRIVERS {
        let (mut fair, mut within, mut doubted) = (0, 0, 0);
        for _ in 0..TRIALS {
            let (impulse, truth_s, _) = simulate(driver, &mut rng, true);
            let found = arrival(&impulse, RATE_HZ).unwrap();
            let near = (found.time_s - truth_s).abs() < 60e-6;
            within += usize::from(near);
            doubted += usize::from(found.confidence == Confidence::Low);
            fair += usize::from(near || found.confidence == Confidence::Low);
        }
        println!("{}: {within} within 60 µs, {doubted} doubted, {fair} fair of {TRIALS}", driver.name);
        assert!(fair * 10 >= TRIALS * 9, "seed {SEED}, {}: {fair} of {TRIALS}", driver.name);
    }
}
