//! Voicing: what levels, crossovers, delays, polarity and correction?

mod car_plan;
mod crossovers;
mod joins;
mod seats;
mod settings;
mod slope;
mod taps;
mod target;
mod tunes;

use std::sync::Arc;

use dsp::curve::{Curve, log_grid_hz};
use dsp::filter::ChannelFilter;
use dsp::tune::{ChannelTune, LeftAlone};
use eframe::egui::{Align, Layout, ScrollArea, Ui, vec2};
use garage::Side;

use crate::board::{Board, Ink, Strip, Trace};
use crate::commands::{Command, VoicingCommand};
use crate::state::{Leaf, ScopeView, State};
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{Mark, action, card, caution, chip, hint, pair, pick_small, remark};

pub use crossovers::crossover_at;
pub use target::corridor;

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let has_tune = state.draft.tune.is_some();
    // Cards want more height than lines do.
    let share = match state.voicing.leaf {
        Leaf::Joins | Leaf::Tunes | Leaf::Seats => 0.46,
        Leaf::Settings | Leaf::Crossovers | Leaf::Target => 0.38,
    };
    let leaf_height = if has_tune { (ui.available_height() * share).clamp(220.0, 440.0) } else { 0.0 };
    let room = vec2(ui.available_width(), ui.available_height() - leaf_height - 2.0 * GRID);
    super::show_board(ui, state, room, out);
    if !has_tune {
        return;
    }
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    ui.horizontal(|ui| {
        for leaf in Leaf::ALL {
            let command = Command::Voicing(VoicingCommand::Turn(leaf));
            chip(ui, leaf.name(), None, state.voicing.leaf == leaf, command, out);
        }
        if matches!(state.voicing.leaf, Leaf::Settings | Leaf::Crossovers | Leaf::Tunes) {
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| channel_pick(ui, state, out));
        }
    });
    ScrollArea::vertical().id_salt(state.voicing.leaf.name()).auto_shrink(false).show(ui, |ui| {
        match state.voicing.leaf {
            Leaf::Settings => settings::show(ui, state, out),
            Leaf::Crossovers => crossovers::show(ui, state, out),
            Leaf::Joins => joins::show(ui, state, out),
            Leaf::Tunes => tunes::show(ui, state, out),
            Leaf::Target => target::show(ui, state, out),
            Leaf::Seats => seats::show(ui, state, out),
        }
    });
}

/// The channel whose settings and crossovers are listed.
fn listed(state: &State) -> Option<&ChannelTune> {
    let tune = state.draft.tune.as_ref()?;
    let wanted = match &state.voicing.scope {
        ScopeView::Channel(name) => Some(name),
        _ => state.voicing.channel.as_ref(),
    };
    wanted.and_then(|name| tune.channels.iter().find(|c| c.name == *name)).or(tune.channels.first())
}

/// The channel whose settings and crossovers are listed; the car's drawing offers the same.
fn channel_pick(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let (Some(tune), Some(chosen)) = (&state.draft.tune, listed(state)) else { return };
    let names: Vec<String> = tune.channels.iter().map(|c| c.name.clone()).collect();
    if let Some(name) = pick_small(ui, "Channel", &chosen.name, &names, 176.0).and_then(|i| names.get(i)) {
        out.push(Command::Voicing(VoicingCommand::Channel(name.clone())));
    }
}

/// What the leaf under the board is about.
pub fn board(state: &State) -> Board {
    match state.voicing.leaf {
        Leaf::Crossovers => crossovers::board(state).unwrap_or_else(|| whole(state)),
        _ => whole(state),
    }
}

/// Before, predicted, the corridor, and what the processor does; each curve from the level where the target fits it best.
fn whole(state: &State) -> Board {
    let page = &state.voicing;
    let mut traces = Vec::new();
    for (name, ink, curve) in
        [("before", Ink::Before, &page.before), ("predicted", Ink::Predicted, &page.predicted)]
    {
        if let Some((curve, target_level_db)) = curve {
            let curve = Arc::clone(curve);
            traces.push(Trace { name: name.into(), ink, curve, shift_db: -target_level_db });
        }
    }
    let shown = !traces.is_empty();
    let target = state.draft.sheet.target.as_ref().filter(|_| shown);
    Board {
        traces,
        target: target.map(|target| Arc::new(corridor(target))),
        tolerance_db: target.map_or(0.0, |target| target.tolerance_db),
        handles: target.filter(|_| page.leaf == Leaf::Target).map_or_else(Vec::new, target::handles),
        left_alone: page.left_alone.clone(),
        strip: match page.leaf {
            Leaf::Tunes => tunes::strip(state),
            // One channel's correction says nothing of these.
            Leaf::Joins | Leaf::Seats => None,
            Leaf::Settings | Leaf::Crossovers | Leaf::Target => strip(state),
        },
        unit: "dB",
        simulated: state.is_simulated(),
        empty: page
            .fault
            .clone()
            .unwrap_or_else(|| "Take the cabin's positions, and the prediction stands here.".into()),
    }
}

