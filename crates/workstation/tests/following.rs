//! A target under the hand, by way of the window's worker: bands follow, taps come when the hand rests.
#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;
#[path = "../../job/examples/invented/mod.rs"]
mod invented;

use std::sync::Arc;
use std::time::Duration;

use dsp::limits::Limits;
use dsp::tune::{Section, SectionKind, Tune};
use eframe::egui::Context;
use garage::Simulation;
use job::voicing::{self, Scope};
use workstation::Opening;
use workstation::app::Workstation;
use workstation::commands::{Command, TargetEdit, VoicingCommand};
use workstation::stages::Stage;

/// The invented car with a band and taps in every channel, in a visit that can be written into.
fn window(folder: &std::path::Path) -> Workstation {
    let simulation = Simulation { scenario: "plain-front".into(), seed: 1 };
    let visit = job::intake::begin_simulated(folder, &simulation, "2026-03-14".parse().unwrap()).unwrap();
    let (map, mut curves) = invented::car();
    curves.channels.iter_mut().for_each(|it| it.positions.truncate(3));
    let limits = Limits { fir_taps: 256, ..common::limits_with_taps() };
    let mut tune = voicing::start_tune(&map, &limits).unwrap();
    for channel in &mut tune.channels {
        let frequency_hz = channel.crossovers.first().map_or(100.0, |it| it.frequency_hz);
        channel.sections.push(Section { kind: SectionKind::Peaking, frequency_hz, gain_db: -1.0, q: 1.0 });
    }
    let target = job::intake::default_target();
    let tune = voicing::tap(&curves, &tune, &target, &limits).unwrap().unwrap().tune;

    let mut window = Workstation::new(&Context::default(), &Opening::default());
    let mut state = common::sample(Stage::Voicing);
    state.open.as_mut().unwrap().folder = visit.path().to_owned();
    state.draft.sheet.channels = map;
    (state.draft.sheet.target, state.draft.sheet.limits) = (Some(target), Some(limits));
    state.draft.tune = Some(tune);
    state.curves = Some(Arc::new(curves));
    state.running = None;
    window.state = state;
    window
}

fn move_target(window: &mut Workstation, db: f64) {
    let points = &window.state.draft.sheet.target.as_ref().unwrap().points;
    let (index, (hz, was_db)) = points.iter().copied().enumerate().next_back().unwrap();
    let edit = TargetEdit::Point(index, hz, was_db + db);
    window.carry_out(Command::Voicing(VoicingCommand::Target(edit)));
}

/// Hears the worker until `done`; a worker that never answers is a fault of a minute, not a hang.
fn hear_until(window: &mut Workstation, done: impl Fn(&Workstation) -> bool) {
    for _ in 0..30_000 {
        window.hear();
        if done(window) {
            return;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    panic!("the worker did not answer");
}

fn firs(tune: &Tune) -> Vec<Option<Vec<f64>>> {
    tune.channels.iter().map(|it| it.fir.clone()).collect()
}

#[test]
fn taps_follow_a_dragged_target_when_the_hand_rests() {
    let folder = tempfile::tempdir().unwrap();
    let mut window = window(folder.path());
    let before = window.state.draft.tune.clone().unwrap();
    move_target(&mut window, 3.0);
    // First the bands, beside the taps as they were, and it is said.
    hear_until(&mut window, |it| it.state.voicing.tapping.is_some());
    let bands = window.state.draft.tune.clone().unwrap();
    assert!(bands != before && firs(&bands) == firs(&before));
    assert!(window.state.old_taps().is_some());
    // The hand goes on before the taps are there: what they were asked for under is past.
    let (past, watch) = (window.state.voicing.asked, window.state.voicing.tapping.clone().unwrap());
    move_target(&mut window, 1.0);
    assert!(watch.stopping() && window.state.voicing.following.unwrap().number > past);
    hear_until(&mut window, |it| it.state.voicing.following.is_none());
    let after = window.state.draft.tune.clone().unwrap();
    assert!(firs(&after) != firs(&before) && window.state.old_taps().is_none());
    // They are the taps for the bands beside them and the target as it is now.
    let sheet = &window.state.draft.sheet;
    let (curves, target) = (window.state.curves.clone().unwrap(), sheet.target.clone().unwrap());
    let bare = voicing::without_taps(&after);
    let again = voicing::tap(&curves, &bare, &target, sheet.limits.as_ref().unwrap()).unwrap().unwrap();
    assert_eq!(firs(&again.tune), firs(&after));
    let off_db = |tune: &Tune| voicing::whole_error_db(&curves, tune, &target);
    assert!(off_db(&after) < off_db(&before) && off_db(&after) < off_db(&bare));
    // What is drawn is the tune as it stands.
    let shown = Arc::clone(&window.state.voicing.predicted.as_ref().unwrap().0);
    let expected = voicing::predict(&curves, &after, &Scope::Whole).unwrap().average;
    assert!(!shown.is_empty() && expected.level_db.starts_with(&shown.level_db));
    // One step back is before the drag, taps and all.
    window.carry_out(Command::Undo);
    assert_eq!(window.state.draft.tune, Some(before));
    assert!(window.state.old_taps().is_none());
}
