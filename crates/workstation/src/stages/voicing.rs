//! Voicing: what levels, crossovers, delays, polarity and correction?

use std::sync::Arc;

use dsp::curve::{Curve, log_grid_hz};
use dsp::filter::ChannelFilter;
use dsp::target::Target;
use dsp::tune::{ChannelTune, LeftAlone};
use eframe::egui::{Grid, Ui, vec2};
use garage::Side;

use super::{car_plan, settings};
use crate::board::{Board, Handle, Ink, Strip, Trace};
use crate::commands::{Command, TargetEdit, VoicingCommand};
use crate::state::{ScopeView, State};
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{Mark, action, card, caution, chip, figure, hint, pair, remark};

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let has_tune = state.draft.tune.is_some();
    let settings_height = if has_tune { (ui.available_height() * 0.36).clamp(180.0, 380.0) } else { 0.0 };
    let room = vec2(ui.available_width(), ui.available_height() - settings_height - 2.0 * GRID);
    super::show_board(ui, state, room, out);
    if has_tune {
        settings::show(ui, state, out);
    }
}

/// Before, predicted, the corridor, and what the processor does; each curve from the level where the target fits it best.
pub fn board(state: &State) -> Board {
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
    let handles = target.filter(|_| page.shaping).map_or_else(Vec::new, |target| {
        let points = target.points.iter();
        points.map(|&(hz, db)| Handle { frequency_hz: hz, level_db: db }).collect()
    });
    Board {
        traces,
        target: target.map(|target| Arc::new(corridor(target))),
        tolerance_db: target.map_or(0.0, |target| target.tolerance_db),
        handles,
        left_alone: page.left_alone.clone(),
        strip: strip(state),
        unit: "dB",
        simulated: state.is_simulated(),
        empty: page
            .fault
            .clone()
            .unwrap_or_else(|| "Take the cabin's positions, and the prediction stands here.".into()),
    }
}

/// The target as a curve on the board.
pub fn corridor(target: &Target) -> Curve {
    let grid = log_grid_hz(20.0, 20_000.0, 12.0);
    let levels = grid.iter().map(|hz| target.level_at_db(*hz)).collect();
    Curve::of_levels(grid, levels)
}

/// What the processor does to the channel in the list: its filters, without its level.
fn strip(state: &State) -> Option<Strip> {
    let tune = state.draft.tune.as_ref()?;
    let name = match &state.voicing.scope {
        ScopeView::Channel(name) => Some(name),
        _ => state.voicing.channel.as_ref(),
    };
    let channel =
        name.and_then(|name| tune.channels.iter().find(|c| c.name == *name)).or(tune.channels.first())?;
    let alone = ChannelTune { gain_db: 0.0, delay_ms: 0.0, crossovers: Vec::new(), ..channel.clone() };
    let filter = ChannelFilter::new(&alone, tune.sample_rate_hz).ok()?;
    let grid = log_grid_hz(20.0, 20_000.0, 24.0);
    let levels = filter.levels_db(&grid);
    let highest = levels.iter().fold(0.0_f64, |most, level| most.max(level.abs()));
    let reach_db = if highest <= 5.5 {
        6.0
    } else if highest <= 11.0 {
        12.0
    } else {
        24.0
    };
    Some(Strip { name: channel.name.clone(), curve: Arc::new(Curve::of_levels(grid, levels)), reach_db })
}

