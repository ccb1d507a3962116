//! Which way round each speaker of simulated cars moves, told from one response alone.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use dsp::align::{Confidence, arrival};
use dsp::tune::Polarity;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use virtual_car::VirtualCar;
use virtual_car::scenario::{Role, Scenario, Wiring};

const RATE_HZ: u32 = 48_000;
/// The first of the processor's channels among the car's outputs; before it come the music's two.
const FIRST_CHANNEL: u16 = 2;

/// A car with random walls, places and wiring; a centre speaker sits 3 to 22 cm from the screen.
fn random_car(name: &str, rng: &mut ChaCha8Rng) -> Scenario {
    let mut scenario = Scenario::named(name).unwrap();
    for size in &mut scenario.cabin.size_m {
        *size *= rng.random_range(0.96..1.12);
    }
    scenario.seed = rng.random_range(0..u64::from(u32::MAX));
    let size_m = scenario.cabin.size_m;
    for channel in &mut scenario.channels {
        channel.wiring = Wiring { inverted: rng.random::<bool>(), ..Wiring::default() };
        for speaker in &mut channel.speakers {
            for place in &mut speaker.place_m {
                *place *= rng.random_range(0.93..1.07);
            }
            if channel.name.contains("centre") {
                speaker.place_m[1] = rng.random_range(0.03..0.22);
            }
            for (place, size) in speaker.place_m.iter_mut().zip(size_m) {
                *place = place.clamp(0.04, size - 0.04);
            }
        }
    }
    scenario
}

/// A reflection close behind the direct sound turns the top of a band over, and the bottom tells; what is surely said
/// is right.
#[test]
fn what_is_surely_said_of_polarity_is_right() {
    let asked = |variable: &str| std::env::var(variable).ok()?.parse::<u64>().ok();
    let (seed, cars) = (asked("SEED").unwrap_or(12), asked("TRIALS").unwrap_or(24) as usize);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut sure, mut count, mut wrong) = (0, 0, Vec::new());
    for car in 0..cars {
        let name = ["active-three-way", "active-two-way", "wiring-faults"][car % 3];
        let scenario = random_car(name, &mut rng);
        let played = VirtualCar::new(scenario.clone(), 1);
        for (index, channel) in scenario.channels.iter().enumerate() {
            // A subwoofer is told by its sum.
            if channel.role == Role::Subwoofer {
                continue;
            }
            let mut impulse = played.true_impulse(FIRST_CHANNEL + index as u16, 0, 12_000, RATE_HZ).unwrap();
            let power = impulse.iter().map(|x| x * x).sum::<f64>() / impulse.len() as f64;
            for x in &mut impulse {
                let normal = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
                *x += 0.01 * power.sqrt() * normal;
            }
            let found = arrival(&impulse, f64::from(RATE_HZ)).unwrap();
            let turned = channel.wiring.inverted ^ channel.speakers.iter().any(|it| it.inverted);
            count += 1;
            sure += usize::from(found.confidence == Confidence::High);
            if turned != (found.polarity == Polarity::Inverted) {
                wrong.push((car, channel.name.clone(), found.confidence));
            }
        }
    }
    println!("seed {seed}: {sure} of {count} surely, wrong: {wrong:?}");
    assert!(wrong.iter().all(|it| it.2 != Confidence::High), "seed {seed}: {wrong:?}");
    assert!(
        wrong.len() * 100 <= count && sure * 10 >= count * 9,
        "seed {seed}: {sure} of {count}, {wrong:?}"
    );
}
