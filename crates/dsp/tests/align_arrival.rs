//! Arrivals in simulated cabins whose true delays are known.
//!
//! The drivers are cascades of second-order sections run over a train of fractionally delayed pulses, sample by sample; the
//! estimator sees only the noisy result.

mod simulated;

use dsp::align::{Confidence, arrival, arrival_within};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use simulated::{BUTTERWORTH_4, Section, add_pulse, asked, between, normal};

const RATE_HZ: f64 = 48_000.0;

#[derive(Clone, Copy, Debug)]
struct Driver {
    name: &'static str,
    low_hz: f64,
    high_hz: f64,
    within_us: f64,
}

/// An impulse response with its true arrival in seconds and whether it is inverted; `strong` makes one of the five
/// reflections this strong, and no earlier than so many seconds.
fn simulate(driver: Driver, rng: &mut ChaCha8Rng, strong: Option<(f64, f64)>) -> (Vec<f64>, f64, bool) {
    let arrival = between(rng, 0.004, 0.014) * RATE_HZ;
    let inverted = between(rng, 0.0, 1.0) < 0.5;
    let sign = if inverted { -1.0 } else { 1.0 };
    let mut train = vec![0.0; 16_384];
    add_pulse(&mut train, arrival, sign, 48, 1.0);
    for reflection in 0..5 {
        let (strength, earliest_s) = match strong {
            Some(strong) if reflection == 0 => strong,
            _ => (10f64.powf(between(rng, -14.0, -4.0) / 20.0), 0.0003),
        };
        let later = between(rng, earliest_s, 0.010) * RATE_HZ;
        let flip = if between(rng, 0.0, 1.0) < 0.3 { -1.0 } else { 1.0 };
        add_pulse(&mut train, arrival + later, sign * flip * strength, 48, 1.0);
    }
    let mut sections = Vec::new();
    for q in BUTTERWORTH_4 {
        sections.push(Section::pass(driver.low_hz, q, true, RATE_HZ));
        if driver.high_hz < 15_000.0 {
            sections.push(Section::pass(driver.high_hz, q, false, RATE_HZ));
        }
    }
    for _ in 0..3 {
        let centre = driver.low_hz * (driver.high_hz / driver.low_hz).powf(between(rng, 0.0, 1.0));
        sections.push(Section::bell(centre, between(rng, -5.0, 5.0), between(rng, 0.7, 3.0), RATE_HZ));
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
    let (seed, trials) = (asked("SEED", 3), asked("TRIALS", 60));
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut failed = Vec::new();
    for driver in DRIVERS {
        let mut errors_us = Vec::new();
        let (mut wrong_polarity, mut low) = (0, 0);
        for _ in 0..trials {
            let (impulse, truth_s, inverted) = simulate(driver, &mut rng, None);
            let found = arrival(&impulse, RATE_HZ).unwrap();
            errors_us.push(1e6 * (found.time_s - truth_s).abs());
            wrong_polarity += usize::from(inverted != (found.polarity == dsp::tune::Polarity::Inverted));
            low += usize::from(found.confidence == Confidence::Low);
        }
        errors_us.sort_by(f64::total_cmp);
        let at = |share: f64| errors_us[(share * trials as f64) as usize - 1];
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
        if at(0.95) > driver.within_us || wrong_polarity > trials / 50 {
            failed.push(words);
        }
    }
    assert!(failed.is_empty(), "seed {seed}: {failed:#?}");
}

#[test]
fn a_strong_reflection_is_survived_or_doubted() {
    let (seed, trials) = (asked("SEED", 4), asked("TRIALS", 40));
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    // As strong as the direct sound anywhere, and 4 dB stronger from 3 ms on.
    for strong in [(1.0, 0.0003), (1.6, 0.003)] {
        for driver in DRIVERS {
            let (mut within, mut doubted, mut fair) = (0, 0, 0);
            for _ in 0..trials {
                let (impulse, truth_s, _) = simulate(driver, &mut rng, Some(strong));
                let found = arrival(&impulse, RATE_HZ).unwrap();
                let near = (found.time_s - truth_s).abs() < 60e-6;
                within += usize::from(near);
                doubted += usize::from(found.confidence == Confidence::Low);
                fair += usize::from(near || found.confidence == Confidence::Low);
            }
            let words =
                format!("{} {strong:?}: {within} within 60 µs, {doubted} doubted of {trials}", driver.name);
            println!("{words}");
            assert!(fair * 10 >= trials * 9, "seed {seed}, {words}");
        }
    }
}

/// A narrow band of noise above the end of a sweep, 25 dB stronger than the response in all, must not decide where the
/// response is.
#[test]
fn what_lies_beyond_the_measured_band_is_not_looked_at() {
    let (seed, trials) = (asked("SEED", 5), asked("TRIALS", 20));
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for trial in 0..trials {
        let (mut impulse, truth_s, _) = simulate(DRIVERS[1], &mut rng, None);
        let power = impulse.iter().map(|x| x * x).sum::<f64>();
        let mut beyond: Vec<f64> = impulse.iter().map(|_| normal(&mut rng)).collect();
        // Two narrow resonances leave what lies around 20.3 kHz.
        let edge = Section::pass(20_300.0, 60.0, false, RATE_HZ);
        let deep = Section::pass(20_300.0, 60.0, true, RATE_HZ);
        edge.run(&mut beyond);
        deep.run(&mut beyond);
        let scale = (300.0 * power / beyond.iter().map(|x| x * x).sum::<f64>()).sqrt();
        impulse.iter_mut().zip(&beyond).for_each(|(x, noise)| *x += scale * noise);
        let found = arrival_within(&impulse, RATE_HZ, 22.0, 19_200.0).unwrap();
        assert!((found.time_s - truth_s).abs() < 10e-6, "seed {seed}, trial {trial}: {found:?}, {truth_s}");
    }
}
