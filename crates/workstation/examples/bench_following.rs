//! How long the window takes from a change of the target to the new prediction and to the new proposal, by way of its
//! worker, against a transform of 2^19 samples beside it.
//!
//! `cargo run --release -p workstation --example bench_following`. Eight channels, nine positions, invented responses.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

#[path = "../../job/examples/invented/mod.rs"]
mod invented;

use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use dsp::limits::Limits;
use dsp::spectrum::RealTransform;
use eframe::egui::Context;
use garage::{Car, Simulation, Visit};
use job::voicing::{self, Wish};
use workstation::Opening;
use workstation::app::Workstation;
use workstation::commands::{Command, TargetEdit, VoicingCommand};
use workstation::state::{Draft, OpenVisit, Sheet, State};

/// Each a change of the target's top by so many decibels.
const CHANGES_DB: [f64; 9] = [1.0, -1.0, 2.0, -2.0, 0.5, -3.0, 3.0, -0.5, 1.5];

fn main() {
    // The job card is written as it is edited, so there must be a visit to write it into.
    let Ok(folder) = tempfile::tempdir() else { return };
    let simulation = Simulation { scenario: "plain-front".into(), seed: 1 };
    let day = jiff::civil::date(2026, 3, 14);
    let Ok(visit) = job::intake::begin_simulated(&folder.path().join("garage"), &simulation, day) else {
        println!("no visit can be begun in {}", folder.path().display());
        return;
    };
    let (Some(bands), Some(taps)) = (state(visit.path(), 0), state(visit.path(), 1024)) else {
        println!("the invented car cannot be set up");
        return;
    };
    let plan = RealTransform::new(1 << 19);
    let noise: Vec<f64> = (0..1 << 19).map(|n| (f64::from(n) * 0.7).sin()).collect();
    let reference_ms = CHANGES_DB
        .map(|_| {
            let started = Instant::now();
            black_box(plan.forward(black_box(&noise)));
            ms_since(started)
        })
        .into_iter()
        .fold(f64::INFINITY, f64::min);

    println!("reference: a transform of 2^19 samples takes {reference_ms:.1} ms here");
    for (of_what, state) in [("bands only", bands), ("bands and 1024 taps in each channel", taps)] {
        let mut window = Workstation::new(&Context::default(), &Opening::default());
        window.state = state;
        println!("{of_what}:");
        drag(&mut window, reference_ms);
    }
}

/// Moves the target's top about and prints how long the answers took.
fn drag(window: &mut Workstation, reference_ms: f64) {
    let (mut predictions_ms, mut bands_ms, mut all_ms) = (Vec::new(), Vec::new(), Vec::new());
    for change_db in CHANGES_DB {
        let Some((at, (hz, db))) = top(&window.state) else { return };
        let before = window.state.draft.tune.clone();
        let started = Instant::now();
        let edit = TargetEdit::Point(at, hz, db + change_db);
        window.carry_out(Command::Voicing(VoicingCommand::Target(edit)));
        predictions_ms.push(ms_since(started));
        let asked = window.state.voicing.asked;
        if window.state.voicing.following.is_none() {
            println!("the window asked for no proposal");
            return;
        }
        let mut first_ms = None;
        while let Some(under_way) = window.state.voicing.following {
            if under_way.number > asked && first_ms.is_none() {
                first_ms = Some(ms_since(started));
            }
            std::thread::sleep(Duration::from_micros(200));
            window.hear();
        }
        all_ms.push(ms_since(started));
        bands_ms.push(first_ms.unwrap_or_else(|| ms_since(started)));
        if window.state.draft.tune == before {
            println!("no proposal came for {change_db:+.1} dB: {:?}", window.state.notice);
            return;
        }
    }
    for (what, mut all) in [
        ("new prediction, in the frame of the change", predictions_ms),
        ("new proposal by way of the worker (asked: 150 ms)", bands_ms),
        ("the same with whatever follows when the hand rests", all_ms),
    ] {
        all.sort_by(f64::total_cmp);
        let (middle, most) = (all[all.len() / 2], all[all.len() - 1]);
        println!(
            "   {what}: {middle:.1} ms at the median, {most:.1} at most of {}; {:.1} and {:.1} of the reference",
            all.len(),
            middle / reference_ms,
            most / reference_ms
        );
    }
}

fn ms_since(started: Instant) -> f64 {
    1e3 * started.elapsed().as_secs_f64()
}

fn top(state: &State) -> Option<(usize, (f64, f64))> {
    let points = &state.draft.sheet.target.as_ref()?.points;
    points.iter().copied().enumerate().next_back()
}

/// The takes of the invented car and a tune that was set up, in the visit at `folder`; with so many taps in each channel.
fn state(folder: &Path, fir_taps: usize) -> Option<State> {
    let (map, curves) = invented::car();
    let limits: Limits =
        serde_json::from_str(include_str!("../../../assets/limits/small-parametric.json")).ok()?;
    let limits = Limits { fir_taps, ..limits };
    let target = job::intake::default_target();
    let mut tune = voicing::set_up(&curves, &map, &target, &limits, &Wish::default()).ok()?.result.tune;
    // The invented takes have no common time, so that setting up leaves taps out.
    if let Some(tapped) = voicing::tap(&curves, &tune, &target, &limits).ok()? {
        tune = tapped.tune;
    }
    let car = Car { name: "Invented".into(), channel_map: map, simulated: true, ..Car::default() };
    let mut visit = Visit::begin(jiff::civil::date(2026, 3, 14));
    (visit.target, visit.limits, visit.simulated) = (Some(target), Some(limits), true);
    let sheet = Sheet::of(&car, &visit);
    let open = OpenVisit {
        folder: folder.to_owned(),
        car,
        visit,
        takes: Arc::default(),
        tunes: Arc::default(),
        proof: None,
        finding: None,
        undo: Vec::new(),
    };
    Some(State {
        draft: Draft { sheet, tune: Some(tune), taps_are_old: false },
        curves: Some(Arc::new(curves)),
        open: Some(open),
        ..State::default()
    })
}
