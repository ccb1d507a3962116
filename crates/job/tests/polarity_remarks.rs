//! What is said of polarity, on cars drawn afresh: nothing of a sound car, and the name of the speaker that is turned over.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test fails by panicking")]

mod drawn;

use dsp::tune::Polarity;
use job::voicing;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use virtual_car::VirtualCar;
use virtual_car::scenario::{Role, Wiring};

use drawn::{Bench, asked, bench, cabin, places};

/// A car whose channels are wired the right way round, but for the main one that `inverted` counts to, with its name.
///
/// In the plain car a woofer and a tweeter share a channel, and their crossover turns the tweeter over.
fn car(trial: usize, inverted: Option<usize>, rng: &mut ChaCha8Rng) -> (Bench, Option<String>) {
    let names = virtual_car::scenario::names();
    let mut bench = bench(names[trial % names.len()], rng);
    let mut scenario = bench.car.scenario().clone();
    scenario.channels.iter_mut().for_each(|it| it.wiring = Wiring::default());
    let mut mains: Vec<_> = scenario.channels.iter_mut().filter(|it| it.role != Role::Subwoofer).collect();
    let count = mains.len();
    let turned = inverted.map(|number| {
        let channel = &mut mains[number % count];
        channel.wiring.inverted = true;
        channel.name.clone()
    });
    bench.car = VirtualCar::new(scenario, 1);
    (bench, turned)
}

/// What is said of polarity, and the main channels that are turned over.
fn judged(bench: &Bench, rng: &mut ChaCha8Rng) -> (Vec<String>, Vec<String>) {
    let [measured, _] = places(bench, 0, rng);
    let cabin_here = cabin(bench, &measured, rng);
    let start = voicing::start_tune(&bench.map, &bench.limits).unwrap();
    let made = voicing::align(&cabin_here, &start, &bench.limits, Some(21.0)).unwrap();
    let main = |name: &str| {
        bench.map.channels.iter().any(|it| it.name == name && it.role != garage::Role::Subwoofer)
    };
    let turned = made.result.tune.channels.into_iter().filter(|it| it.polarity == Polarity::Inverted);
    let turned = turned.map(|it| it.name).filter(|name| main(name)).collect();
    // Of a subwoofer it is said how it adds up, whichever way.
    let said = made.remarks.into_iter().filter(|it| it.contains("inverted") && !it.contains("adds up"));
    (said.collect(), turned)
}

#[test]
fn nothing_is_said_of_a_sound_car() {
    let (seed, cars) = (asked("SEED", 81), asked("TRIALS", 5));
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut false_alarms = Vec::new();
    for trial in 0..cars {
        let (bench, _) = car(trial, None, &mut rng);
        let (said, turned) = judged(&bench, &mut rng);
        if !said.is_empty() || !turned.is_empty() {
            false_alarms.push((trial, bench.car.scenario().name.clone(), said, turned));
        }
    }
    println!("seed {seed}: {} of {cars} sound cars accused: {false_alarms:?}", false_alarms.len());
    assert!(false_alarms.is_empty(), "seed {seed}: {false_alarms:?}");
}

#[test]
fn a_speaker_turned_over_is_named() {
    let (seed, cars) = (asked("SEED", 82), asked("TRIALS", 5));
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut missed = Vec::new();
    for trial in 0..cars {
        let which = rng.random_range(0..100);
        let (bench, name) = car(trial, Some(which), &mut rng);
        let name = name.unwrap();
        let (said, turned) = judged(&bench, &mut rng);
        // Of two speakers that share a channel it may only be said to check the wires.
        let named = said.iter().any(|it| it.starts_with(&name));
        if !named || turned.iter().any(|it| *it != name) {
            missed.push((trial, bench.car.scenario().name.clone(), name, said, turned));
        }
    }
    println!("seed {seed}: {} of {cars} missed: {missed:?}", missed.len());
    // A reflection may hide one; the roll call hears it too.
    assert!(missed.len() * 20 <= cars, "seed {seed}: {missed:?}");
}
