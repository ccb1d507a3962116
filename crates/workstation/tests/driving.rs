//! Drives the window by accessible label and by key.

#![expect(clippy::unwrap_used, clippy::panic, reason = "helpers of a test")]

mod common;
#[path = "../../job/examples/invented/mod.rs"]
mod invented;

use common::{sample, window};
use eframe::egui::{Key, Modifiers, vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{By, NodeT, Queryable};
use workstation::app::Workstation;
use workstation::stages::Stage;
use workstation::state::{Overlay, Running, ScopeView, State, entry};

fn at(stage: Stage) -> Harness<'static, Option<Workstation>> {
    window(vec2(1280.0, 1600.0), false, move || sample(stage))
}

fn state(harness: &Harness<'static, Option<Workstation>>) -> State {
    harness.state().as_ref().unwrap().state.clone()
}

/// Workers answer when they like: give them frames until `done`.
fn until(harness: &mut Harness<'static, Option<Workstation>>, done: impl Fn(&State) -> bool) {
    for _ in 0..200 {
        harness.step();
        if done(&state(harness)) {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    panic!("never came about; the message is {:?}", state(harness).notice);
}

#[test]
fn digits_lead_to_the_stages() {
    let mut harness = at(Stage::Intake);
    for (key, stage) in [(Key::Num3, Stage::Cabin), (Key::Num4, Stage::Voicing), (Key::Num1, Stage::Intake)] {
        harness.key_press(key);
        harness.run();
        assert_eq!(state(&harness).stage, stage);
    }
}

#[test]
fn the_stage_list_says_how_far_each_is() {
    let mut harness = at(Stage::Intake);
    harness.get_by_label("Cabin, begun").click();
    harness.run();
    assert_eq!(state(&harness).stage, Stage::Cabin);
    harness.get_by_label("Source, done");
    harness.get_by_label("Handover, open");
}

#[test]
fn digits_typed_into_a_field_stay_there() {
    let mut harness = at(Stage::Intake);
    harness.get_by_label("Tuner").focus();
    harness.run();
    harness.get_by_label("Tuner").type_text("2");
    harness.key_press(Key::Num2);
    harness.run();
    let state = state(&harness);
    assert_eq!(state.stage, Stage::Intake);
    assert!(state.draft.sheet.tuner.contains('2'), "{}", state.draft.sheet.tuner);
}

#[test]
fn a_question_mark_shows_the_keys_and_escape_hides_them() {
    let mut harness = at(Stage::Cabin);
    harness.event(eframe::egui::Event::Text("?".into()));
    harness.run();
    assert_eq!(state(&harness).overlay, Overlay::Keys);
    harness.get_by_label("take the next position");
    harness.key_press(Key::Escape);
    harness.run();
    assert_eq!(state(&harness).overlay, Overlay::None);
}

#[test]
fn the_customer_sees_one_figure_and_three_sentences() {
    let mut harness = at(Stage::Handover);
    harness.key_press(Key::F11);
    harness.run();
    harness.get_by_label("From 6.1 to 1.9 dB off the target, ±0.4");
    harness.get_by_label("Voices are 3 dB clearer around 2 kHz.");
    assert!(harness.query_by_label("Stop sound").is_none(), "nothing else is on the customer's view");
    harness.key_press(Key::Escape);
    harness.run();
    harness.get_by_label("Stop sound");
}

#[test]
fn the_entry_sheet_leads_from_line_to_line_and_from_channel_to_channel() {
    let mut harness = at(Stage::Handover);
    harness.get_by_label("Type it in").click();
    harness.run();
    harness.get_by_label("front left tweeter: Band 1, peaking, 5200 Hz, \u{2212}3.5 dB, Q 2.1");
    harness.get_by_label("front right woofer, open").click();
    harness.run();
    harness.get_by_label("front right woofer: Polarity, normal");
    harness.get_by_label("Back to the curves").click();
    harness.run();
    assert!(harness.query_by_label("front right woofer: Polarity, normal").is_none());

    let mut state = sample(Stage::Handover);
    let sheet = entry(&state).unwrap();
    let of_first: Vec<String> = sheet
        .lines
        .iter()
        .filter(|line| line.channel == "front left tweeter")
        .map(|l| l.key.clone())
        .collect();
    assert_eq!(sheet.next("front left tweeter").unwrap().key, of_first[0]);
    let ticked = of_first.into_iter().collect();
    let open = state.open.as_mut().unwrap();
    open.visit.entry = Some(garage::visit::EntryTicks { tune: sheet.tune, ticked });
    let sheet = entry(&state).unwrap();
    assert!(sheet.next("front left tweeter").is_none());
    assert_eq!(sheet.channel(None), Some("front right tweeter"), "a channel that is typed in gives way");
    assert_eq!(sheet.channel(Some("front left tweeter")), Some("front left tweeter"), "unless asked for");
}

#[test]
fn a_number_typed_into_the_settings_is_in_the_tune_and_can_be_undone() {
    let mut harness = at(Stage::Voicing);
    let name = "Gain of filter 1 of front left woofer";
    let gain = |state: &State| state.draft.tune.as_ref().unwrap().channels[2].sections[0].gain_db;
    assert_eq!(gain(&state(&harness)), -6.5);
    harness.get_by_label(name).click();
    harness.run();
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.run();
    harness.get_by_label(name).type_text("-3.5");
    harness.key_press(Key::Enter);
    harness.run();
    assert_eq!(gain(&state(&harness)), -3.5);
    harness.get_by_label("Undo").click();
    harness.run();
    assert_eq!(gain(&state(&harness)), -6.5);
    harness.get_by_label("Redo").click();
    harness.run();
    assert_eq!(gain(&state(&harness)), -3.5);
}

/// Taps are off and on in the tune, and what they may ring is a number of the processor's limits.
#[test]
fn taps_are_taken_out_and_put_back_and_their_ringing_is_typed_in() {
    let mut start = sample(Stage::Voicing);
    start.draft.sheet.limits = Some(common::limits_with_taps());
    let tune = start.draft.tune.as_mut().unwrap();
    tune.channels.iter_mut().for_each(|it| it.fir = Some(vec![1.0, 0.2]));
    let mut harness = window(vec2(1280.0, 1600.0), false, move || start.clone());
    harness.run();
    let tapped = |state: &State| {
        state.draft.tune.as_ref().unwrap().channels.iter().filter(|it| it.fir.is_some()).count()
    };
    let all = tapped(&state(&harness));
    assert!(all > 1);
    harness.get_by_label("FIR taps").click();
    harness.run();
    assert_eq!(tapped(&state(&harness)), 0);
    harness.get_by_label("Undo").click();
    harness.run();
    assert_eq!(tapped(&state(&harness)), all);
    harness.get_by_label("Longest pre-ringing").click();
    harness.run();
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.run();
    harness.get_by_label("Longest pre-ringing").type_text("2");
    harness.key_press(Key::Enter);
    harness.run();
    assert_eq!(state(&harness).draft.sheet.limits.unwrap().pre_ringing.longest_ms, 2.0);
}

#[test]
fn scopes_and_channels_are_chosen_by_name() {
    let mut harness = at(Stage::Voicing);
    harness.get_by_label("left side").click();
    harness.run();
    assert_eq!(state(&harness).voicing.scope, ScopeView::Side(garage::Side::Left));
    harness.get_by_label_contains("Settings of subwoofer").click();
    harness.run();
    harness.get_by_label("Delay of subwoofer");
}

#[test]
fn a_crossover_is_typed_in_beside_the_advice() {
    let mut harness = at(Stage::Voicing);
    harness.get_by_label("Crossovers").click();
    harness.run();
    harness.get_by_label_contains("Usable from 55 Hz to 4 kHz");
    let name = "Frequency of low-pass of front left woofer";
    harness.get_by_label(name).click();
    harness.run();
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.run();
    harness.get_by_label(name).type_text("3000");
    harness.key_press(Key::Enter);
    harness.run();
    let woofer = |state: &State| state.draft.tune.as_ref().unwrap().channels[2].crossovers.clone();
    assert_eq!(woofer(&state(&harness))[0].frequency_hz, 3000.0);
    harness.get_by_label("Take the advice").click();
    harness.step();
    assert!(
        harness.query_by_label("Take the advice").is_none(),
        "an edit is seen in the frame it is made in"
    );
    let taken: Vec<f64> = woofer(&state(&harness)).iter().map(|c| c.frequency_hz).collect();
    assert_eq!(taken, [80.0, 2600.0]);
}

/// A slope chosen for speaker and filter together holds on every side of its crossover, and one step takes it back.
#[test]
fn a_slope_is_chosen_apart_from_the_filter() {
    let mut harness = at(Stage::Voicing);
    harness.get_by_label("Crossovers").click();
    harness.run();
    assert!(
        harness.query_by_label("Find the filters").is_none(),
        "nothing to find as long as none is chosen"
    );
    harness.get_by_label("Shape together of low-pass of front left woofer").click();
    harness.run();
    harness.get_by_label("Butterworth").click();
    harness.run();
    let slopes = |state: &State| -> Vec<String> {
        let channels = &state.draft.tune.as_ref().unwrap().channels;
        let words = |c: &dsp::tune::ChannelTune| {
            c.acoustic.iter().map(|it| format!("{} {:?} {}", c.name, it.pass, it.order)).collect::<Vec<_>>()
        };
        channels.iter().flat_map(words).collect()
    };
    assert_eq!(
        slopes(&state(&harness)),
        [
            "front left tweeter High 4",
            "front right tweeter High 4",
            "front left woofer Low 4",
            "front right woofer Low 4"
        ]
    );
    // The filter itself is the tuner's until asked for.
    let filter = state(&harness).draft.tune.unwrap().channels[2].crossovers[0];
    assert_eq!((filter.family, filter.order), (dsp::tune::CrossoverFamily::LinkwitzRiley, 4));
    harness.get_by_label("Find the filters");
    harness.get_by_label("Frequency together of low-pass of front left woofer");
    if let Ok(folder) = std::env::var("CABINWRIGHT_LOOK") {
        let file = std::path::Path::new(&folder).join("slope-chosen.png");
        harness.render().unwrap().save(file).unwrap();
    }
    harness.get_by_label("Undo").click();
    harness.run();
    assert!(slopes(&state(&harness)).is_empty());
}

#[test]
fn the_joins_are_heard_as_well_as_seen() {
    let mut harness = at(Stage::Voicing);
    harness.get_by_label("Joins").click();
    harness.run();
    harness.get_by_label_contains("Sum over delay, subwoofer to front woofers, 80 Hz: loses 0.2 dB as set");
    harness.get_by_label("Next best: +4.20 ms, loses 0.4 dB: it comes a cycle late and leaves a dip at P7.");
}

#[test]
fn two_tunes_are_held_side_by_side() {
    let mut harness = at(Stage::Voicing);
    harness.get_by_label("Tunes").click();
    harness.run();
    harness.get_by_label("Nothing changed.");
    harness.get_by_label("Compare from").click();
    harness.run();
    harness.get_by_label("tune 1").click();
    harness.run();
    harness.get_by_label_contains("1 setting changed");
    harness.get_by_label("−2.50 dB");
    harness.get_by_label("−4.00 dB");
}

#[test]
fn two_seats_say_what_each_gains_and_pays() {
    let mut harness = at(Stage::Voicing);
    harness.get_by_label("Two seats").click();
    harness.run();
    harness.get_by_label(
        "This seat: 1.9 ±0.3 dB off the target: 1.5 dB nearer than with the other seat's tune, 0.3 dB farther than with one of its own",
    );
    harness.get_by_label(
        "The other seat: 2.2 ±0.3 dB off the target: 0.9 dB nearer than with the other seat's tune, 0.7 dB farther than with one of its own",
    );
    harness.get_by_label("Visit with the other seat's takes").focus();
    harness.run();
    harness.get_by_label("Visit with the other seat's takes").type_text("/nowhere");
    harness.run();
    assert_eq!(state(&harness).voicing.seats.other, "/nowhere");
}

#[test]
fn the_top_bar_shows_what_is_being_recorded() {
    let watch = std::sync::Arc::new(audio::rig::Watch::default());
    watch.set_inputs([(0.5, false)]);
    watch.set_recorded_frames(4800);
    let mut state = sample(Stage::Cabin);
    state.running = Some(Running { what: "Taking P4".into(), watch: watch.clone(), sounding: true });
    assert_eq!(state.rig_line().level_words(), "−6 dBFS");
    watch.set_inputs([(1.0, true)]);
    assert_eq!(state.rig_line().level_words(), "clipped");
}

#[test]
fn tab_reaches_a_control_and_shows_where_it_is() {
    let mut harness = at(Stage::Cabin);
    let mut reached = Vec::new();
    for _ in 0..60 {
        harness.key_press(Key::Tab);
        harness.run();
        reached.extend(
            harness
                .query_all(By::new().predicate(|node| node.is_focused()))
                .filter_map(|n| n.accesskit_node().label()),
        );
    }
    for wanted in ["Stop sound", "Intake, begun", "Take P4", "Retake the last"] {
        assert!(reached.iter().any(|label| label == wanted), "Tab never reached {wanted:?}: {reached:?}");
    }
}

#[test]
fn an_order_that_cannot_be_done_says_so_in_one_line() {
    let mut harness = at(Stage::Cabin);
    harness.get_by_label("Take P4").click();
    until(&mut harness, |state| state.notice.is_some() && state.running.is_none());
    let notice = state(&harness).notice.unwrap();
    assert_eq!(notice.words.lines().count(), 1);
    harness.get_by_label("Put away").click();
    harness.run();
    assert!(state(&harness).notice.is_none());
}

#[test]
fn the_plan_of_the_outputs_follows_the_hand() {
    let mut harness = at(Stage::Source);
    harness.get_by_label_contains("Shape by volume step");
    harness.get_by_label("Curve of front left tweeter");
    harness.get_by_label("front left woofer in the sum").click();
    harness.step();
    harness.get_by_label_contains("changed by hand");
    let plan = state(&harness).source.plan.unwrap();
    assert_eq!(
        plan.iter().map(|it| it.name.as_str()).collect::<Vec<_>>(),
        ["front left tweeter", "front left midrange", "subwoofer"]
    );
    assert!(state(&harness).source.sum.is_some());
    harness.get_by_label("Back to the plan found").click();
    harness.run();
    assert!(state(&harness).source.sum.is_none());
}

/// The frame after a change shows the prediction for what was changed, and no frame parts the two.
#[test]
fn the_frame_after_a_change_shows_the_new_prediction() {
    let (map, curves) = invented::car();
    let curves = std::sync::Arc::new(curves);
    let shown = curves.clone();
    let mut harness = window(vec2(1280.0, 1600.0), false, move || {
        let mut state = sample(Stage::Voicing);
        let limits =
            job::intake::scenario_sheet(&garage::Simulation { scenario: "plain-front".into(), seed: 1 })
                .unwrap()
                .limits
                .unwrap();
        state.draft.tune = Some(job::voicing::start_tune(&map, &limits).unwrap());
        (state.draft.sheet.channels, state.curves) = (map.clone(), Some(shown.clone()));
        state.voicing.channel = Some("tweeter left".into());
        state
    });
    let rms = |state: &State| {
        let (tune, target) = (state.draft.tune.as_ref().unwrap(), state.draft.sheet.target.as_ref().unwrap());
        let scope = job::voicing::Scope::Whole;
        let made = job::voicing::predict(&curves, tune, &scope).unwrap();
        let (from_hz, to_hz) = job::voicing::heard_band(&curves, &scope);
        job::voicing::fit_target(&made.average, target, from_hz, to_hz).unwrap().1
    };
    let name = "Level of tweeter left";
    harness.get_by_label(name).click();
    harness.run();
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.run();
    let before_db = rms(&state(&harness));
    harness.get_by_label(name).type_text("-12");
    harness.key_press(Key::Enter);
    harness.step();
    let now = state(&harness);
    assert_eq!(now.draft.tune.as_ref().unwrap().channels[0].gain_db, -12.0);
    let now_db = rms(&now);
    assert!((now_db - before_db).abs() > 0.1, "{before_db} and {now_db} would look alike");
    assert!((now.voicing.error_predicted.unwrap().0 - now_db).abs() < 1e-9);
    // What is drawn is read back by its label.
    assert!(harness.query_all_by_label(&format!("{now_db:.1}")).next().is_some(), "{now_db:.1} is not shown");
}

/// A channel that is crossed and has no filters has nothing in the strip, whatever its coefficients say.
#[test]
fn the_strip_shows_filters_and_not_crossovers() {
    let mut state = sample(Stage::Voicing);
    let tune = state.draft.tune.as_mut().unwrap();
    tune.channels[2].sections.clear();
    tune.refresh_biquads().unwrap();
    assert!(!tune.channels[2].biquads.is_empty());
    let board = workstation::stages::board_of(&state);
    let strip = board.strip.unwrap();
    assert_eq!(strip.name, "front left woofer");
    assert!(strip.curve.level_db.iter().all(|db| db.abs() < 1e-9), "{:?}", &strip.curve.level_db[..3]);
}
