//! Source with the outputs recorded one at a time: in the window, on the virtual car whose head unit plays by itself.

mod common;

use common::driver::{click, state, until};
use common::window;
use dsp::verdict::Verdict;
use eframe::egui::{Key, vec2};
use egui_kittest::kittest::Queryable;
use workstation::state::State;

#[test]
fn outputs_are_recorded_one_at_a_time() {
    let folder = tempfile::tempdir().unwrap();
    let day = jiff::civil::date(2026, 3, 14);
    let simulation = garage::Simulation { scenario: "split-factory".into(), seed: 3 };
    let garage = folder.path().join("garage");
    let visit = job::intake::begin_simulated(&garage, &simulation, day).unwrap();

    let mut window = window(vec2(1280.0, 2400.0), false, State::default);
    window.get_by_label("Garage folder").focus();
    window.run_steps(2);
    window.get_by_label("Garage folder").type_text(&garage.display().to_string());
    window.run_steps(2);
    window.key_press(Key::Enter);
    until(&mut window, "the garage", |state| state.garage.listed.is_some());
    let name = visit.record().date.to_string();
    window.get_all_by_label_contains(&name).next().unwrap().click();
    until(&mut window, "the visit", |state| state.open.is_some());
    window.key_press(Key::Num2);
    window.run_steps(2);

    click(&mut window, "Show the outputs");
    let outputs = state(&window).source.probing.outputs.clone();
    assert!(outputs.len() > 4 && outputs[0].starts_with("front"), "{outputs:?}");
    let first = window.get_by_label("Output 1 by name").rect().top();
    assert!(window.get_by_label("Output 2 by name").rect().top() > first);
    for name in outputs.iter().skip(1) {
        click(&mut window, &format!("Record output {name}"));
        until(&mut window, name, |state| !state.is_busy() && state.source.listened.is_some());
        let listened = state(&window).source.listened.clone().unwrap();
        assert_ne!(listened.verdict, Verdict::Retake, "{name}: {:?}", listened.remarks);
        assert_eq!(listened.line.name(), name);
        assert!(state(&window).source.listening.is_none());
        until(&mut window, "the take", |state| {
            state.open.as_ref().is_some_and(|open| {
                open.current_takes()
                    .any(|take| take.subject.as_ref() == Some(&listened.line.name().to_owned()))
            })
        });
    }
    let told = |words: &str| window.query_all_by_label(words).count();
    assert_eq!(told("recorded, good") + told("recorded, usable"), outputs.len() - 1);
    window.get_by_label("with the others");
    window.get_all_by_label("Work it out").last().unwrap().click();
    until(&mut window, "the finding", |state| {
        !state.is_busy() && state.open.as_ref().is_some_and(|open| open.finding.is_some())
    });
    let found = state(&window).open.as_ref().unwrap().finding.clone().unwrap();
    assert_eq!(found.outputs.len(), outputs.len());
    assert_eq!(found.sums.iter().map(|sum| sum.name.as_str()).collect::<Vec<_>>(), ["left", "right"]);
    assert!(found.simulated);

    // An output without a name cannot be recorded, and says so by its button.
    click(&mut window, "Add an output");
    let count = state(&window).source.probing.outputs.len();
    assert_eq!(count, outputs.len() + 1);
    click(&mut window, &format!("Leave output {count} out"));
    assert_eq!(state(&window).source.probing.outputs, outputs);
    click(&mut window, "Record the joined signal left");
    until(&mut window, "the proof", |state| {
        state.signal().is_some_and(|sum| sum.measured.is_some()) && !state.is_busy()
    });
    click(&mut window, "Show the curves");
    assert!(!state(&window).source.shows_outputs);
}
