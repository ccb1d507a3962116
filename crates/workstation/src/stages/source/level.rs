//! A recording under way: what has been heard, how loud each input is; then what it is worth.

use audio::rig::Watch;
use eframe::egui::{
    Align, Label, Layout, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use job::source::Line;

use crate::commands::{Command, SourceCommand};
use crate::state::{Listened, Listening, State};
use crate::theme::{GRID, Size, bold, plain, tokens};
use crate::widgets::{action, card, remark, verdict_words};

/// The softest that is drawn.
const LEAST_DBFS: f64 = -72.0;

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let page = &state.source;
    match (&state.running, &page.listening, &page.listened) {
        (Some(running), Some(listening), _) => {
            card(ui, &running.what, |ui| under_way(ui, state, &running.watch, listening, out));
        }
        (_, None, Some(listened)) => verdict(ui, listened, state, out),
        _ => {}
    }
}

fn under_way(ui: &mut Ui, state: &State, watch: &Watch, listening: &Listening, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = GRID;
    let t = tokens(ui);
    ui.add(Label::new(bold(listening.following.progress().words(), Size::Large, t.ink)).wrap());
    let reference = state.source.probing.probe().reference.map(|(name, _)| name);
    let name = listening.line.name();
    let inputs = reference.iter().map(String::as_str).filter(|it| *it != name).chain([name]);
    for (place, name) in inputs.enumerate() {
        input(ui, name, watch.peak_of(place), watch.clipped(place));
    }
    ui.horizontal(|ui| action(ui, Command::Source(SourceCommand::EndListening), true, out));
}

/// A name, a bar, a figure, and a lamp that stays lit.
fn input(ui: &mut Ui, name: &str, peak: f32, clipped: bool) {
    let t = tokens(ui);
    let peak_dbfs = dsp::decibel::of_amplitude(f64::from(peak).max(1e-6));
    let figure = if peak_dbfs <= LEAST_DBFS {
        "silent".to_owned()
    } else {
        format!("{} dBFS", crate::board::signed(peak_dbfs, 0))
    };
    let lamp = if clipped { "clipped" } else { "not clipped" };
    ui.horizontal(|ui| {
        let left = Layout::left_to_right(Align::Center);
        ui.allocate_ui_with_layout(vec2(170.0, 24.0), left, |ui| {
            ui.set_min_width(170.0);
            ui.add(Label::new(plain(name, Size::Body, t.ink)).truncate());
        });
        let (rect, response) =
            ui.allocate_exact_size(vec2((ui.available_width() - 190.0).max(80.0), 14.0), Sense::hover());
        let spoken = format!("Level of {name}: {figure}, {lamp}");
        response.widget_info(|| WidgetInfo::labeled(Role::Meter, true, spoken.clone()));
        let share = ((peak_dbfs - LEAST_DBFS) / -LEAST_DBFS).clamp(0.0, 1.0) as f32;
        let full = Rect::from_min_max(rect.min, pos2(rect.left() + rect.width() * share, rect.bottom()));
        ui.painter().rect_filled(full, 0, if clipped { t.stop } else { t.before });
        ui.painter().rect_stroke(rect, 0, Stroke::new(1.0, t.quiet), StrokeKind::Inside);
        ui.add_sized(vec2(84.0, 24.0), Label::new(bold(figure, Size::Body, t.ink)));
        ui.label(plain(lamp, Size::Small, if clipped { t.stop } else { t.quiet }));
    });
}

fn verdict(ui: &mut Ui, listened: &Listened, state: &State, out: &mut Vec<Command>) {
    let title = match &listened.line {
        Line::Output(name) => name.clone(),
        Line::AtVolume { output, step } => format!("{output} at volume {step}"),
        Line::TurnedUp { output, frequency_hz, .. } => format!("{output}, turned up at {frequency_hz} Hz"),
        Line::Joined(name) => format!("{name}, with the undoing"),
    };
    card(ui, &title, |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let (shape, word) = verdict_words(listened.verdict);
        remark(ui, shape, word);
        for words in &listened.remarks {
            ui.add(Label::new(plain(words, Size::Body, tokens(ui).ink)).wrap());
        }
        if listened.verdict == dsp::verdict::Verdict::Retake {
            let again = Command::Source(SourceCommand::Listen(listened.line.clone()));
            ui.horizontal(|ui| {
                action(ui, again, !state.is_busy(), out).accessible_name("Record the latest again")
            });
        }
    });
}
