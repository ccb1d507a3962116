use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::stimulus::{Markers, Sides, Signal, Sweep};

fn recipe(rate_hz: u32) -> Recipe {
    let mut sweep = Sweep::usual(5.0, 19_000.0, 3.0, 2, Markers::Ends);
    sweep.sides = Some(Sides { quiet_s: 1.0, ..Sides::USUAL });
    Recipe { rate_hz, channels: 2, level_dbfs: -12.0, signal: Signal::Sweep(sweep) }
}

/// The left side at 48 kHz with its clock off, noise under it, silence around it.
fn heard_as(recipe: &Recipe, skew_ppm: f64, noise: f64, seed: u64) -> Vec<f32> {
    let played = recipe.render().unwrap().channels.swap_remove(0);
    let step = f64::from(recipe.rate_hz) / 48_000.0 / (1.0 + skew_ppm * 1e-6);
    let frames = (played.len() as f64 / step) as usize;
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let straight = |n: usize| {
        let at = n as f64 * step;
        let (k, share) = (at as usize, at.fract());
        let next = played.get(k + 1).copied().unwrap_or(0.0);
        played.get(k).copied().unwrap_or(0.0) * (1.0 - share) + next * share
    };
    let silence = || std::iter::repeat_n(0.0, 96_000);
    let signal = silence().chain((0..frames).map(straight)).chain(silence());
    signal.map(|x| (x + noise * chance.random_range(-1.0..1.0)) as f32).collect()
}

/// What is said after each block, without what is said twice in a row, and the frames that were needed.
fn followed(recipe: &Recipe, inputs: [&[f32]; 2]) -> (Vec<Heard>, usize) {
    let mut follower = Follower::new(recipe, 48_000, 2).unwrap();
    let frames: Vec<f32> = inputs[0].iter().zip(inputs[1]).flat_map(|(a, b)| [*a, *b]).collect();
    let (mut said, mut needed) = (Vec::new(), 0);
    for block in frames.chunks(2 * 4096) {
        let heard = follower.hear(block);
        needed += block.len() / 2;
        if said.last() != Some(&heard) {
            said.push(heard);
        }
        if heard.is_over() {
            break;
        }
    }
    (said, needed)
}

fn begun(sweeps: std::ops::RangeInclusive<usize>) -> Vec<Heard> {
    sweeps.map(|sweeps| Heard::Begun { sweeps }).collect()
}

#[test]
fn a_stimulus_is_followed_to_its_closing_marker() {
    for (rate_hz, skew_ppm, noise) in
        [(48_000, 0.0, 0.0), (48_000, 400.0, 1e-3), (44_100, -400.0, 1e-3), (48_000, 90.0, 0.02)]
    {
        let recipe = recipe(rate_hz);
        let signal = heard_as(&recipe, skew_ppm, noise, 7);
        let quiet = vec![0.0f32; signal.len()];
        for inputs in [[&signal[..], &quiet[..]], [&quiet[..], &signal[..]]] {
            let (said, needed) = followed(&recipe, inputs);
            let expected: Vec<Heard> =
                [Heard::Waiting].into_iter().chain(begun(0..=4)).chain([Heard::Whole]).collect();
            assert_eq!(said, expected, "{rate_hz} Hz, {skew_ppm} ppm, noise {noise}");
            // Two seconds of silence follow the stimulus: what is needed ends within one.
            assert!(needed + 48_000 < signal.len() + 4096, "{needed} of {}", signal.len());
        }
    }
}

#[test]
fn a_stimulus_that_breaks_off_is_overdue() {
    let recipe = recipe(48_000);
    let mut signal = heard_as(&recipe, 0.0, 1e-3, 3);
    let half = signal.len() / 2;
    signal[half..].fill(0.0);
    signal.extend(vec![0.0; 48_000]);
    assert_eq!(followed(&recipe, [&signal, &signal]).0.last(), Some(&Heard::Overdue));
}

/// A subwoofer's output: some poles at 60 Hz.
fn below_60_hz(signal: &[f32], poles: usize) -> Vec<f32> {
    let share = 1.0 - (-std::f32::consts::TAU * 60.0 / 48_000.0).exp();
    let mut poles = vec![0f32; poles];
    let through = |x: f32, pole: &mut f32| {
        *pole += share * (x - *pole);
        *pole
    };
    signal.iter().map(|x| poles.iter_mut().fold(*x, through)).collect()
}

#[test]
fn a_subwoofer_without_a_clear_marker_is_let_end() {
    let recipe = recipe(48_000);
    let whole = heard_as(&recipe, 90.0, 0.0, 11);
    let mut chance = ChaCha8Rng::seed_from_u64(12);
    // Of six poles something of the opening marker comes through the noise, but not the closing one.
    for (poles, said_first) in
        [(6, vec![Heard::Waiting, Heard::Begun { sweeps: 0 }]), (12, vec![Heard::Waiting])]
    {
        let mut signal = below_60_hz(&whole, poles);
        signal.extend(vec![0.0; 20 * 48_000]);
        signal.iter_mut().for_each(|x| *x += chance.random_range(-1e-4..1e-4));
        let (said, needed) = followed(&recipe, [&signal, &signal]);
        assert!(
            said.starts_with(&said_first) && said.ends_with(&[Heard::Unmarked]),
            "{poles} poles: {said:?}"
        );
        assert!(needed < whole.len() + 10 * 48_000, "{poles} poles: {needed} of {}", whole.len());
    }
}

#[test]
fn the_end_of_a_stimulus_is_no_beginning() {
    let recipe = recipe(48_000);
    let signal = heard_as(&recipe, 0.0, 1e-3, 5);
    // From the middle of the second sweep on, then the whole once more.
    let late = signal[signal.len() * 2 / 5..].to_vec();
    let (said, _) = followed(&recipe, [&late, &late]);
    assert!(!said.contains(&Heard::Whole), "{said:?}");
    let twice: Vec<f32> = late.iter().chain(&signal).copied().collect();
    let (said, needed) = followed(&recipe, [&twice, &twice]);
    assert_eq!(said.last(), Some(&Heard::Whole), "{said:?}");
    assert!(needed > late.len() + signal.len() * 3 / 4, "{needed}");
}

#[test]
fn noise_and_tones_are_waited_through() {
    let recipe = recipe(48_000);
    for seed in 0..4 {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let signal: Vec<f32> = (0..48_000 * 30)
            .map(|n| 0.1 * (n as f32 * 0.03).sin() + 0.05 * chance.random_range(-1.0..1.0))
            .collect();
        assert_eq!(followed(&recipe, [&signal, &signal]).0, [Heard::Waiting], "seed {seed}");
    }
}

#[test]
fn a_stimulus_without_markers_cannot_be_followed() {
    let sweep = Sweep::usual(20.0, 19_000.0, 3.0, 2, Markers::None);
    let recipe = Recipe { rate_hz: 48_000, channels: 1, level_dbfs: -12.0, signal: Signal::Sweep(sweep) };
    assert!(matches!(Follower::new(&recipe, 48_000, 1), Err(MeasureError::NoMarkers)));
}
