//! `devices` and `measure` as a tuner runs them, on a real sound path: the private card hears what it plays.

#![expect(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../../../tests/support/made_head_unit.rs"]
mod made_head_unit;
#[path = "../../../tests/support/private_card.rs"]
mod private_card;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::thread::JoinHandle;
use std::time::Duration;

use garage::channels::Place;
use garage::{Car, Channel, ChannelMap, Garage, Role, Side, Visit};
use serde_json::Value;

fn visit_in(folder: &Path) -> PathBuf {
    let channel = |name: &str, output, role, side, safe_band_hz, safe_frequency_hz| Channel {
        name: name.into(),
        output,
        role,
        side,
        place: Place::Front,
        safe_band_hz,
        safe_frequency_hz,
        note: String::new(),
    };
    let car = Car {
        name: "bench".into(),
        channel_map: ChannelMap {
            channels: vec![
                channel("front left", 1, Role::FullRange, Side::Left, (20.0, 20_000.0), None),
                channel("right tweeter", 2, Role::Tweeter, Side::Right, (2_500.0, 20_000.0), Some(2_500.0)),
                channel("far away", 40, Role::FullRange, Side::Right, (20.0, 20_000.0), None),
            ],
        },
        ..Car::default()
    };
    let garage = Garage::create(&folder.join("garage"), "a bench").expect("a garage");
    let car = garage.add_car(&car).expect("a car");
    let visit = car.begin_visit(Visit::begin(jiff::civil::date(2026, 5, 4))).expect("a visit");
    visit.path().to_owned()
}

fn cabinwright(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cabinwright")).args(words).output().expect("the program starts")
}

fn measure(visit: &Path, words: &[&str]) -> Output {
    let visit = visit.to_str().expect("a plain path");
    let usual = ["measure", "--json", "--visit", visit, "--seconds", "2", "--repeats", "1"];
    cabinwright(&[usual.as_slice(), words].concat())
}

fn document(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {output:?}"))
}

/// Takes until the sound system lost nothing: a busy machine loses sound, says so, and the take is made again.
fn good_take(visit: &Path, words: &[&str]) -> Value {
    for _ in 0..4 {
        let output = measure(visit, words);
        match output.status.code() {
            Some(0) => return document(&output),
            Some(3) => eprintln!("taken again: {}", document(&output)["remarks"]),
            _ => panic!("{output:?}"),
        }
    }
    panic!("four spoiled takes in a row")
}

/// Records what `playing` plays until the sound system lost nothing.
fn recorded(visit: &str, words: &[&str], playing: impl Fn() -> JoinHandle<()>) -> Value {
    let usual = ["measure", "--json", "--visit", visit];
    for _ in 0..4 {
        let playing = playing();
        let output = cabinwright(&[usual.as_slice(), words].concat());
        playing.join().expect("the head unit plays");
        match output.status.code() {
            Some(0) => return document(&output),
            Some(3) => eprintln!("recorded again: {}", document(&output)["remarks"]),
            _ => panic!("{output:?}"),
        }
    }
    panic!("four spoiled recordings in a row")
}

/// Largest distance of the levels from their mean, between two frequencies.
fn unevenness_db(take: &Value, from_hz: f64, to_hz: f64) -> f64 {
    let numbers = |name: &str| -> Vec<f64> {
        let list = take["curve"][name].as_array().unwrap_or_else(|| panic!("no {name} in {}", take["curve"]));
        list.iter().filter_map(Value::as_f64).collect()
    };
    let inside: Vec<f64> = numbers("frequency_hz")
        .into_iter()
        .zip(numbers("level_db"))
        .filter(|(frequency_hz, _)| (from_hz..=to_hz).contains(frequency_hz))
        .map(|(_, level_db)| level_db)
        .collect();
    assert!(inside.len() > 50, "{} points", inside.len());
    let mean = inside.iter().sum::<f64>() / inside.len() as f64;
    inside.iter().map(|level_db| (level_db - mean).abs()).fold(0.0, f64::max)
}

