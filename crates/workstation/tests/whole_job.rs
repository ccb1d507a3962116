//! A whole day on a virtual car, from an empty garage to the proof and the report, by label and key.

#![expect(clippy::unwrap_used, clippy::panic, reason = "helpers of a test")]

mod common;

use std::path::Path;

use common::window;
use eframe::egui::{Key, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use workstation::app::Workstation;
use workstation::stages::Stage;
use workstation::state::{State, Tone};

struct Window(Harness<'static, Option<Workstation>>);

impl Window {
    fn state(&self) -> &State {
        &self.0.state().as_ref().unwrap().state
    }

    /// Gives the workers frames until `done`; two minutes is ten times what the slowest step takes here.
    fn until(&mut self, what: &str, done: impl Fn(&State) -> bool) {
        for _ in 0..12_000 {
            self.0.step();
            let state = self.state();
            if let Some(notice) = state.notice.as_ref().filter(|notice| notice.tone == Tone::Failed) {
                panic!("{what}: {}", notice.words);
            }
            if done(state) {
                self.0.run_steps(2);
                return self.look(what);
            }
            std::thread::sleep(std::time::Duration::from_millis(10));
        }
        panic!("{what} never came about; the message is {:?}", self.state().notice);
    }

    /// A picture for somebody to look at, where `CABINWRIGHT_LOOK` names a folder.
    fn look(&mut self, what: &str) {
        if let Ok(folder) = std::env::var("CABINWRIGHT_LOOK") {
            let file = Path::new(&folder).join(format!("day-{}.png", what.replace(' ', "-")));
            self.0.render().unwrap().save(file).unwrap();
        }
    }

    fn press(&mut self, key: Key) {
        self.0.key_press(key);
        self.0.run_steps(2);
    }

    /// Enter does the next step; the workers are done with it when nothing is under way any more.
    fn next(&mut self, what: &str, done: impl Fn(&State) -> bool) {
        self.press(Key::Enter);
        self.until(what, |state| !state.is_busy() && done(state));
    }
}

#[test]
fn a_day_on_a_virtual_car() {
    let folder = tempfile::tempdir().unwrap();
    let mut day = Window(window(vec2(1280.0, 800.0), false, State::default));
    day.until("scenarios", |state| !state.scenarios.is_empty());
    day.0.get_by_label("Garage folder").focus();
    day.0.run_steps(2);
    day.0.get_by_label("Garage folder").type_text(&folder.path().join("garage").display().to_string());
    day.0.run_steps(2);
    day.press(Key::Enter);
    day.until("garage", |state| state.garage.listed.is_some());
    let title = day.state().scenarios[0].title.clone();
    day.0.get_by_label(&title).click();
    day.0.run_steps(2);
    // The next step and the page itself both offer it.
    day.0.get_all_by_label("Begin car").next().unwrap().click();
    day.until("intake", |state| state.open.is_some());
    assert!(day.state().is_simulated());
    day.0.get_by_label("SIMULATED");

    day.press(Key::Num2);
    day.next("factory signal", |state| state.open.as_ref().is_some_and(|open| !open.takes.is_empty()));
    day.next("finding", |state| state.open.as_ref().is_some_and(|open| open.finding.is_some()));
    day.next("undoing", |state| state.source.entered);
    day.next("cabin", |state| state.stage == Stage::Cabin);

    for position in 1..=9 {
        day.press(Key::Space);
        let taken = move |state: &State| {
            let done = state.cabin.channels.iter().all(|c| c.positions.len() == position);
            !state.is_busy() && state.cabin.queue.is_empty() && !state.cabin.channels.is_empty() && done
        };
        day.until(&format!("position {position}"), taken);
    }
    day.until("cabin done", |state| {
        workstation::state::progress(state, Stage::Cabin) == workstation::state::Progress::Done
    });
    day.next("voicing", |state| state.stage == Stage::Voicing);
    day.next("set up", |state| {
        let said = state.voicing.said.iter().any(|said| !said.words.is_empty());
        said && state.draft.tune.is_some() && state.voicing.error_predicted.is_some()
    });
    let (before, after) =
        (day.state().voicing.error_before.unwrap().0, day.state().voicing.error_predicted.unwrap().0);
    assert!(after < before, "predicted {after:.1} dB from {before:.1} dB");
    day.next("kept", |state| state.open.as_ref().is_some_and(|open| open.latest_tune().is_some()));
    day.next("entered", |state| state.voicing.in_processor.is_some());
    day.next("handover", |state| state.stage == Stage::Handover);

    for position in 1..=9 {
        day.press(Key::Space);
        let taken = move |state: &State| {
            let open = state.open.as_ref().unwrap();
            let after =
                open.current_takes().filter(|take| take.tune.is_some() && take.position.is_some()).count();
            !state.is_busy() && state.cabin.queue.is_empty() && after >= 2 * position
        };
        day.until(&format!("proof {position}"), taken);
    }
    day.next("proof", |state| state.open.as_ref().is_some_and(|open| open.proof.is_some()));
    let proof = day.state().open.as_ref().unwrap().proof.clone().unwrap();
    assert!(proof.simulated && !proof.sides.is_empty());
    day.press(Key::F11);
    day.look("customer");
    day.press(Key::Escape);
    day.next("report", |state| state.handover.written.is_some());
    let report = day.state().handover.written.clone().unwrap();
    let bytes = std::fs::read(&report).unwrap();
    assert!(bytes.starts_with(b"%PDF"), "{} is no PDF", report.display());
}
