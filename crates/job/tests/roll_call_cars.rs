//! Roll calls of simulated cars, sound ones and ones with faults.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::sync::Arc;

use audio::rig::{PlayedChannel, Rig, TakeOrder, Watch};
use dsp::roll_call::{Call, Kind, RollCall, Side, roll_call};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use virtual_car::scenario::{CarSide, Rattle, Role, Scenario, Wiring};
use virtual_car::{VirtualCar, VirtualRig};

const RATE_HZ: f64 = 48_000.0;

/// An exponential sweep of 0.8 s with short fades.
fn sweep(low_hz: f64, high_hz: f64) -> Vec<f64> {
    let (frames, growth) = (0.8 * RATE_HZ, (high_hz / low_hz).ln());
    (0..frames as usize)
        .map(|n| {
            let share = n as f64 / frames;
            let phase = std::f64::consts::TAU * low_hz * 0.8 / growth * ((growth * share).exp() - 1.0);
            let fade = (share / 0.06).min((1.0 - share) / 0.02).min(1.0);
            0.125 * phase.sin() * (0.5 - 0.5 * (std::f64::consts::PI * fade).cos())
        })
        .collect()
}

fn calls(scenario: &Scenario) -> Vec<Call> {
    scenario
        .channels
        .iter()
        .enumerate()
        .map(|(index, channel)| Call {
            name: channel.name.clone(),
            kind: match channel.role {
                Role::FullRange => Kind::FullRange,
                Role::Tweeter => Kind::Tweeter,
                Role::Midrange => Kind::Midrange,
                Role::Woofer => Kind::Woofer,
                Role::Subwoofer => Kind::Subwoofer,
            },
            side: match channel.side {
                CarSide::Left => Side::Left,
                CarSide::Right => Side::Right,
                CarSide::Both => Side::Both,
            },
            group: format!("{} {:?}", channel.name.split(' ').next().unwrap(), channel.role),
            start: (RATE_HZ * (0.5 + 1.5 * index as f64)) as usize,
            sweep: sweep(channel.safe_band_hz.0, channel.safe_band_hz.1.min(20_000.0)),
        })
        .collect()
}

fn random_car(rng: &mut ChaCha8Rng) -> Scenario {
    let mut scenario = Scenario::named("wiring-faults").unwrap();
    if rng.random::<bool>() {
        scenario.seats.swap(0, 1);
    }
    scenario.seed = rng.next_u64();
    for channel in &mut scenario.channels {
        channel.wiring = Wiring::default();
    }
    // Left and right are built alike, so both of a pair get the same changes.
    for kind in ["tweeter", "woofer", "rear", "centre", "subwoofer"] {
        let shift = [rng.random_range(-0.06..0.06), rng.random_range(-0.06..0.06)];
        let (gain, edge) = (rng.random_range(-3.0..3.0), rng.random_range(0.85..1.18));
        for channel in scenario
            .channels
            .iter_mut()
            .filter(|channel| channel.name.ends_with(kind) || channel.name.starts_with(kind))
        {
            channel.amplifier_gain_db += rng.random_range(-0.7..0.7);
            for speaker in &mut channel.speakers {
                speaker.sensitivity_db_spl += gain;
                speaker.place_m[1] = (speaker.place_m[1] + shift[0]).clamp(0.05, 2.25);
                speaker.place_m[2] += shift[1];
                for end in [&mut speaker.low_edge, &mut speaker.high_edge].into_iter().flatten() {
                    end.frequency_hz *= edge;
                }
            }
        }
    }
    scenario
}

fn take(scenario: &Scenario, calls: &[Call]) -> Vec<f64> {
    let folder = tempfile::tempdir().unwrap();
    let mut rig = VirtualRig::new(VirtualCar::new(scenario.clone(), 0));
    let play = calls
        .iter()
        .enumerate()
        .map(|(index, call)| {
            let mut samples = vec![0f32; call.start];
            samples.extend(call.sweep.iter().map(|&x| x as f32));
            PlayedChannel { output: index as u16 + 2, samples: Arc::new(samples) }
        })
        .collect();
    let order = TakeOrder {
        rate_hz: RATE_HZ as u32,
        play,
        record_inputs: vec![0],
        tail_s: 0.5,
        recording: folder.path().join("take.wav"),
        ceiling_dbfs: -3.0,
    };
    rig.take(&order, &Watch::default()).unwrap();
    audio::wav::read(&order.recording).unwrap().channels.remove(0)
}