#[test]
fn a_take_goes_through_the_card_into_the_visit() {
    private_card::with_private_card("a_take_goes_through_the_card_into_the_visit", 48_000, 2, || {
        let listed = document(&cabinwright(&["devices", "--json"]));
        let names: Vec<_> =
            listed["devices"].as_array().expect("a list").iter().map(|it| it["name"].clone()).collect();
        assert!(names.contains(&"bench_out".into()), "{names:?}");

        let dir = tempfile::tempdir().expect("a temporary folder");
        let visit = visit_in(dir.path());
        let card = ["--output", "bench_out", "--input", "bench_in"];
        let take = good_take(&visit, &[&card[..], &["--channel", "front left", "--position", "P1"]].concat());
        let uneven = unevenness_db(&take, 25.0, 18_000.0);
        eprintln!("front left: {uneven:.4} dB, {}", take["remarks"]);
        // A wire has no response; the analysis may ripple at the ends of its sweep.
        assert!(uneven < 0.1, "{uneven} dB");

        // The devices are known now; the tweeter's output is heard on the second input.
        let words = ["--microphone-input", "2", "--channel", "right tweeter", "--position", "P2"];
        let take = good_take(&visit, &words);
        let uneven = unevenness_db(&take, 3_500.0, 18_000.0);
        eprintln!("right tweeter: {uneven:.4} dB, {}", take["remarks"]);
        assert!(uneven < 0.1, "{uneven} dB");

        let takes: Vec<_> =
            std::fs::read_dir(visit.join("takes")).expect("takes").flatten().map(|it| it.path()).collect();
        let waves = takes.iter().filter(|path| path.extension().is_some_and(|it| it == "wav")).count();
        assert!(waves >= 2 && takes.len() >= 2 * waves, "{takes:?}");
    });
}

#[test]
fn what_cannot_be_measured_is_said_in_one_line() {
    private_card::with_private_card("what_cannot_be_measured_is_said_in_one_line", 48_000, 2, || {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let visit = visit_in(dir.path());
        let take = ["--channel", "front left", "--position", "P1"];
        let cases: [(&[&str], &str); 7] = [
            (&["--channel", "front left", "--position", "P77"], "P77"),
            (&["--channel", "no such", "--position", "P1"], "no such"),
            (&[&take[..], &["--output", "nothing"]].concat(), "bench_out"),
            (
                &[&take[..], &["--output", "bench_out", "--input", "bench_in", "--rate", "12345"]].concat(),
                "48000",
            ),
            (&[&take[..], &["--rate", "48000", "--level-dbfs", "-2"]].concat(), "-6 dBFS"),
            (&[&take[..], &["--rate", "48000", "--microphone-input", "99"]].concat(), "99"),
            (
                &["--rate", "48000", "--microphone-input", "1", "--channel", "far away", "--position", "P1"],
                "40",
            ),
        ];
        for (words, part) in cases {
            let output = measure(&visit, words);
            let said = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(2), "{words:?}: {said}");
            assert!(said.trim_end().lines().count() == 1 && said.contains(part), "{words:?}: {said}");
            assert!(output.stdout.is_empty(), "{words:?}");
        }
        let nowhere = measure(dir.path(), &take);
        assert_eq!(nowhere.status.code(), Some(2));
    });
}

