//! `devices` and `measure` as a tuner runs them, on a real sound path: the private card hears what it plays.

#![expect(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../../../tests/support/private_card.rs"]
mod private_card;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

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
