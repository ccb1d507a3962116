//! Answers of the workers, and what follows from them.

use std::sync::Arc;

use super::{cabin, predict, remember, save_sheet, source, voicing};
use crate::commands::{GarageCommand, IntakeCommand};
use crate::state::{Draft, Notice, OpenVisit, Probing, Sheet, State};
use crate::work::{DiskOrder, Event, Order, Question, Think};

/// Takes one answer in; what follows from it comes back as orders.
pub fn hear(event: Event, state: &mut State) -> Vec<Order> {
    match event {
        Event::Listed { folder, cars, damaged } => {
            state.garage.folder = folder.display().to_string();
            state.garage.listed = Some(folder);
            (state.garage.cars, state.garage.damaged) = (cars, damaged);
        }
        Event::Visit(visit) => return visit_read(*visit, state),
        Event::Devices(devices) => state.devices = devices,
        Event::Scenarios(scenarios) => state.scenarios = scenarios,
        Event::Calibration(calibration) => {
            remember(state, "calibration".into());
            let words = format!("calibration read from {}", calibration.file);
            state.draft.sheet.microphone.get_or_insert_default().calibration = Some(calibration);
            state.notice = Some(Notice::done(words));
            return save_sheet(state);
        }
        Event::Limits(limits) => {
            remember(state, "limits".into());
            voicing::let_go(state);
            state.draft.sheet.limits = Some(limits);
            return save_sheet(state);
        }
        Event::Target(target) => {
            remember(state, "target".into());
            voicing::let_go(state);
            state.draft.sheet.target = Some(target);
            return save_sheet(state);
        }
        Event::Listened(listened) => {
            (state.running, state.source.listening) = (None, None);
            state.source.listened = Some(*listened);
            return read_again(state);
        }
        Event::StickSaved(folder) => {
            state.notice = Some(Notice::done(format!("the files to play are in {}", folder.display())));
            return read_again(state);
        }
        Event::Taken(taken, levels) => {
            state.running = None;
            state.peak_dbfs = levels.peak_dbfs;
            state.clipped = levels.clipped;
            state.cabin.level_dba = levels.level_dba.or(state.cabin.level_dba);
            let mut orders = read_again(state);
            orders.extend(cabin::taken(state, *taken));
            return orders;
        }
        Event::Ready(words) => {
            state.running = None;
            state.notice = Some(Notice::done(words));
            return read_again(state);
        }
        Event::Curves(curves, channels, remarks) => {
            state.running = None;
            state.curves = Some(curves);
            state.cabin.channels = Arc::new(channels);
            state.cabin.remarks = remarks;
            predict::again(state);
            return read_again(state);
        }
        Event::Tuned(made) => {
            state.running = None;
            remember(state, "proposal".into());
            voicing::let_go(state);
            state.editing = None;
            state.draft.put(made.tune);
            let page = &mut state.voicing;
            page.said = made.said;
            page.left_alone = made.left_alone.unwrap_or(std::mem::take(&mut page.left_alone));
            page.seats.found = made.seats.or(page.seats.found);
            if let Some(joints) = made.joints {
                page.joints = Arc::new(joints);
                page.joined = state.draft.tune.clone().map(Arc::new);
            }
            page.advice = made.advice.map_or(Arc::clone(&page.advice), Arc::new);
            predict::again(state);
        }
        Event::Followed { number, tune, left_alone, taps } => {
            return voicing::followed(state, number, tune, left_alone, taps);
        }
        Event::Reworked { number, made } => return source::reworked(state, number, made),
        Event::Kept(number) => {
            state.notice = Some(Notice::done(format!("tune {number} is kept")));
            return read_again(state);
        }
        Event::Entered(number) => {
            state.running = None;
            match number {
                Some(number) => {
                    state.voicing.in_processor = Some(number);
                    state.notice = Some(Notice::done(format!("tune {number} is in the processor")));
                }
                None => {
                    state.source.entered = true;
                    state.notice = Some(Notice::done("the undoing is in the processor's input"));
                }
            }
        }
        Event::Report(path) => {
            state.running = None;
            state.notice = Some(Notice::done(format!("report written to {}", path.display())));
            state.handover.report = path.display().to_string();
            state.handover.written = Some(path);
        }
        Event::Picked(question, path) => return picked(question, &path.display().to_string(), state),
        Event::Stopped => {
            (state.running, state.source.listening) = (None, None);
            state.notice = Some(Notice::doubt(
                "stopped; the recording under way is thrown away, those before it are kept",
            ));
        }
        Event::Failed(words) => {
            (state.running, state.source.listening) = (None, None);
            state.cabin.queue.clear();
            voicing::let_go(state);
            state.source.reworking = None;
            state.notice = Some(Notice::failed(words));
        }
    }
    Vec::new()
}

fn picked(question: Question, path: &str, state: &mut State) -> Vec<Order> {
    match question {
        Question::Garage => {
            state.garage.folder = path.into();
            super::garage::apply(GarageCommand::OpenFolder, state)
        }
        Question::Calibration => super::intake::apply(IntakeCommand::LoadCalibration(path.into()), state),
        Question::Report => {
            state.handover.report = path.into();
            Vec::new()
        }
    }
}

/// Reads the visit's records again after something was added to them.
fn read_again(state: &State) -> Vec<Order> {
    state.open.iter().map(|open| Order::Disk(DiskOrder::Open(open.folder.clone()))).collect()
}

fn visit_read(visit: OpenVisit, state: &mut State) -> Vec<Order> {
    let same = state.open.as_ref().is_some_and(|open| open.folder == visit.folder);
    if same {
        let plan = |open: &OpenVisit| {
            open.finding.as_ref().map(|it| it.sums.iter().map(|sum| sum.parts.clone()).collect::<Vec<_>>())
        };
        if state.open.as_ref().and_then(plan) != plan(&visit) {
            // Another plan is in force: what a hand changed in the old one is kept or gone.
            source::let_go(state);
        }
        let undo = |open: &OpenVisit| open.finding.as_ref().and_then(|it| it.tune);
        if state.open.as_ref().and_then(undo) != undo(&visit) {
            // What was typed in is no longer what is wanted.
            state.source.entered = false;
        }
        state.open = Some(visit);
        return Vec::new();
    }
    let (garage, scenarios, devices) = (
        std::mem::take(&mut state.garage),
        std::mem::take(&mut state.scenarios),
        std::mem::take(&mut state.devices),
    );
    let sheet = Sheet::of(&visit.car, &visit.visit);
    let tune = visit.latest_tune().map(|saved| saved.tune.clone());
    let report = visit.folder.join("report").join("report.pdf");
    let has_takes = !visit.takes.is_empty();
    let asked = state.voicing.asked;
    *state = State {
        garage,
        scenarios,
        devices,
        draft: Draft { sheet, tune, taps_are_old: false },
        open: Some(visit),
        ..State::default()
    };
    state.source.probing = state.open.as_ref().map(Probing::of).unwrap_or_default();
    // What the visit before asked for is no answer here.
    state.voicing.asked = asked;
    state.handover.written = report.is_file().then(|| report.clone());
    state.handover.report = report.display().to_string();
    if has_takes { super::think(state, Think::Curves, "Making the curves") } else { Vec::new() }
}