/// Recorded while another plays it, then worked out from the visit's own recording.
#[test]
fn a_head_unit_is_recorded_into_the_visit_and_worked_out() {
    let name = "a_head_unit_is_recorded_into_the_visit_and_worked_out";
    private_card::with_private_card(name, 48_000, 2, || {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let visit = visit_in(dir.path());
        let path = |name: &str| dir.path().join(name).display().to_string();
        let stimulus = path("source.wav");
        let made = cabinwright(&[
            "stimulus",
            "sweep",
            "--low-hz",
            "5",
            "--seconds",
            "4",
            "--repeats",
            "2",
            "--markers",
            "--channels",
            "2",
            "--sides",
            "--bits",
            "16",
            "--out",
            &stimulus,
        ]);
        assert!(made.status.success(), "{made:?}");
        let visit = visit.to_str().expect("a plain path");
        let unknown =
            cabinwright(&["measure", "--visit", visit, "--input", "bench_in", "--head-unit", "high"]);
        assert_eq!(unknown.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&unknown.stderr).contains("no stimulus was saved"), "{unknown:?}");

        let take = recorded(
            visit,
            &["--head-unit", "high", "--stays", "low:1", "--line-input", "2", "--stimulus", &stimulus],
            || made_head_unit::plays(stimulus.as_ref(), dir.path()),
        );
        assert_eq!((&take["subject"], &take["kind"]), (&"high".into(), &"source".into()));

        let wav = format!("{visit}/takes/{}.wav", take["id"].as_str().expect("an id"));
        let (low, high) = (format!("low={wav}:1"), format!("high={wav}:2"));
        let found = cabinwright(&[
            "source",
            "--json",
            "--stimulus",
            &stimulus,
            "--reference-channel",
            "1",
            "--capture",
            &low,
            "--capture",
            &high,
            "--out",
            &path("found"),
        ]);
        assert_eq!(found.status.code(), Some(0), "{found:?}");
        let found = document(&found);
        let channel = &found["channels"][1];
        eprintln!("{channel}");
        assert_eq!(channel["polarity"], "inverted");
        // What was made; a woofer that ends at 400 Hz is known to less than a tenth of a millisecond.
        let late_ms = channel["delay_ms"].as_f64().expect("a delay");
        assert!((late_ms - 1.5).abs() < 0.06, "{late_ms} ms");
        assert_eq!(channel["slopes"][0]["db_per_oct"], 24);
        let edge_hz = channel["band_hz"][0].as_f64().expect("an edge");
        assert!((edge_hz / 400.0).log2().abs() < 0.02, "{edge_hz} Hz");
    });
}

#[test]
fn a_tone_is_recorded_while_the_volume_is_turned_up() {
    let name = "a_tone_is_recorded_while_the_volume_is_turned_up";
    private_card::with_private_card(name, 48_000, 2, || {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let visit = visit_in(dir.path());
        let visit = visit.to_str().expect("a plain path");
        let words = ["--input", "bench_in", "--head-unit", "high", "--line-input", "2", "--tone", "997"];
        let without = cabinwright(&[&["measure", "--visit", visit], words.as_slice()].concat());
        assert_eq!(without.status.code(), Some(2), "the step it begins at must be told");
        let wrong =
            cabinwright(&["measure", "--visit", visit, "--head-unit", "high", "--tone", "1", "--from", "9"]);
        assert!(String::from_utf8_lossy(&wrong.stderr).contains("10 to 20000"), "{wrong:?}");

        // Seven clean steps of 3 dB, and an eighth clipped 3 dB below its peak. At 997 Hz what the clipping sends beyond
        // half the sample rate comes back beside the harmonics, not onto them.
        let ceiling = 0.4;
        let step = |n: i32| {
            let peak = ceiling * 10f64.powf(0.15 * f64::from(n - 6));
            (0..57_600).map(move |k| {
                let sine = peak * (std::f64::consts::TAU * 997.0 * f64::from(k) / 48_000.0).sin();
                sine.clamp(-ceiling, ceiling)
            })
        };
        let turned_up: Vec<f64> = (0..8).flat_map(step).collect();
        let tone = dir.path().join("tone.wav");
        audio::wav::write_f32(&tone, 48_000, &[vec![0.0; turned_up.len()], turned_up]).expect("the tone");
        let take = recorded(visit, &[words.as_slice(), &["--from", "20"]].concat(), || {
            let tone = tone.clone();
            std::thread::spawn(move || {
                std::thread::sleep(Duration::from_secs(2));
                let player = Command::new("paplay").arg("--device=bench_speaker").arg(tone).status();
                assert!(player.expect("the sound tests need pulseaudio-utils").success());
            })
        });
        assert_eq!(
            (&take["subject"], &take["label"]),
            (&"tone of 997 Hz".into(), &"volume up from 20".into())
        );
        let remarks = take["remarks"].to_string();
        assert!(remarks.contains("8 volume steps were heard; the last clean one is number 7"), "{remarks}");
        // Hard clipping 3 dB below the peak gives 13.38 % (closed form, by Fourier series of the clipped sine).
        let wav = format!("{visit}/takes/{}.wav", take["id"].as_str().expect("an id"));
        let samples = audio::wav::read(Path::new(&wav)).expect("the recording").channels.remove(0);
        let heard = dsp::factory::clean::clean_volume(&samples, 48_000.0, 1.0).expect("steps");
        let last = heard.steps.last().expect("a last step");
        assert!((last.thd_percent - 13.38).abs() < 0.05, "{} %", last.thd_percent);
    });
}
