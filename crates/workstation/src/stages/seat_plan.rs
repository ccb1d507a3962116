//! The seat from above with its positions, the next one large.

use dsp::verdict::Verdict;
use eframe::egui::{
    Align2, Pos2, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};

use crate::commands::{CabinCommand, Command};
use crate::state::seat_plan::{next_position, plan};
use crate::state::{Planned, State};
use crate::theme::{Size, Tokens, tokens};
use crate::widgets::{Mark, mark, verdict_words};

/// Draws the seat; pressing a position takes it next.
pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let planned = plan(state);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 236.0), Sense::hover());
    seat(ui, rect, t);
    let next = next_position(state).map(|p| p.position);
    for at in &planned {
        let place = place(rect, at);
        position(ui, place, at, next.as_ref() == Some(&at.position), t, out);
    }
}

/// Back rest, cushion and head, in hairlines; the car's nose is up.
fn seat(ui: &Ui, rect: Rect, t: &Tokens) {
    let stroke = Stroke::new(1.0, t.line);
    let middle = rect.center();
    let painter = ui.painter();
    let cushion = Rect::from_center_size(middle + vec2(0.0, -14.0), vec2(214.0, 176.0));
    let back = Rect::from_center_size(middle + vec2(0.0, 96.0), vec2(236.0, 36.0));
    painter.rect_stroke(cushion, 28, stroke, StrokeKind::Inside);
    painter.rect(back, 16, t.paper, stroke, StrokeKind::Inside);
    painter.circle_stroke(middle, 34.0, stroke);
    let front = pos2(middle.x, cushion.top() + 6.0);
    painter.text(front, Align2::CENTER_TOP, "front", Size::Small.regular(), t.quiet);
}

/// High positions stand outside, low ones inside, so that none hides another.
fn place(rect: Rect, at: &Planned) -> Pos2 {
    let [forward, left, up] = at.offset_m;
    let reach = if up < 0.0 { 0.62 } else { 1.0 };
    rect.center() + vec2(-(left as f32) * 900.0 * reach, -(forward as f32) * 720.0 * reach)
}

fn position(ui: &mut Ui, at: Pos2, planned: &Planned, next: bool, t: &Tokens, out: &mut Vec<Command>) {
    let target = Rect::from_center_size(at, vec2(44.0, 40.0));
    let id = ui.scope_id().with(&planned.position);
    let response = ui.interact(target, id, Sense::click());
    let (shape, word) = state_of(planned);
    let spoken = format!("{}, {}, {word}", planned.position, planned.words);
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, true, next, &spoken));
    let painter = ui.painter();
    if next {
        painter.circle(at, 21.0, t.card, Stroke::new(2.5, t.focus));
    } else {
        let edge = if response.hovered() { t.quiet } else { t.line };
        painter.circle(at, 17.0, t.card, Stroke::new(1.0, edge));
    }
    if response.has_focus() {
        painter.circle_stroke(at, 24.0, Stroke::new(2.0, t.focus));
    }
    let font = if next { Size::Body.bold() } else { Size::Small.regular() };
    painter.text(at + vec2(0.0, -4.0), Align2::CENTER_CENTER, &planned.position, font, t.ink);
    let small = Rect::from_center_size(at + vec2(0.0, 10.0), vec2(8.0, 8.0));
    mark_small(ui, small.center(), shape, t);
    if response.clicked() {
        out.push(Command::Cabin(CabinCommand::Aim(planned.position.clone())));
    }
    response.on_hover_text(spoken);
}

fn mark_small(ui: &Ui, at: Pos2, shape: Mark, t: &Tokens) {
    match shape {
        Mark::Open => {}
        Mark::Done => {
            ui.painter().circle_filled(at, 3.5, t.corridor);
        }
        other => mark(ui.painter(), at, other, t),
    }
}

/// A position's mark and word.
fn state_of(planned: &Planned) -> (Mark, &'static str) {
    match planned.worst {
        None => (Mark::Open, "open"),
        Some(Verdict::Retake) => verdict_words(Verdict::Retake),
        Some(_) if !planned.missing.is_empty() || !planned.held_back.is_empty() => (Mark::Begun, "begun"),
        Some(verdict) => verdict_words(verdict),
    }
}
