//! Sound cards from the window: devices chosen by name, a channel, a take, with its level in the top bar meanwhile.
//!
//! The private card hears what it plays: the take comes back at its own level, flat over the channel's safe band.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "helpers of a test")]

mod common;
#[path = "../../../tests/support/made_head_unit.rs"]
mod made_head_unit;
#[path = "../../../tests/support/private_card.rs"]
mod private_card;

use std::time::Duration;

use common::driver::{Window, click, state};
use common::window;
use dsp::verdict::Verdict;
use eframe::egui::accesskit::Role;
use eframe::egui::{Key, vec2};
use egui_kittest::kittest::Queryable;
use job::source::Line;
use workstation::stages::Stage;
use workstation::state::{Recorded, State, Subject, recorded};

fn until(window: &mut Window, what: &str, mut done: impl FnMut(&State) -> bool) {
    // Two minutes; a take lasts a quarter of one.
    for _ in 0..6000 {
        window.step();
        if done(state(window)) {
            return window.run_steps(2);
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    panic!("{what} never came about; the message is {:?}", state(window).notice);
}

fn pick(window: &mut Window, list: &str, device: &str) {
    window.get_by_role_and_label(Role::ComboBox, list).click();
    window.run_steps(2);
    click(window, device);
}

/// A window with a new real car on its job card, in a garage in `folder`, once the devices are listed.
fn bench_car(folder: &std::path::Path) -> Window {
    let mut window = window(vec2(1280.0, 2400.0), false, State::default);
    window.get_by_label("Garage folder").focus();
    window.run_steps(2);
    window.get_by_label("Garage folder").type_text(&folder.join("garage").display().to_string());
    window.run_steps(2);
    window.key_press(Key::Enter);
    until(&mut window, "the garage", |state| state.garage.listed.is_some());
    window.get_by_label("Name of the car").type_text("Bench car");
    window.run_steps(2);
    window.get_all_by_label("Begin car").next().unwrap().click();
    until(&mut window, "the visit", |state| state.open.is_some());
    assert!(!state(&window).is_simulated());

    until(&mut window, "the devices", |state| !state.devices.is_empty());
    window
}

#[test]
fn a_take_on_a_sound_card() {
    private_card::with_private_card("a_take_on_a_sound_card", 48_000, 2, || {
        let folder = tempfile::tempdir().unwrap();
        let mut window = bench_car(folder.path());
        pick(&mut window, "Output device", "bench_out");
        pick(&mut window, "Input device", "bench_in");
        click(&mut window, "Add channel");
        let rig = state(&window).draft.sheet.rig.clone().unwrap();
        assert_eq!((rig.output.as_str(), rig.input.as_str()), ("bench_out", "bench_in"));

        window.key_press(Key::Num3);
        window.run_steps(2);
        for side in ["left before", "right before"] {
            click(&mut window, side);
        }
        let mut loudest_dbfs = f64::NEG_INFINITY;
        // A busy machine loses sound, says so, and the take is made again.
        for _ in 0..4 {
            window.key_press(Key::Space);
            until(&mut window, "a take", |state| {
                let line = state.rig_line();
                loudest_dbfs =
                    loudest_dbfs.max(line.peak_dbfs.filter(|_| line.live).unwrap_or(f64::NEG_INFINITY));
                !state.is_busy() && (state.cabin.latest.is_some() || state.notice.is_some())
            });
            let latest = state(&window).cabin.latest.as_ref();
            if latest.is_some_and(|taken| taken.verdict != Verdict::Retake) {
                break;
            }
        }
        let state = state(&window);
        let taken = state.cabin.latest.as_ref().unwrap_or_else(|| panic!("{:?}", state.notice));
        assert_ne!(taken.verdict, Verdict::Retake, "{:?}", taken.remarks);
        assert_eq!((&taken.subject, taken.position.as_str()), (&Subject::Channel("channel 1".into()), "P1"));
        // The stimulus leaves at -24 dBFS and comes back as it left; a tenth for the look between two blocks.
        assert!((loudest_dbfs + 24.0).abs() < 0.1, "the top bar showed {loudest_dbfs:.2} dBFS at most");
        let curve = taken.curve.as_ref().expect("a curve");
        let inside: Vec<f64> = curve
            .frequency_hz
            .iter()
            .zip(&curve.level_db)
            .filter(|(hz, _)| (100.0..10_000.0).contains(*hz))
            .map(|(_, db)| *db)
            .collect();
        let (low, high) = inside.iter().fold((f64::MAX, f64::MIN), |(a, b), db| (a.min(*db), b.max(*db)));
        // A wire: the noise of a float is far below this.
        assert!(high - low < 0.05, "{low:.3} to {high:.3} dB");
        assert_eq!(state.stage, Stage::Cabin);
    });
}

#[test]
fn a_head_unit_is_recorded_while_it_plays() {
    private_card::with_private_card("a_head_unit_is_recorded_while_it_plays", 48_000, 2, || {
        let folder = tempfile::tempdir().unwrap();
        let mut window = bench_car(folder.path());
        pick(&mut window, "Input device", "bench_in");
        pick(&mut window, "What it can do", "15 parametric bands");
        window.key_press(Key::Num2);
        window.run_steps(2);

        pick(&mut window, "Sample rate of the files", "48 kHz");
        window.get_by_label("Folder for the files").focus();
        window.run_steps(2);
        window
            .get_by_label("Folder for the files")
            .type_text(&folder.path().join("stick").display().to_string());
        window.run_steps(2);
        click(&mut window, "Save the files to play");
        until(&mut window, "the stick", |state| {
            state.open.as_ref().is_some_and(|open| open.visit.head_unit_stimulus.is_some())
        });
        for (index, name) in ["low", "high"].into_iter().enumerate() {
            click(&mut window, "Add an output");
            let label = format!("Output {} by name", index + 1);
            window.get_by_label(&label).focus();
            window.run_steps(2);
            window.key_press_modifiers(eframe::egui::Modifiers::COMMAND, Key::A);
            window.run_steps(2);
            window.get_by_label(&label).type_text(name);
            window.run_steps(2);
        }
        // A busy machine loses sound, says so, and the recording is made again.
        let mut said = Vec::new();
        for _ in 0..4 {
            let played = folder.path().join("stick").join("source-sweep.wav");
            let playing = made_head_unit::plays(&played, folder.path());
            click(&mut window, "Record output high");
            until(&mut window, "the recording", |state| {
                if let Some(listening) = &state.source.listening {
                    let words = listening.following.progress().words();
                    if said.last() != Some(&words) {
                        said.push(words);
                    }
                }
                !state.is_busy() && (state.source.listened.is_some() || state.notice.is_some())
            });
            playing.join().unwrap();
            let listened = state(&window).source.listened.as_ref();
            if listened.is_some_and(|listened| listened.verdict != Verdict::Retake) {
                break;
            }
            said.clear();
        }
        let listened = state(&window).source.listened.clone();
        let listened = listened.unwrap_or_else(|| panic!("{:?}", state(&window).notice));
        assert_ne!(listened.verdict, Verdict::Retake, "{:?}", listened.remarks);
        assert_eq!(said.first().map(String::as_str), Some("waiting for the first marker"), "{said:?}");
        assert!(said.iter().any(|words| words == "heard 1 of 4 sweeps"), "{said:?}");

        // The records are read again after the verdict is shown; until then there is nothing to work out.
        until(&mut window, "the record", |state| {
            recorded(state, &Line::Output("high".into())) == Recorded::Is(listened.verdict)
        });
        window.get_all_by_label("Work it out").last().unwrap().click();
        until(&mut window, "the finding", |state| {
            !state.is_busy() && state.open.as_ref().is_some_and(|open| open.finding.is_some())
        });
        let found = state(&window).open.as_ref().unwrap().finding.clone().unwrap();
        let sentence = |name: &str| {
            found.outputs.iter().find(|it| it.name == name).map(|it| it.sentence.clone()).unwrap_or_default()
        };
        assert!(sentence("low").contains("the right way round"), "{found:?}");
        assert!(sentence("high").contains("turned over"), "{}", sentence("high"));
        assert!(sentence("high").contains("1.50 ms after the earliest"), "{}", sentence("high"));
        assert!(sentence("high").contains("24 dB/oct"), "{}", sentence("high"));
        assert!(!found.simulated);
    });
}
