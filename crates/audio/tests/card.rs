//! The card rig on a real sound path: cpal, ALSA and a private PulseAudio whose output is its input.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../../../tests/support/private_card.rs"]
mod private_card;

use std::sync::Arc;
use std::time::{Duration, Instant};

use audio::card::{self, CardChoice, CardRig};
use audio::rig::{PlayedChannel, Rig, RigError, TakeFacts, TakeOrder, Watch};
use audio::wav;
use private_card::with_private_card;

fn bench() -> CardRig {
    let choice = CardChoice {
        output: Some("bench_out".into()),
        input: Some("bench_in".into()),
        ..CardChoice::default()
    };
    CardRig::open(choice).unwrap()
}

/// An exponential sweep from 15 Hz to just under half the rate, faded, at −20 dBFS.
fn sweep(rate_hz: u32, seconds: f64) -> Vec<f32> {
    let rate = f64::from(rate_hz);
    let (low, high) = (15.0, 0.48 * rate);
    let growth = (high / low as f64).ln();
    let frames = (seconds * rate) as usize;
    (0..frames)
        .map(|n| {
            let t = n as f64 / frames as f64;
            let phase = std::f64::consts::TAU * low * seconds / growth * ((growth * t).exp() - 1.0);
            let edge = (t / 0.02).min((1.0 - t) / 0.002).min(1.0);
            (0.1 * phase.sin() * (0.5 - 0.5 * (std::f64::consts::PI * edge).cos())) as f32
        })
        .collect()
}

fn order(
    dir: &std::path::Path,
    rate_hz: u32,
    play: Vec<(u16, Vec<f32>)>,
    record_inputs: Vec<u16>,
) -> TakeOrder {
    TakeOrder {
        rate_hz,
        play: play
            .into_iter()
            .map(|(output, samples)| PlayedChannel { output, samples: Arc::new(samples) })
            .collect(),
        record_inputs,
        tail_s: 0.3,
        recording: dir.join("take.wav"),
        ceiling_dbfs: -6.0,
    }
}

fn take(order: &TakeOrder) -> (TakeFacts, wav::Wav) {
    let facts = bench().take(order, &Watch::default()).unwrap();
    let recording = wav::read(&order.recording).unwrap();
    assert_eq!(recording.doubts, vec![]);
    assert_eq!(recording.frames() as u64, facts.frames);
    (facts, recording)
}

#[test]
fn the_devices_are_listed() {
    with_private_card("the_devices_are_listed", 48_000, 2, || {
        let began = Instant::now();
        let listed = card::list().unwrap();
        println!("{listed:?} in {:?}", began.elapsed());
        assert!(listed.iter().any(|device| device.name == "bench_out" && device.output_channels >= 2));
        assert!(listed.iter().any(|device| device.name == "spare_in" && device.rates_hz.contains(&48_000)));
        let Err(error) =
            CardRig::open(CardChoice { output: Some("nothing".into()), ..CardChoice::default() })
        else {
            panic!("a device that is not there was found")
        };
        assert!(error.to_string().contains("bench_out"), "{error}");
    });
}

#[test]
fn a_sweep_comes_back_bit_by_bit() {
    with_private_card("a_sweep_comes_back_bit_by_bit", 48_000, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let played = sweep(48_000, 3.0);
        let (facts, recording) = take(&order(dir.path(), 48_000, vec![(1, played.clone())], vec![0, 1]));
        println!("{facts:?}");
        let start = recording.channels[1].iter().position(|x| *x != 0.0).unwrap();
        let first = played.iter().position(|x| *x != 0.0).unwrap();
        for (n, sample) in played.iter().enumerate().skip(first) {
            assert_eq!(recording.channels[1][start + n - first] as f32, *sample, "sample {n}");
        }
        assert!(recording.channels[0].iter().all(|x| *x == 0.0), "the silent output is not silent");
        assert_eq!(facts.lost_frames, 0, "{:?}", facts.remarks);
    });
}

#[test]
fn stop_silences_within_fifty_milliseconds() {
    with_private_card("stop_silences_within_fifty_milliseconds", 48_000, 2, || {
        for round in 0..3 {
            let dir = tempfile::tempdir().unwrap();
            let tone: Vec<f32> = (0..48_000 * 8)
                .map(|n| {
                    0.1 * (n as f32 / 480.0).min(1.0).min((384_000 - n) as f32 / 480.0)
                        * (n as f32 * 0.13).sin()
                })
                .collect();
            let order = order(dir.path(), 48_000, vec![(0, tone)], vec![0]);
            let watch = Watch::default();
            let facts = std::thread::scope(|scope| {
                let take = scope.spawn(|| bench().take(&order, &watch));
                while watch.progress() < 0.2 {
                    std::thread::sleep(Duration::from_millis(1));
                }
                std::thread::sleep(Duration::from_millis(17 * round));
                watch.stop();
                take.join().unwrap().unwrap()
            });
            assert!(facts.stopped);
            let recording = wav::read(&order.recording).unwrap();
            let last = recording.channels[0].iter().rposition(|x| x.abs() > 1e-4).unwrap() as f64;
            let asked = facts.stop_asked_at_frame.unwrap() as f64;
            let ms = (last - asked) / 48.0;
            println!("silent {ms:.1} ms after Stop; {} frames follow", recording.frames() as f64 - last);
            assert!(ms <= 50.0, "heard for {ms:.1} ms after Stop");
            assert!(recording.frames() as f64 - last > 4_800.0, "the recording does not show the silence");
        }
    });
}

#[test]
fn a_device_pulled_in_mid_sweep_is_said_and_the_recording_kept() {
    with_private_card("a_device_pulled_in_mid_sweep_is_said_and_the_recording_kept", 48_000, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let order = order(dir.path(), 48_000, vec![(0, sweep(48_000, 6.0))], vec![0]);
        let watch = Watch::default();
        let (result, after) = std::thread::scope(|scope| {
            let take = scope.spawn(|| bench().take(&order, &watch));
            while watch.progress() < 0.4 {
                std::thread::sleep(Duration::from_millis(5));
            }
            private_card::unplug("bench");
            let pulled = Instant::now();
            (take.join().unwrap(), pulled.elapsed())
        });
        let error = result.expect_err("a device vanished");
        println!("{error} after {after:?}");
        assert!(matches!(error, RigError::DeviceLost { .. }), "{error:?}");
        let kept = wav::read(&order.recording).unwrap();
        assert!(kept.seconds() > 1.5, "{} s", kept.seconds());
    });
}
