//! Head units with split outputs, the input stage that joins them, and the volume as it is turned.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::sync::Arc;

use audio::rig::{PlayedChannel, Rig, TakeOrder, Watch};
use dsp::curve::log_grid_hz;
use dsp::spectrum::Complex;
use dsp::tune::ChannelTune;
use virtual_car::scenario::{InputMix, Scenario};
use virtual_car::{InputPart, InputStage, InputSum, VirtualCar, VirtualRig};

const RATE_HZ: u32 = 48_000;

fn car() -> VirtualCar {
    VirtualCar::new(Scenario::named("split-factory").unwrap(), 1)
}

fn mix(output: &str) -> InputMix {
    InputMix { output: output.into(), gain_db: 0.0, invert: false }
}

fn part(output: &str) -> InputPart {
    InputPart { output: output.into(), ..InputPart::default() }
}

fn joined(parts: Vec<InputPart>) -> InputStage {
    let (settings, tune_rate_hz) = (ChannelTune::default(), f64::from(RATE_HZ));
    InputStage {
        sums: vec![InputSum { name: "left".into(), parts, settings, tune_rate_hz }],
        routes: vec![("subwoofer".into(), vec![mix("left")])],
    }
}

fn levels_db(response: &[Complex]) -> Vec<f64> {
    response.iter().map(|h| 20.0 * h.norm().log10()).collect()
}

/// A fourth-order Linkwitz–Riley pair is 6 dB down where the two meet, and falls 24 dB per octave (Linkwitz 1976).
#[test]
fn an_output_is_split_as_its_scenario_says() {
    let mut scenario = Scenario::named("split-factory").unwrap();
    for output in &mut scenario.head_unit.outputs {
        output.equalisation.clear();
    }
    let car = VirtualCar::new(scenario, 1);
    let at = |name: &str, hz: [f64; 3]| {
        levels_db(&car.true_response(0, car.input_named(name).unwrap(), &hz, RATE_HZ).unwrap())
    };
    let tweeter = at("head unit front left tweeter", [400.0, 3200.0, 12_000.0]);
    assert!((tweeter[1] - tweeter[2] + 6.02).abs() < 0.1, "{tweeter:?}");
    let woofer = at("head unit front left woofer", [130.0, 1040.0, 2080.0]);
    // Far above its corner; bilinear warping steepens it by some tenths of a decibel at 2 kHz.
    assert!((woofer[1] - woofer[2] - 24.0).abs() < 1.0, "{woofer:?}");
    let wrong_side = at("head unit front right woofer", [130.0, 1040.0, 2080.0]);
    assert!(wrong_side.iter().all(|db| *db < -200.0), "{wrong_side:?}");
}

#[test]
fn the_input_stage_adds_trimmed_turned_and_delayed_outputs() {
    let mut car = car();
    let grid = log_grid_hz(60.0, 8_000.0, 6.0);
    let names = ["front left woofer", "front left midrange"];
    let alone = names.map(|name| {
        let line = car.input_named(&format!("head unit {name}")).unwrap();
        car.true_response(0, line, &grid, RATE_HZ).unwrap()
    });
    let parts = vec![
        InputPart { gain_db: -3.0, delay_ms: 1.25, ..part(names[0]) },
        InputPart { invert: true, ..part(names[1]) },
    ];
    car.set_input_stage(&joined(parts)).unwrap();
    let line = car.input_named("joined left").unwrap();
    let sum = car.true_response(0, line, &grid, RATE_HZ).unwrap();
    for (k, hz) in grid.iter().enumerate() {
        let woofer =
            alone[0][k] * Complex::from_polar(10f64.powf(-3.0 / 20.0), -std::f64::consts::TAU * hz * 1.25e-3);
        let stated = woofer - alone[1][k];
        // The delay is read through a windowed sinc: right to 1e-6 below 20 kHz.
        assert!((sum[k] - stated).norm() < 1e-5, "{hz} Hz: {} against {stated}", sum[k]);
    }
    // What the channel was wired to is off; the sum arrives.
    let sub = car.true_response(0, car.input_named("processor subwoofer").unwrap(), &grid, RATE_HZ).unwrap();
    assert!(sub.iter().zip(&sum).all(|(is, stated)| (is.norm() - stated.norm()).abs() < 1e-5));
    car.clear_undo();
    assert_eq!(car.input_named("joined left"), None);
}

