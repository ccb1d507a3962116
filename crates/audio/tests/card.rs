//! The card rig on a real sound path: cpal, ALSA and a private PulseAudio whose output is its input.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]
#![expect(clippy::print_stdout, reason = "the measured figures are worth seeing")]

#[path = "../../../tests/support/private_card.rs"]
mod private_card;

use std::sync::Arc;
use std::time::{Duration, Instant};

use audio::card::{self, CardChoice, CardRig};
use audio::rig::{PlayedChannel, Rig, RigError, TakeFacts, TakeOrder, Watch};
use audio::wav;
use dsp::spectrum::Complex;
use private_card::with_private_card;

fn bench() -> CardRig {
    CardRig::open(CardChoice::named("bench_out", "bench_in")).unwrap()
}

/// An exponential sweep from 15 Hz to just under half the rate, faded, at −20 dBFS.
fn sweep(rate_hz: u32, seconds: f64) -> Vec<f32> {
    let rate = f64::from(rate_hz);
    let (low, high) = (15.0, 0.48 * rate);
    let growth = f64::ln(high / low);
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

/// Takes; a take that says it lost frames is taken again, as a tuner would: this machine may be very busy. What must
/// never happen is a spoiled recording that does not say so.
fn take(order: &TakeOrder) -> (TakeFacts, wav::Wav) {
    for _ in 0..4 {
        let facts = bench().take(order, &Watch::default()).unwrap();
        let recording = wav::read(&order.recording).unwrap();
        assert_eq!(recording.doubts, vec![]);
        assert_eq!(recording.frames() as u64, facts.frames);
        if facts.lost_frames == 0 {
            return (facts, recording);
        }
        println!("spoiled, taken again: {:?}", facts.remarks);
        std::fs::remove_file(&order.recording).unwrap();
    }
    panic!("four spoiled takes in a row: this machine is too busy to test sound")
}

#[test]
fn the_devices_are_listed() {
    with_private_card("the_devices_are_listed", 48_000, 2, || {
        let began = Instant::now();
        let listed = card::list().unwrap();
        println!("{listed:?} in {:?}", began.elapsed());
        assert!(listed.iter().any(|device| device.name == "bench_out" && device.output_channels >= 2));
        assert!(listed.iter().any(|device| device.name == "spare_in" && device.rates_hz.contains(&48_000)));
        let Err(error) = CardRig::open(CardChoice::named("nothing", "")) else {
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
fn a_loud_first_take_is_announced_and_the_announcement_not_recorded() {
    with_private_card("a_loud_first_take_is_announced_and_the_announcement_not_recorded", 48_000, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let played: Vec<f32> = sweep(48_000, 1.5).iter().map(|x| 3.0 * x).collect();
        let began = Instant::now();
        let (facts, recording) = take(&order(dir.path(), 48_000, vec![(0, played.clone())], vec![0]));
        assert!(
            began.elapsed().as_secs_f64() > 1.5 + audio::safety::LEAD_IN_S + audio::safety::LEAD_IN_PAUSE_S
        );
        assert!((facts.peak_dbfs[0] + 10.5).abs() < 0.1, "{facts:?}");
        let heard = &recording.channels[0];
        let start = heard.iter().position(|x| *x != 0.0).unwrap();
        let first = played.iter().position(|x| *x != 0.0).unwrap();
        for (n, sample) in played.iter().enumerate().skip(first) {
            assert_eq!(heard[start + n - first] as f32, *sample, "sample {n}");
        }
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

/// Takes a sweep, pulls the plug at two fifths of it, and gives the answer, the time it took and the recording.
fn pulled_in_mid_sweep() -> (RigError, Duration, wav::Wav) {
    let dir = tempfile::tempdir().unwrap();
    let order = order(dir.path(), 48_000, vec![(0, sweep(48_000, 6.0))], vec![0]);
    let watch = Watch::default();
    let (result, after) = std::thread::scope(|scope| {
        let take = scope.spawn(|| bench().take(&order, &watch));
        while watch.progress() < 0.4 && !take.is_finished() {
            std::thread::sleep(Duration::from_millis(5));
        }
        private_card::unplug("bench");
        let pulled = Instant::now();
        (take.join().unwrap(), pulled.elapsed())
    });
    let error = result.expect_err("a device vanished");
    println!("{error} ({after:?} after the pull)");
    (error, after, wav::read(&order.recording).unwrap())
}

#[test]
fn a_device_pulled_in_mid_sweep_is_said_at_once_and_the_recording_kept() {
    with_private_card(
        "a_device_pulled_in_mid_sweep_is_said_at_once_and_the_recording_kept",
        48_000,
        2,
        || {
            // With no other device to be led to, both streams end in a storm of errors.
            private_card::unplug("spare");
            let (error, after, kept) = pulled_in_mid_sweep();
            assert!(matches!(error, RigError::DeviceLost { .. }), "{error:?}");
            // The watchdog alone would need two seconds; a hang would need the rest of the sweep and more.
            assert!(after < Duration::from_secs(3), "{after:?}");
            assert!((1.5..4.5).contains(&kept.seconds()), "{} s", kept.seconds());
            assert!(kept.channels[0].iter().any(|x| x.abs() > 0.05));
        },
    );
}

#[test]
fn a_stream_led_to_another_device_is_found_out() {
    with_private_card("a_stream_led_to_another_device_is_found_out", 48_000, 2, || {
        // The sound server moves both streams to the spare pair without a word.
        let (error, _, kept) = pulled_in_mid_sweep();
        assert!(matches!(error, RigError::DeviceLost { .. }), "{error:?}");
        assert!(kept.seconds() > 1.5, "{} s", kept.seconds());
    });
}

/// Largest deviation of the response of what was recorded from what was played, 20 Hz to 20 kHz, in dB.
fn unevenness_db(played: &[f32], recorded: &[f64], rate_hz: u32) -> f64 {
    let length = recorded.len().max(played.len());
    let spectrum = |samples: &mut dyn Iterator<Item = f64>| {
        let mut padded: Vec<_> = samples.map(|x| Complex::new(x, 0.0)).collect();
        padded.resize(length, Complex::new(0.0, 0.0));
        dsp::spectrum::forward(&mut padded);
        padded
    };
    let sent = spectrum(&mut played.iter().map(|x| f64::from(*x)));
    let heard = spectrum(&mut recorded.iter().copied());
    let spacing = f64::from(rate_hz) / length as f64;
    let (from, to) = ((20.0 / spacing).ceil() as usize, (20_000.0 / spacing) as usize);
    (from..=to).map(|bin| (20.0 * (heard[bin].norm() / sent[bin].norm()).log10()).abs()).fold(0.0, f64::max)
}

fn loop_back(rate_hz: u32, channels: u16) {
    let dir = tempfile::tempdir().unwrap();
    let played = sweep(rate_hz, 2.0);
    let (first, last) = (0, channels - 1);
    let lines = vec![(first, played.clone()), (last, played.iter().map(|x| -0.5 * x).collect())];
    let (facts, recording) = take(&order(dir.path(), rate_hz, lines, (0..channels).collect()));
    assert_eq!((recording.rate_hz, facts.lost_frames), (rate_hz, 0), "{:?}", facts.remarks);
    for channel in 0..channels {
        let heard = &recording.channels[usize::from(channel)];
        let gain_db = if channel == first {
            0.0
        } else if channel == last {
            20.0 * 0.5f64.log10()
        } else {
            assert!(heard.iter().all(|x| *x == 0.0), "channel {channel} is not silent");
            continue;
        };
        let scaled: Vec<f64> = heard.iter().map(|x| x / 10f64.powf(gain_db / 20.0)).collect();
        let uneven = unevenness_db(&played, &scaled, rate_hz);
        println!("{rate_hz} Hz, {channels} channels, channel {channel}: {uneven:.2e} dB");
        // The figure this program promises of its own sound path.
        assert!(uneven <= 0.01, "{uneven} dB at {rate_hz} Hz, channel {channel}");
    }
    let sign: f64 =
        recording.channels[0].iter().zip(&recording.channels[usize::from(last)]).map(|(a, b)| a * b).sum();
    assert!(sign < 0.0, "the inverted channel came back the right way round");
}

#[test]
fn the_loop_is_flat_at_44100_hz_with_2_channels() {
    with_private_card("the_loop_is_flat_at_44100_hz_with_2_channels", 44_100, 2, || loop_back(44_100, 2));
}

#[test]
fn the_loop_is_flat_at_48000_hz_with_8_channels() {
    with_private_card("the_loop_is_flat_at_48000_hz_with_8_channels", 48_000, 8, || loop_back(48_000, 8));
}

#[test]
fn the_loop_is_flat_at_96000_hz_with_2_channels() {
    with_private_card("the_loop_is_flat_at_96000_hz_with_2_channels", 96_000, 2, || loop_back(96_000, 2));
}

#[test]
fn the_loop_is_flat_at_96000_hz_with_8_channels() {
    with_private_card("the_loop_is_flat_at_96000_hz_with_8_channels", 96_000, 8, || loop_back(96_000, 8));
}

#[test]
fn a_frozen_sound_system_spoils_the_take_and_is_said() {
    with_private_card("a_frozen_sound_system_spoils_the_take_and_is_said", 48_000, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let order = order(dir.path(), 48_000, vec![(0, sweep(48_000, 5.0))], vec![0]);
        let watch = Watch::default();
        let taken = std::thread::scope(|scope| {
            let take = scope.spawn(|| bench().take(&order, &watch));
            while watch.progress() < 0.4 && !take.is_finished() {
                std::thread::sleep(Duration::from_millis(5));
            }
            private_card::freeze(Duration::from_millis(700));
            take.join().unwrap()
        });
        println!("{taken:?}");
        match taken {
            Ok(facts) => assert!(facts.lost_frames > 1_000 && !facts.remarks.is_empty(), "{facts:?}"),
            // After an underrun in a freeze the ALSA plug-in may answer every call with an I/O error from then on.
            Err(RigError::DeviceLost { .. }) => {
                assert!(wav::read(&order.recording).unwrap().seconds() > 0.5);
            }
            Err(other) => panic!("{other:?}"),
        }
    });
}

#[test]
fn a_sound_system_that_stays_frozen_is_a_lost_device_and_not_a_hang() {
    with_private_card("a_sound_system_that_stays_frozen_is_a_lost_device_and_not_a_hang", 48_000, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let mut order = order(dir.path(), 48_000, vec![], vec![0]);
        order.tail_s = 20.0;
        let watch = Watch::default();
        let result = std::thread::scope(|scope| {
            let take = scope.spawn(|| bench().take(&order, &watch));
            while watch.progress() < 0.05 && !take.is_finished() {
                std::thread::sleep(Duration::from_millis(5));
            }
            private_card::freeze(Duration::from_secs(6));
            take.join().unwrap()
        });
        assert!(matches!(result, Err(RigError::DeviceLost { .. })), "{result:?}");
        assert!(wav::read(&order.recording).unwrap().seconds() > 0.5);
    });
}

#[test]
fn a_crash_while_recording_keeps_what_was_recorded() {
    const NAME: &str = "a_crash_while_recording_keeps_what_was_recorded";
    with_private_card(NAME, 48_000, 2, || {
        if let Some(folder) = std::env::var_os("CABINWRIGHT_CRASHES_IN") {
            let mut order = order(folder.as_ref(), 48_000, vec![(0, sweep(48_000, 20.0))], vec![0, 1]);
            order.tail_s = 10.0;
            let _ = bench().take(&order, &Watch::default());
            return;
        }
        let dir = tempfile::tempdir().unwrap();
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args([NAME, "--exact", "--nocapture"])
            .env("CABINWRIGHT_CRASHES_IN", dir.path())
            .spawn()
            .unwrap();
        let path = dir.path().join("take.wav");
        // Three seconds of two float32 channels, as far as the file shows it.
        let began = Instant::now();
        while std::fs::metadata(&path).map_or(0, |file| file.len()) < 3 * 48_000 * 8 {
            assert!(began.elapsed() < Duration::from_secs(30), "the recording does not grow");
            std::thread::sleep(Duration::from_millis(20));
        }
        child.kill().unwrap();
        child.wait().unwrap();
        let kept = wav::read(&path).unwrap();
        println!("{:?}", kept.doubts);
        assert!(matches!(kept.doubts.first(), Some(wav::Doubt::Unfinished { .. })), "{:?}", kept.doubts);
        assert!(kept.seconds() >= 2.9, "{} s", kept.seconds());
        assert!(kept.channels[0].iter().any(|x| x.abs() > 0.05), "the sweep is not in it");
        // Another reader needs no repair: the header counts all but the last second.
        let theirs = hound::WavReader::open(&path).unwrap();
        assert!(f64::from(theirs.duration()) / 48_000.0 > 1.8);
    });
}

#[test]
fn a_cue_is_heard_and_silenced_by_stop() {
    use audio::cue::{self, Cue};
    with_private_card("a_cue_is_heard_and_silenced_by_stop", 48_000, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let mut order = order(dir.path(), 48_000, vec![], vec![0, 1]);
        order.tail_s = 2.5;
        std::thread::scope(|scope| {
            let take = scope.spawn(|| bench().take(&order, &Watch::default()));
            std::thread::sleep(Duration::from_millis(300));
            cue::play(Cue::MoveOn, Some("bench_out"), -26.0, &Watch::default()).unwrap();
            let stopped = Watch::default();
            stopped.stop();
            cue::play(Cue::Again, Some("bench_out"), -26.0, &stopped).unwrap();
            take.join().unwrap().unwrap();
        });
        let heard = wav::read(&order.recording).unwrap();
        let cue = Cue::MoveOn.samples(48_000, -26.0);
        for channel in heard.channels {
            let loud = channel.iter().filter(|x| x.abs() > 0.001).count();
            let expected = cue.iter().filter(|x| x.abs() > 0.001).count();
            assert_eq!(loud, expected, "the cue was not heard exactly once");
        }
    });
}