pub fn side(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    scopes(ui, state, out);
    car_card(ui, state, out);
    tunes(ui, state, out);
    if state.voicing.shaping {
        shaping(ui, state, out);
    }
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
                chip(ui, &scope.name(), None, chosen, Command::Voicing(VoicingCommand::Scope(scope)), out);
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
        ui.horizontal_wrapped(|ui| {
            let ready = !state.cabin.channels.is_empty() && !state.is_busy();
            action(ui, Command::Voicing(VoicingCommand::SetUp), ready, out);
            action(ui, Command::Voicing(VoicingCommand::Align), ready, out);
            action(ui, Command::Voicing(VoicingCommand::Propose), ready && state.draft.tune.is_some(), out);
            action(
                ui,
                Command::Voicing(VoicingCommand::Save),
                state.draft.tune.is_some() && !state.is_busy(),
                out,
            );
            action(
                ui,
                Command::Voicing(VoicingCommand::Shape(!state.voicing.shaping)),
                state.draft.sheet.target.is_some(),
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

/// Saved tunes as numbered cards, the latest first.
fn tunes(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(open) = &state.open else { return };
    let t = tokens(ui);
    for saved in open.voiced().rev() {
        let number = saved.record.number;
        let here = state.voicing.in_processor == Some(number);
        card(ui, &format!("Tune {number}"), |ui| {
            ui.spacing_mut().item_spacing.y = GRID;
            if !saved.record.title.is_empty() {
                ui.label(plain(&saved.record.title, Size::Body, t.ink));
            }
            let predicted = &saved.tune.predicted;
            if predicted.rms_error_db_before > 0.0 {
                let words =
                    format!("{:.1} to {:.1}", predicted.rms_error_db_before, predicted.rms_error_db_after);
                pair(ui, "predicted", &words, "dB off the target");
            }
            if here {
                remark(ui, Mark::Done, "in the processor");
            }
            ui.horizontal_wrapped(|ui| {
                action(ui, Command::Voicing(VoicingCommand::Enter(number)), !here && !state.is_busy(), out);
                action(ui, Command::Voicing(VoicingCommand::Open(number)), true, out);
            });
        });
    }
}

/// The target's points as numbers; the same as the handles on the board.
fn shaping(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(target) = &state.draft.sheet.target else { return };
    let mut push = |edit| out.push(Command::Voicing(VoicingCommand::Target(edit)));
    card(ui, "Target", |ui| {
        hint(ui, "Drag the rings on the board, or type.");
        Grid::new("target").num_columns(3).spacing(vec2(8.0, 4.0)).show(ui, |ui| {
            for (index, &(hz, db)) in target.points.iter().enumerate() {
                let (mut new_hz, mut new_db) = (hz, db);
                let decimals = usize::from(hz < 100.0);
                figure(
                    ui,
                    &format!("Frequency of point {}", index + 1),
                    &mut new_hz,
                    "Hz",
                    10.0..=24_000.0,
                    decimals,
                    104.0,
                );
                figure(
                    ui,
                    &format!("Level of point {}", index + 1),
                    &mut new_db,
                    "dB",
                    -30.0..=30.0,
                    1,
                    88.0,
                );
                if (new_hz, new_db) != (hz, db) {
                    push(TargetEdit::Point(index, new_hz, new_db));
                }
                ui.horizontal(|ui| {
                    if ui.button("+").accessible_name(format!("Add point after {}", index + 1)).clicked() {
                        push(TargetEdit::AddAfter(index));
                    }
                    let removable = target.points.len() > 2;
                    let remove = ui.add_enabled(removable, eframe::egui::Button::new("−"));
                    if remove.accessible_name(format!("Remove point {}", index + 1)).clicked() {
                        push(TargetEdit::Remove(index));
                    }
                });
                ui.end_row();
            }
        });
        ui.horizontal(|ui| {
            ui.label(plain("Corridor, plus and minus", Size::Body, tokens(ui).quiet));
            let mut tolerance = target.tolerance_db;
            if figure(ui, "Corridor", &mut tolerance, "dB", 0.5..=12.0, 1, 84.0).changed() {
                push(TargetEdit::Tolerance(tolerance));
            }
        });
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

/// `140 to 190 Hz left alone: narrow dip from cancellation`.
pub fn left_alone_words(region: &LeftAlone) -> String {
    let hz = crate::board::short_frequency;
    format!("{} to {} Hz left alone: {}", hz(region.from_hz.round()), hz(region.to_hz.round()), region.reason)
}
