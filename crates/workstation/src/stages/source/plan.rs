//! How the outputs are joined: a small signal drawing whose every number can be changed, the sum's curve following.

use dsp::factory::AllPass;
use eframe::egui::{
    Align, Label, Layout, Pos2, ScrollArea, Stroke, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use garage::finding::{Combine, Finding, Sum};

use super::finding;
use crate::board::frequency_words;
use crate::commands::{Command, SourceCommand};
use crate::state::State;
use crate::theme::{GRID, LEAST_TARGET, Size, bold, plain, tokens};
use crate::widgets::{action, figure};

/// Width of an output's name.
const NAME: f32 = 148.0;

/// Height of what stands beside the drawing once a hand has changed it.
const BESIDE: f32 = 144.0;

/// Room the drawing asks for.
pub fn height(state: &State) -> f32 {
    match (finding(state), state.signal()) {
        (Some(finding), Some(sum)) if !sum.parts.is_empty() => {
            let rows = offered(finding, sum).count() as f32;
            (rows * (LEAST_TARGET + GRID) + 2.0 * GRID).clamp(BESIDE, 208.0)
        }
        _ => 0.0,
    }
}

/// The outputs that may go into `sum`: those of the other side have no place in it.
fn offered<'a>(finding: &'a Finding, sum: &'a Sum) -> impl Iterator<Item = &'a str> {
    let elsewhere = move |name: &str| {
        let others = finding.sums.iter().filter(|it| it.name != sum.name);
        others.flat_map(|it| &it.parts).any(|part| part.name == name)
    };
    let mine = move |name: &str| sum.parts.iter().any(|part| part.name == name) || !elsewhere(name);
    finding.outputs.iter().map(|output| output.name.as_str()).filter(move |name| mine(name))
}

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let (Some(finding), Some(sum)) = (finding(state), state.signal()) else { return };
    // As changed by hand, or as found.
    let plan = state.source.plan.as_deref().unwrap_or(&sum.parts);
    let changed = state.source.plan.is_some();
    ui.horizontal_top(|ui| {
        let wide = ui.available_width() - 200.0;
        ui.allocate_ui(vec2(wide, ui.available_height()), |ui| {
            ScrollArea::vertical().id_salt("plan").auto_shrink([false, true]).show(ui, |ui| {
                ui.vertical(|ui| drawing(ui, finding, sum, plan, out));
            });
        });
        ui.vertical(|ui| {
            ui.spacing_mut().item_spacing.y = 2.0 * GRID;
            let words = match (changed, &state.source.reworked, &state.source.reworking) {
                (false, ..) => "as found".to_owned(),
                (true, _, Some(_)) => "changed by hand; the undoing follows".into(),
                (true, Some(made), None) => {
                    format!("changed by hand; {:.1} dB rms expected with the undoing", made.off_db)
                }
                (true, None, None) => "changed by hand; no undoing could be made".into(),
            };
            ui.add(Label::new(plain(words, Size::Small, tokens(ui).quiet)).wrap());
            if changed {
                for command in [SourceCommand::KeepPlan, SourceCommand::Plan(None)] {
                    action(ui, Command::Source(command), !state.is_busy(), out);
                }
            }
            ScrollArea::vertical().id_salt("all-passes").auto_shrink([false, true]).show(ui, |ui| {
                for words in all_passes(plan).into_iter().chain(taps(plan)).chain(on_the_sum(state, sum)) {
                    ui.add(Label::new(plain(words, Size::Small, tokens(ui).quiet)).wrap());
                }
            });
        });
    });
}

/// Each all-pass with the outputs that get it.
fn all_passes(plan: &[Combine]) -> Vec<String> {
    let mut told: Vec<AllPass> = Vec::new();
    for it in plan.iter().flat_map(|part| &part.all_pass) {
        if !told.contains(it) {
            told.push(*it);
        }
    }
    let words = |it: &AllPass| {
        let without: Vec<&str> =
            plan.iter().filter(|part| !part.all_pass.contains(it)).map(|part| part.name.as_str()).collect();
        let q = it.q.map_or_else(String::new, |q| format!(", Q {q:.2}"));
        let on = if without.is_empty() { "all".into() } else { format!("all but {}", without.join(", ")) };
        format!("all-pass {}{q} on {on}", frequency_words(it.frequency_hz.round()))
    };
    told.iter().map(words).collect()
}

