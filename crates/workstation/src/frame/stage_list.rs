//! The five stages and how far each is.

use eframe::egui::{Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2};

use crate::commands::Command;
use crate::stages::Stage;
use crate::state::{Progress, State, progress};
use crate::theme::{CORNER, Size, Tokens, tokens};
use crate::widgets::{Mark, mark};

const HEIGHT: f32 = 52.0;

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = 4.0;
    for stage in Stage::ALL {
        entry(ui, state, stage, out);
    }
}

/// A stage's mark and word.
fn words(progress: Progress) -> (Mark, &'static str) {
    let shape = match progress {
        Progress::Done => Mark::Done,
        Progress::Begun => Mark::Begun,
        Progress::Open => Mark::Open,
    };
    (shape, progress.word())
}

fn entry(ui: &mut Ui, state: &State, stage: Stage, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let here = state.stage == stage;
    let (shape, word) = words(progress(state, stage));
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::click());
    let spoken = format!("{}, {word}", stage.name());
    response.widget_info(|| WidgetInfo::selected(Role::Tab, true, here, &spoken));
    if here {
        ui.painter().rect(rect, CORNER, t.card, Stroke::new(1.0, t.line), StrokeKind::Inside);
        let bar = eframe::egui::Rect::from_min_size(rect.min + vec2(0.0, 8.0), vec2(3.0, HEIGHT - 16.0));
        ui.painter().rect_filled(bar, 1, t.focus);
    } else if response.hovered() {
        ui.painter().rect_filled(rect, CORNER, Tokens::wash(t.quiet));
    }
    if response.has_focus() {
        ui.painter().rect_stroke(rect, CORNER, Stroke::new(2.0, t.focus), StrokeKind::Inside);
    }
    mark(ui.painter(), pos2(rect.left() + 20.0, rect.center().y - 8.0), shape, t);
    let font = if here { Size::Body.bold() } else { Size::Body.regular() };
    let left = rect.left() + 36.0;
    let middle = eframe::egui::Align2::LEFT_CENTER;
    ui.painter().text(pos2(left, rect.center().y - 8.0), middle, stage.name(), font, t.ink);
    ui.painter().text(pos2(left, rect.center().y + 12.0), middle, word, Size::Small.regular(), t.quiet);
    if response.clicked() {
        out.push(Command::Go(stage));
    }
}
