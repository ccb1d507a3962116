//! Two seats of one virtual car, a visit each, shared by label in the window.

#![expect(clippy::unwrap_used, reason = "helpers of a test")]

mod common;

use std::path::Path;

use audio::rig::Watch;
use common::driver::until;
use common::window;
use eframe::egui::{Key, vec2};
use egui_kittest::kittest::Queryable;
use garage::{Garage, Simulation, Visit, VisitFolder};
use job::{Workplace, cabin, intake};
use workstation::stages::Stage;
use workstation::state::State;

const DAY: jiff::civil::Date = jiff::civil::date(2026, 3, 14);

/// Takes every channel at three positions of the visit's seat.
fn take(folder: VisitFolder) {
    let mut place = Workplace::open(folder).unwrap();
    let channels: Vec<String> =
        place.folder.car().channel_map.channels.iter().map(|it| it.name.clone()).collect();
    for position in ["P1", "P2", "P3"] {
        for channel in &channels {
            cabin::take(&mut place, channel, position, &Watch::default()).unwrap();
        }
    }
}

/// A car with a visit at the driver's seat and one at the passenger's, both taken.
fn two_visits(garage: &Path) {
    let simulation = Simulation { scenario: "plain-front".into(), seed: 11 };
    let driver = intake::begin_simulated(garage, &simulation, DAY).unwrap();
    let car = Garage::open(garage).unwrap().cars().unwrap().found.remove(0);
    let begun = Visit::begin(DAY);
    let passenger =
        Visit { seat: "passenger".into(), date: begun.date, number: begun.number, ..driver.record().clone() };
    let passenger = car.begin_visit(passenger).unwrap();
    take(driver);
    take(passenger);
}

#[test]
fn a_tune_is_shared_between_two_seats_by_label() {
    let folder = tempfile::tempdir().unwrap();
    let garage = folder.path().join("garage");
    two_visits(&garage);
    let mut harness = window(vec2(1280.0, 1000.0), false, State::default);
    harness.get_by_label("Garage folder").focus();
    harness.run_steps(2);
    harness.get_by_label("Garage folder").type_text(&garage.display().to_string());
    harness.run_steps(2);
    harness.key_press(Key::Enter);
    until(&mut harness, "garage", |state| !state.garage.cars.is_empty());
    let words = |harness: &egui_kittest::Harness<'static, Option<workstation::app::Workstation>>| {
        let cars = &harness.state().as_ref().unwrap().state.garage.cars;
        let visit = cars[0].visits.iter().find(|it| !it.folder.ends_with("2026-03-14-2")).unwrap();
        format!("Open {}, visit {}", cars[0].name, visit.words)
    };
    let first = words(&harness);
    harness.get_by_label(&first).click();
    until(&mut harness, "curves", |state| !state.cabin.channels.is_empty() && !state.is_busy());
    harness.key_press(Key::Num4);
    harness.run_steps(2);
    until(&mut harness, "stage", |state| state.stage == Stage::Voicing);
    harness.get_all_by_label("Set it up").next().unwrap().click();
    until(&mut harness, "set up", |state| state.draft.tune.is_some() && !state.is_busy());

    harness.get_by_label("Two seats").click();
    harness.run_steps(2);
    harness.get_by_label_contains("The other seat is in visit").click();
    harness.run_steps(2);
    harness.get_by_label("Share the tune").click();
    until(&mut harness, "shared", |state| state.voicing.seats.found.is_some() && !state.is_busy());

    let app = harness.state().as_ref().unwrap();
    let (first, second) = app.state.voicing.seats.found.unwrap();
    // Each card says its own seat's figures, and the passenger is nearer than with the driver's tune.
    harness.get_by_label(&format!("This seat: {}", first.words()));
    harness.get_by_label(&format!("The other seat: {}", second.words()));
    assert!(second.shared_db <= second.other_db, "{second:?}");
    // What is on the screen is what the shared tune, now the draft, does at this seat.
    let (tune, target) =
        (app.state.draft.tune.clone().unwrap(), app.state.draft.sheet.target.clone().unwrap());
    let here_db = job::voicing::whole_error_db(app.state.curves.as_ref().unwrap(), &tune, &target);
    assert!((here_db - first.shared_db).abs() < 1e-9, "{here_db} for {first:?}");
    if let Ok(folder) = std::env::var("CABINWRIGHT_LOOK") {
        harness.render().unwrap().save(Path::new(&folder).join("seats-shared.png")).unwrap();
    }
    // One step back is the tune for this seat alone.
    harness.get_by_label("Undo").click();
    harness.run_steps(2);
    let app = harness.state().as_ref().unwrap();
    let alone_db = job::voicing::whole_error_db(
        app.state.curves.as_ref().unwrap(),
        app.state.draft.tune.as_ref().unwrap(),
        &target,
    );
    assert!((alone_db - first.own_db).abs() < 1e-9, "{alone_db} for {first:?}");
}