/// Each output that taps turn back, for which the others wait.
fn taps(plan: &[Combine]) -> impl Iterator<Item = String> {
    let words = |part: &Combine| {
        let fir = part.fir.as_ref()?;
        let (count, ms) = (fir.taps.len(), fir.delay_ms());
        Some(format!("{count} taps turn {} back; the others wait {ms:.1} ms for it", part.name))
    };
    plan.iter().filter_map(words)
}

/// Taps on the joined signal itself.
fn on_the_sum(state: &State, signal: &Sum) -> Option<String> {
    let open = state.open.as_ref()?;
    let number = open.finding.as_ref()?.tune;
    let undo = open.tunes.iter().find(|it| Some(it.record.number) == number)?;
    let channel = undo.tune.channels.iter().find(|channel| channel.name == signal.name)?;
    let count = channel.fir.as_ref()?.len();
    Some(format!("{count} taps on the sum, after its bands, without delay"))
}

fn drawing(ui: &mut Ui, finding: &Finding, signal: &Sum, plan: &[Combine], out: &mut Vec<Command>) {
    let t = tokens(ui);
    ui.spacing_mut().item_spacing.y = GRID;
    let mut joined: Vec<Pos2> = Vec::new();
    let mut rows = Vec::new();
    let names: Vec<&str> = offered(finding, signal).collect();
    for &name in &names {
        let part = plan.iter().find(|it| it.name == name);
        let row = ui.horizontal(|ui| one(ui, &names, signal, plan, name, part, out)).response.rect;
        rows.push(row);
        if part.is_some() {
            joined.push(row.right_center());
        }
    }
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return };
    let sum = pos2(ui.max_rect().right() - 48.0, f32::midpoint(first.top(), last.bottom()));
    let painter = ui.painter();
    for start in joined {
        let turn = pos2((sum.x - 40.0).max(start.x + 8.0), start.y);
        painter.line_segment([start + vec2(8.0, 0.0), turn], Stroke::new(1.0, t.quiet));
        painter.line_segment([turn, sum], Stroke::new(1.0, t.quiet));
    }
    painter.line_segment([sum, sum + vec2(44.0, 0.0)], Stroke::new(1.5, t.ink));
    painter.circle(sum, 14.0, t.card, Stroke::new(1.5, t.ink));
    for arm in [vec2(6.0, 0.0), vec2(0.0, 6.0)] {
        painter.line_segment([sum - arm, sum + arm], Stroke::new(1.5, t.ink));
    }
    let area = ui.interact(
        eframe::egui::Rect::from_center_size(sum, vec2(28.0, 28.0)),
        ui.scope_id().with("sum"),
        eframe::egui::Sense::hover(),
    );
    let names: Vec<&str> = plan.iter().map(|it| it.name.as_str()).collect();
    area.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("Joined: {}", names.join(", "))));
}

/// In the sum or not, gain, delay, polarity.
fn one(
    ui: &mut Ui,
    names: &[&str],
    signal: &Sum,
    plan: &[Combine],
    name: &str,
    part: Option<&Combine>,
    out: &mut Vec<Command>,
) {
    let t = tokens(ui);
    let mut used = part.is_some();
    let mut change = |new: Option<Combine>| {
        // In the order of the outputs, whatever was left out in between.
        let of =
            |it: &str| if it == name { new.clone() } else { plan.iter().find(|p| p.name == it).cloned() };
        let changed = names.iter().filter_map(|it| of(it)).collect();
        out.push(Command::Source(SourceCommand::Plan(Some(changed))));
    };
    if ui.checkbox(&mut used, "").accessible_name(format!("{name} in the sum")).changed() {
        let found = signal.parts.iter().find(|it| it.name == name).cloned();
        let fresh = found.unwrap_or_else(|| Combine { name: name.to_owned(), ..Combine::default() });
        change(used.then_some(fresh));
    }
    let ink = if part.is_some() { t.ink } else { t.quiet };
    ui.allocate_ui_with_layout(vec2(NAME, 20.0), Layout::left_to_right(Align::Center), |ui| {
        ui.set_min_width(NAME);
        ui.add(Label::new(bold(name, Size::Body, ink)).truncate());
    });
    let Some(part) = part else {
        ui.label(plain("left out", Size::Small, t.quiet));
        return;
    };
    let mut new = part.clone();
    figure(ui, &format!("Gain of {name}"), &mut new.gain_db, "dB", -40.0..=20.0, 1, 88.0);
    figure(ui, &format!("Delay of {name}"), &mut new.delay_ms, "ms", 0.0..=50.0, 2, 92.0);
    ui.checkbox(&mut new.invert, "Inverted").accessible_name(format!("{name} turned over"));
    if new != *part {
        change(Some(new));
    }
}