/// What the processor does to the channel in the list: its filters, without its level.
fn strip(state: &State) -> Option<Strip> {
    let channel = listed(state)?;
    // Without numbers the coefficients would be the filters, and they hold the crossovers.
    let (sections, fir) = (channel.sections.clone(), channel.fir.clone());
    let alone = ChannelTune { sections, fir, ..ChannelTune::default() };
    let filter = ChannelFilter::new(&alone, state.draft.tune.as_ref()?.sample_rate_hz).ok()?;
    let grid = log_grid_hz(20.0, 20_000.0, 24.0);
    let levels = filter.levels_db(&grid);
    Some(strip_of(&channel.name, Curve::of_levels(grid, levels)))
}

/// A strip just tall enough for its curve.
fn strip_of(name: &str, curve: Curve) -> Strip {
    let highest =
        curve.level_db.iter().filter(|db| db.is_finite()).fold(0.0_f64, |most, db| most.max(db.abs()));
    let reach_db = if highest <= 5.5 {
        6.0
    } else if highest <= 11.0 {
        12.0
    } else {
        24.0
    };
    Strip { name: name.to_owned(), curve: Arc::new(curve), reach_db }
}

pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    scopes(ui, state, out);
    car_card(ui, state, out);
    said(ui, state);
}

fn scopes(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Shown and corrected", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        ui.horizontal_wrapped(|ui| {
            let mut all = vec![ScopeView::Whole, ScopeView::Side(Side::Left), ScopeView::Side(Side::Right)];
            let listed = state.voicing.channel.clone();
            let first = || state.draft.sheet.channels.channels.first().map(|c| c.name.clone());
            all.extend(listed.or_else(first).map(ScopeView::Channel));
            for scope in all {
                let chosen = state.voicing.scope == scope;
                let (short, whole) = (scope.short(), scope.name());
                chip(ui, &short, None, chosen, Command::Voicing(VoicingCommand::Scope(scope)), out)
                    .accessible_name(whole);
            }
        });
        for (name, error) in
            [("before", state.voicing.error_before), ("predicted", state.voicing.error_predicted)]
        {
            if let Some((rms, half)) = error {
                let interval =
                    half.map_or("dB off the target".into(), |half| format!("±{half:.1} dB off the target"));
                pair(ui, name, &format!("{rms:.1}"), &interval);
            }
        }
        if let Some(fault) = &state.voicing.fault {
            remark(ui, Mark::Doubt, fault);
        }
        if let Some(words) = state.old_taps() {
            remark(ui, Mark::Doubt, words);
        }
        ui.horizontal_wrapped(|ui| {
            let ready = !state.cabin.channels.is_empty() && !state.is_busy();
            action(ui, Command::Voicing(VoicingCommand::SetUp), ready, out);
            action(ui, Command::Voicing(VoicingCommand::Propose), ready && state.draft.tune.is_some(), out);
            action(
                ui,
                Command::Voicing(VoicingCommand::Save),
                state.draft.tune.is_some() && !state.is_busy(),
                out,
            );
            action(ui, Command::Undo, state.history.can_undo(), out);
            action(ui, Command::Redo, state.history.can_redo(), out);
        });
    });
}

fn car_card(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Speakers, from above", |ui| {
        car_plan::show(ui, state, out);
        caution(
            ui,
            "no boost can save a speaker driven below its band: keep the crossovers, and listen quietly first.",
        );
    });
}

fn said(ui: &mut Ui, state: &State) {
    if state.voicing.said.is_empty() && state.voicing.left_alone.is_empty() {
        return;
    }
    let t = tokens(ui);
    card(ui, "What the proposal says", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        for said in &state.voicing.said {
            ui.label(plain(&said.subject, Size::Small, t.quiet));
            ui.add(eframe::egui::Label::new(plain(&said.words, Size::Body, t.ink)).wrap());
        }
        for region in &state.voicing.left_alone {
            hint(ui, &left_alone_words(region));
        }
    });
}

/// `140 Hz to 190 Hz left alone: narrow dip from cancellation`.
pub fn left_alone_words(region: &LeftAlone) -> String {
    let hz = crate::board::frequency_words;
    format!("{} to {} left alone: {}", hz(region.from_hz.round()), hz(region.to_hz.round()), region.reason)
}