#[test]
fn an_input_stage_that_cannot_be_is_refused_by_name() {
    let mut car = car();
    let refused =
        |car: &mut VirtualCar, stage: &InputStage| car.set_input_stage(stage).unwrap_err().to_string();
    assert!(refused(&mut car, &joined(vec![part("rear left")])).contains("rear left"));
    let mut stage = joined(vec![part("subwoofer")]);
    stage.sums[0].name = "front left woofer".into();
    assert!(refused(&mut car, &stage).contains("front left woofer"));
    let mut stage = joined(vec![part("subwoofer")]);
    stage.routes[0].1[0].output = "right".into();
    assert!(refused(&mut car, &stage).contains("\"right\""));
    stage = joined(vec![part("subwoofer")]);
    stage.routes[0].0 = "centre".into();
    assert!(refused(&mut car, &stage).contains("centre"));
    stage = joined(vec![InputPart { delay_ms: -1.0, ..part("subwoofer") }]);
    assert!(refused(&mut car, &stage).contains("delay"));
}

fn take(rig: &mut VirtualRig, at: &std::path::Path, input: u16, samples: Vec<f32>) -> Vec<f64> {
    let samples = Arc::new(samples);
    let play = (0..2).map(|output| PlayedChannel { output, samples: Arc::clone(&samples) }).collect();
    let order = TakeOrder {
        rate_hz: RATE_HZ,
        play,
        record_inputs: vec![input],
        tail_s: 0.2,
        recording: at.to_owned(),
        ceiling_dbfs: -3.0,
    };
    rig.take(&order, &Watch::default()).unwrap();
    audio::wav::read(at).unwrap().channels.remove(0)
}

fn level_db(piece: &[f64]) -> f64 {
    10.0 * (2.0 * piece.iter().map(|x| x * x).sum::<f64>() / piece.len() as f64).log10()
}

/// A tone follows the volume step by step; the control stays where it was left, and hum is there when nothing plays.
#[test]
fn the_volume_is_turned_while_a_tone_plays() {
    let folder = tempfile::tempdir().unwrap();
    let car = car();
    let input = car.input_named("head unit subwoofer").unwrap();
    let mut rig = VirtualRig::new(car);
    rig.handle().edit(|car| {
        car.set_volume(20).unwrap();
        assert!(car.turn_volume(vec![(0.0, 41)]).is_err());
        car.turn_volume(vec![(1.0, 21), (2.0, 24)]).unwrap();
    });
    let second = RATE_HZ as usize;
    let fade = |n: usize| (n.min(3 * second - 1 - n) as f64 / 480.0).min(1.0);
    let tone = |n: usize| 0.1 * fade(n) * (std::f64::consts::TAU * 60.0 * n as f64 / 48e3).sin();
    let heard = take(
        &mut rig,
        &folder.path().join("steps.wav"),
        input,
        (0..3 * second).map(|n| tone(n) as f32).collect(),
    );
    // Recording begins a third of a second early: the middle of each step, a good tenth of a second from its ends.
    let middle = |k: usize| level_db(&heard[k * second + second * 6 / 10..k * second + second * 11 / 10]);
    let steps = [0, 1, 2].map(middle);
    // The contour goes by half a decibel per step in the bass while the volume goes by 1.5 dB.
    assert!((steps[1] - steps[0] - 1.0).abs() < 0.2, "{steps:?}");
    assert!((steps[2] - steps[1] - 3.0).abs() < 0.5, "{steps:?}");
    assert_eq!(rig.handle().edit(|car| car.volume()), 24);
    // Hardly anything for a tenth of a second, then nothing.
    let whisper =
        |n: usize| if n < 4_800 { 1e-3 * (std::f64::consts::PI * n as f64 / 4_800.0).sin() } else { 0.0 };
    let whisper = (0..2 * second).map(|n| whisper(n) as f32).collect();
    let quiet = take(&mut rig, &folder.path().join("quiet.wav"), input, whisper);
    let hum_db = level_db(&quiet[second..2 * second]);
    // −76 dBFS and −3 dB of line gain; its multiples and the hiss add half a decibel.
    assert!((hum_db + 78.5).abs() < 1.0, "{hum_db}");
}