/// Puts one to three faults on different channels and says what they are.
fn spoil(scenario: &mut Scenario, rng: &mut ChaCha8Rng) -> Vec<(String, &'static str)> {
    let mut faults = Vec::new();
    let mut free: Vec<usize> = (0..scenario.channels.len()).collect();
    let count = rng.random_range(1..=3);
    for _ in 0..count {
        let i = free.remove(rng.random_range(0..free.len()));
        let name = scenario.channels[i].name.clone();
        let wiring = match rng.random_range(0..6) {
            0 => (Wiring { dead: true, ..Wiring::default() }, "silent"),
            1 => (Wiring { inverted: true, ..Wiring::default() }, "inverted"),
            2 => (Wiring { level_db: rng.random_range(15.0..20.0), ..Wiring::default() }, "too_loud"),
            3 => (Wiring { level_db: rng.random_range(-22.0..-16.0), ..Wiring::default() }, "too_soft"),
            4 if scenario.channels[i].role != Role::Tweeter => {
                let rattle = Rattle {
                    frequency_hz: rng.random_range(1800.0..4000.0),
                    level_db: -15.0,
                    threshold_dbfs: -36.0,
                };
                (Wiring { rattle: Some(rattle), ..Wiring::default() }, "rattles")
            }
            _ => {
                // With its like on the other side, or with a speaker of another kind.
                let like = |j: &usize| {
                    let (a, b) = (&scenario.channels[i], &scenario.channels[*j]);
                    // What a tweeter and a subwoofer answer to each other's call is silence.
                    let deaf = |a: Role, b: Role| a == Role::Tweeter && b == Role::Subwoofer;
                    (a.role != b.role && !deaf(a.role, b.role) && !deaf(b.role, a.role))
                        || (a.role == b.role && a.name.split(' ').next() == b.name.split(' ').next())
                };
                let others: Vec<usize> = free.iter().copied().filter(like).collect();
                let j = others[rng.random_range(0..others.len())];
                free.retain(|&k| k != j);
                let other = scenario.channels[j].name.clone();
                scenario.channels[j].wiring.feeds = Some(name.clone());
                faults.push((other.clone(), "swapped_with"));
                (Wiring { feeds: Some(other), ..Wiring::default() }, "swapped_with")
            }
        };
        scenario.channels[i].wiring = wiring.0;
        faults.push((name, wiring.1));
    }
    faults.sort();
    faults
}

fn found(scenario: &Scenario, calls: &[Call], capture: &[f64]) -> (RollCall, Vec<(String, String)>) {
    let left = scenario.seats[0].head_m[0] < 0.5 * scenario.cabin.size_m[0];
    let listener = Some(if left { Side::Left } else { Side::Right });
    let outcome = roll_call(calls, capture, RATE_HZ, listener).unwrap();
    let mut found: Vec<(String, String)> = outcome
        .faults
        .iter()
        .map(|fault| {
            let kind = serde_json::to_value(&fault.trouble).unwrap()["kind"].as_str().unwrap().to_owned();
            (fault.name.clone(), kind)
        })
        .collect();
    found.sort();
    (outcome, found)
}

/// How many cars are judged right altogether, and how many faults were put and named; wrong cars are printed.
#[derive(Debug, Default)]
struct Tally {
    cars: usize,
    put: usize,
    named: usize,
}

#[expect(clippy::print_stdout, reason = "wrong cars are shown")]
fn tally(trials: usize, seed: u64, with_faults: bool) -> Tally {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut tally = Tally::default();
    for trial in 0..trials {
        let mut scenario = random_car(&mut rng);
        let faults = if with_faults { spoil(&mut scenario, &mut rng) } else { Vec::new() };
        let calls = calls(&scenario);
        let (outcome, found) = found(&scenario, &calls, &take(&scenario, &calls));
        let asked: Vec<(String, String)> =
            faults.into_iter().map(|(name, kind)| (name, kind.to_owned())).collect();
        tally.put += asked.len();
        tally.named += asked.iter().filter(|it| found.contains(it)).count();
        if asked == found {
            tally.cars += 1;
            continue;
        }
        println!("seed {seed} trial {trial}: put {asked:?}\n   found {found:?} {:?}", outcome.remarks);
        for it in &outcome.answers {
            println!(
                "      {:20} {:6.1} dB snr {:5.1} arrival {:?} {:?} rattle {:?}",
                it.name, it.level_db, it.snr_db, it.arrival_ms, it.polarity, it.rattle_db
            );
        }
    }
    tally
}

/// A number from the environment, for longer runs and other cars than the usual ones.
fn asked<T: std::str::FromStr>(variable: &str, usual: T) -> T {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

#[test]
fn faults_are_named() {
    let (trials, seed) = (asked("TRIALS", 20), asked("SEED", 11));
    let found = tally(trials, seed, true);
    println!("{} of {trials} cars all right, {} of {} faults named", found.cars, found.named, found.put);
    assert!(found.cars * 100 >= trials * 90 && found.named * 100 >= found.put * 95);
}

#[test]
fn sound_cars_raise_no_alarm() {
    let (trials, seed) = (asked("TRIALS", 20), asked("SEED", 12));
    assert_eq!(tally(trials, seed, false).cars, trials);
}

#[test]
#[ignore = "shows figures"]
fn rattles() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let mut scenario = random_car(&mut rng);
    for i in [2, 3, 4, 7] {
        let rattle = Rattle { frequency_hz: 2500.0, level_db: -15.0, threshold_dbfs: -36.0 };
        scenario.channels[i].wiring = Wiring { rattle: Some(rattle), ..Wiring::default() };
    }
    let calls = calls(&scenario);
    let (outcome, _) = found(&scenario, &calls, &take(&scenario, &calls));
    for it in &outcome.answers {
        println!("{:20} {:6.1} dB snr {:5.1} rattle {:?}", it.name, it.level_db, it.snr_db, it.rattle_db);
    }
}
