//! Source at a real car: recordings of two factory outputs named in the window, worked out, and the plan changed by hand.
//!
//! The "head unit" is a tune run over the stimulus: a Linkwitz-Riley split at 400 Hz whose upper half is late and turned
//! over.

#![expect(clippy::unwrap_used, reason = "helpers of a test")]

mod common;

use std::path::Path;

use common::driver::{Window, click, state, until};
use common::window;
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Polarity, Tune};
use eframe::egui::{Key, vec2};
use egui_kittest::kittest::Queryable;
use job::plan::SweepPlan;
use job::stimulus::Encoding;
use workstation::state::State;

fn type_into(window: &mut Window, label: &str, words: &str) {
    window.get_by_label(label).focus();
    window.run_steps(2);
    window.get_by_label(label).type_text(words);
    window.run_steps(2);
}

/// `NAME.wav` in `folder`: the stimulus through one output.
fn output(folder: &Path, channel: ChannelTune) -> String {
    let tune = Tune { sample_rate_hz: 48_000.0, channels: vec![channel.clone()], ..Tune::default() };
    let file = folder.join(format!("{}.tune.json", channel.name));
    garage::formats::tune::write(&file, &tune).unwrap();
    let wav = folder.join(format!("{}.wav", channel.name));
    job::apply::apply_files(&file, &folder.join("source.wav"), &wav).unwrap();
    wav.display().to_string()
}

#[test]
fn recordings_become_cards_and_a_plan_that_follows_the_hand() {
    let folder = tempfile::tempdir().unwrap();
    let plan = SweepPlan { seconds: 4.0, ..SweepPlan::default() };
    let stimulus = folder.path().join("source.wav");
    job::stimulus::make(&plan.recipe((6.0, 21_000.0), 48_000, -12.0), &stimulus, Encoding::Float32).unwrap();
    let half = |pass| {
        let family = CrossoverFamily::LinkwitzRiley;
        vec![Crossover { pass, family, order: 4, frequency_hz: 400.0 }]
    };
    let low = ChannelTune { name: "low".into(), crossovers: half(Pass::Low), ..ChannelTune::default() };
    let high = ChannelTune {
        name: "high".into(),
        polarity: Polarity::Inverted,
        delay_ms: 1.5,
        crossovers: half(Pass::High),
        ..ChannelTune::default()
    };
    let files = [low, high].map(|channel| output(folder.path(), channel));

    let mut window = window(vec2(1280.0, 2400.0), false, State::default);
    type_into(&mut window, "Garage folder", &folder.path().join("garage").display().to_string());
    window.key_press(Key::Enter);
    until(&mut window, "the garage", |state| state.garage.listed.is_some());
    type_into(&mut window, "Name of the car", "Bench car");
    window.get_all_by_label("Begin car").next().unwrap().click();
    until(&mut window, "the visit", |state| state.open.is_some());
    window.key_press(Key::Num2);
    window.run_steps(2);

    click(&mut window, "Recordings made elsewhere");
    type_into(&mut window, "Stimulus", &stimulus.display().to_string());
    for (index, file) in files.iter().enumerate() {
        click(&mut window, "Add output");
        if index == 0 {
            window.get_by_label("Name of output 1").focus();
            window.run_steps(2);
            window.key_press_modifiers(eframe::egui::Modifiers::COMMAND, Key::A);
            window.run_steps(2);
        }
        type_into(&mut window, &format!("Name of output {}", index + 1), ["low", "high"][index]);
        type_into(&mut window, &format!("File of output {}", index + 1), file);
    }
    window.get_all_by_label("Work the recordings out").last().unwrap().click();
    until(&mut window, "the finding", |state| {
        !state.is_busy() && state.open.as_ref().is_some_and(|open| open.finding.is_some())
    });

    let found = state(&window).open.as_ref().unwrap().finding.clone().unwrap();
    assert_eq!(found.outputs.iter().map(|it| it.name.as_str()).collect::<Vec<_>>(), ["low", "high"]);
    assert!(found.outputs[1].sentence.contains("turned over"), "{}", found.outputs[1].sentence);
    let sum = &found.sums[0];
    assert!(sum.parts.iter().any(|it| it.invert) && sum.parts.len() == 2, "{:?}", sum.parts);
    window.get_by_label("Curve of low");
    window.get_by_label("Curve of high");
    window.get_by_label("Undoing, to type into the inputs");

    // The plan as found sums to the curve that was found with it; turned over again there is a hole at the crossover.
    let at_400 = |curve: &dsp::curve::Curve| curve.level_at_db(400.0).unwrap();
    let as_found = at_400(&sum.before);
    click(&mut window, "high turned over");
    let by_hand = at_400(state(&window).source.sum.as_ref().unwrap());
    assert!(by_hand < as_found - 15.0, "{by_hand:.1} dB by hand, {as_found:.1} dB as found");
    // The undoing follows by itself, without being kept.
    until(&mut window, "the undoing by hand", |state| {
        state.source.reworked.is_some() && state.source.reworking.is_none()
    });
    let made = state(&window).source.reworked.clone().unwrap();
    let at_100 = |curve: &dsp::curve::Curve| curve.level_at_db(100.0).unwrap();
    let sum = state(&window).source.sum.clone().unwrap();
    let apart_db = at_100(&sum) + at_100(&made.undo) - at_100(&made.expected);
    assert!(apart_db.abs() < 0.05, "{apart_db} dB between what is expected and what the undoing does");
    click(&mut window, "Back to the plan found");
    assert!(state(&window).source.sum.is_none() && state(&window).source.reworked.is_none());
    click(&mut window, "high in the sum");
    click(&mut window, "Keep this plan");
    until(&mut window, "the plan", |state| {
        !state.is_busy() && state.signal().is_some_and(|sum| sum.parts.len() == 1)
    });
    // The undoing is one for the plan in force, under a new number, and what it is expected to do follows.
    let kept = state(&window).open.as_ref().unwrap().finding.clone().unwrap();
    assert!(kept.tune > found.tune, "{:?} after {:?}", kept.tune, found.tune);
    // Only what the lower half passes is undone: nothing is boosted, or cut for the sake of, where it carries nothing.
    let flatness = kept.sums[0].flatness.unwrap();
    assert!(flatness.to_hz < 700.0 && flatness.rms_db_after < 1.5, "{flatness:?}");
    let expected = kept.sums[0].predicted.as_ref().unwrap();
    let undo = state(&window).open.as_ref().unwrap().undo[0].1.level_at_db(100.0).unwrap();
    let bent = kept.sums[0].before.level_at_db(100.0).unwrap() + undo - expected.level_at_db(100.0).unwrap();
    assert!(bent.abs() < 0.05, "{bent} dB between what is expected and what the undoing does");
    window.get_by_label("as found");
    if let Ok(look) = std::env::var("CABINWRIGHT_LOOK") {
        click(&mut window, "high in the sum");
        window.set_size(vec2(1280.0, 800.0));
        window.run_steps(4);
        window.render().unwrap().save(Path::new(&look).join("source-recordings.png")).unwrap();
    }
}
