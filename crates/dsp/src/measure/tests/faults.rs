//! Recordings that are not what they should be: each is told from the others.

use std::f64::consts::TAU;

use rand::RngExt;

use super::rig::{self, Car, Colour, RATE_HZ};
use crate::measure::{Capture, Facts, MeasureError, Options, analyse, locate};
use crate::spectrum::Plans;
use crate::stimulus::{Markers, Recipe, Signal, Sweep};
use crate::verdict::Verdict;

fn recipe(repeats: usize, markers: Markers) -> Recipe {
    let plan = Sweep::usual(20.0, 20_000.0, 3.0, repeats, markers);
    Recipe { rate_hz: 48_000, channels: 1, level_dbfs: -12.0, signal: Signal::Sweep(plan) }
}

fn recording(recipe: &Recipe, skew: f64) -> Vec<f64> {
    let signal = recipe.render().unwrap().channels.remove(0);
    let mut random = rig::seeded(11);
    let car = Car::random(&mut random);
    let mut heard = rig::record(&signal, &car, 8_000.4, skew, 0.5);
    rig::add_noise(&mut heard, &mut random, Colour::White, 50.0, (80_000, 150_000));
    heard
}

fn facts(recipe: &Recipe, microphone: &[f64], rate_hz: u32) -> Result<Facts, MeasureError> {
    analyse(recipe, &Capture { rate_hz, microphone, reference: None }, &Options::default()).map(|m| m.facts)
}

#[test]
fn silence_and_other_sounds_are_refused() {
    let recipe = recipe(1, Markers::Ends);
    assert_eq!(facts(&recipe, &vec![0.0; 400_000], 48_000), Err(MeasureError::Silent));
    let mut random = rig::seeded(3);
    let hiss: Vec<f64> = (0..400_000).map(|_| 0.1 * rig::gaussian(&mut random)).collect();
    assert_eq!(facts(&recipe, &hiss, 48_000), Err(MeasureError::NotFound));
    // A song: tones that start and stop.
    let song: Vec<f64> = (0..600_000)
        .map(|n| {
            let t = f64::from(n) / RATE_HZ;
            let note = [220.0, 277.2, 329.6, 440.0, 554.4][(t * 4.0) as usize % 5];
            0.2 * ((note * t * TAU).sin() + 0.5 * (2.0 * note * t * TAU).sin())
                * (-(t * 4.0).fract() * 2.0).exp()
        })
        .collect();
    assert_eq!(facts(&recipe, &song, 48_000), Err(MeasureError::NotFound));
    assert_eq!(facts(&recipe, &[0.5, f64::NAN], 48_000), Err(MeasureError::NotFinite { at: 1 }));
    assert!(facts(&recipe, &[], 48_000).is_err());
    assert!(facts(&recipe, &[0.5; 10], 48_000).is_err());
}

#[test]
fn a_wrong_rate_is_named() {
    let recipe = recipe(1, Markers::Ends);
    let heard = recording(&recipe, 0.0);
    let error = facts(&recipe, &heard, 44_100).unwrap_err();
    assert_eq!(error, MeasureError::WrongRate { says_hz: 44_100, is_hz: 48_000 });
}

#[test]
fn a_recording_that_stops_early_is_noticed() {
    let one = recipe(1, Markers::Ends);
    let heard = recording(&one, 0.0);
    let error = facts(&one, &heard[..150_000], 48_000).unwrap_err();
    assert!(matches!(error, MeasureError::TooShort { .. } | MeasureError::NotFound), "{error}");
    let two = recipe(2, Markers::Ends);
    let heard = recording(&two, 0.0);
    let short = facts(&two, &heard[..330_000], 48_000).unwrap();
    assert_eq!(short.repeats.used, 1);
    assert!(short.verdict >= Verdict::Usable && !short.remarks.is_empty());
}

#[test]
fn clipping_asks_for_another_take() {
    let recipe = recipe(1, Markers::Ends);
    let mut heard = recording(&recipe, 0.0);
    assert!(!facts(&recipe, &heard, 48_000).unwrap().clipped);
    for ceiling in [1.0, 0.5] {
        let gain = 1.4 * ceiling / heard.iter().fold(0.0f64, |m, x| m.max(x.abs()));
        heard.iter_mut().for_each(|x| *x = (*x * gain).clamp(-ceiling, ceiling));
        let clipped = facts(&recipe, &heard, 48_000).unwrap();
        assert!(clipped.clipped, "{ceiling}");
        assert_eq!(clipped.verdict, Verdict::Retake);
    }
}

#[test]
fn lost_samples_are_noticed_wherever_they_are() {
    let recipe = recipe(1, Markers::Ends);
    for (lost, at) in [(64, 130_000), (8, 190_000), (64, 100_000)] {
        let mut heard = recording(&recipe, 30e-6);
        heard.drain(at..at + lost);
        let facts = facts(&recipe, &heard, 48_000).unwrap();
        assert_eq!(
            facts.verdict,
            Verdict::Retake,
            "{lost} at {at}: {:?} {:?}",
            facts.clock_skew_ppm,
            facts.remarks
        );
    }
    let good = facts(&recipe, &recording(&recipe, 30e-6), 48_000).unwrap();
    assert_eq!(good.verdict, Verdict::Good, "{:?}", good.remarks);
}

#[test]
fn without_markers_the_sweep_is_found_and_says_so() {
    for (repeats, knows) in [(2, true), (1, false)] {
        let recipe = recipe(repeats, Markers::None);
        let facts = facts(&recipe, &recording(&recipe, 120e-6), 48_000).unwrap();
        assert_eq!(facts.clock_skew_ppm.is_some(), knows);
        if let Some(ppm) = facts.clock_skew_ppm {
            assert!((ppm - 120.0).abs() < 0.01, "{ppm}");
        }
        assert!(facts.remarks.iter().any(|r| r.contains("markers")), "{:?}", facts.remarks);
    }
}

/// Over a digital input everything before and after the sound is exactly zero, which says nothing of the noise in it.
#[test]
fn a_subwoofer_is_found_among_exact_silence() {
    let recipe = recipe(2, Markers::Ends);
    let mut signal = recording(&recipe, 0.0);
    // Below 100 Hz of the fourth order nothing of the markers is left.
    let share = 1.0 - (-TAU * 100.0 / RATE_HZ).exp();
    let mut poles = [0.0; 4];
    for x in &mut signal {
        *x = poles.iter_mut().fold(*x, |x, pole| {
            *pole += share * (x - *pole);
            *pole
        });
    }
    let mut random = rig::seeded(21);
    signal.iter_mut().for_each(|x| *x += random.random_range(-1e-6..1e-6));
    let alone = locate(&Plans::default(), &recipe, &signal, 48_000).unwrap();
    let silence = vec![0.0; 4 * signal.len()];
    let among = [&silence[..96_000], &signal, &silence].concat();
    let among = locate(&Plans::default(), &recipe, &among, 48_000).unwrap();
    assert_eq!(among.sweeps.len(), 2, "{:?}", among.remarks);
    for (a, b) in alone.sweeps.iter().zip(&among.sweeps) {
        assert!((b.1 - a.1 - 96_000.0).abs() < 0.1, "{} and {}", a.1, b.1);
    }
}
