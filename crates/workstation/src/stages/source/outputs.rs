//! The head unit's outputs: name, a small curve, a sentence.

use dsp::curve::Curve;
use eframe::egui::{
    Label, Pos2, ScrollArea, Sense, Shape, Stroke, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};

use super::finding;
use crate::commands::{Command, SourceCommand};
use crate::state::State;
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{card, chip};

const CURVE: f32 = 46.0;
/// Height of the small curve's window.
const REACH_DB: f64 = 40.0;

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(finding) = finding(state) else { return };
    let t = tokens(ui);
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    let all = Command::Source(SourceCommand::Show(None));
    chip(ui, "All outputs", None, state.source.shown.is_none(), all, out);
    ScrollArea::vertical().id_salt("outputs").auto_shrink([false, true]).show(ui, |ui| {
        for output in &finding.outputs {
            card(ui, "", |ui| {
                ui.spacing_mut().item_spacing.y = GRID;
                let chosen = state.source.shown.as_ref() == Some(&output.name);
                let command = Command::Source(SourceCommand::Show(Some(output.name.clone())));
                chip(ui, &output.name, None, chosen, command, out);
                if let Some(curve) = &output.curve {
                    small(ui, &output.name, curve);
                }
                ui.add(Label::new(plain(&output.sentence, Size::Small, t.ink)).wrap());
            });
        }
    });
}

/// The curve from 20 Hz to 20 kHz, its loudest part near the top.
fn small(ui: &mut Ui, name: &str, curve: &Curve) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), CURVE), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("Curve of {name}")));
    let t = tokens(ui);
    let loudest = curve.level_db.iter().filter(|db| db.is_finite()).fold(f64::MIN, |most, db| most.max(*db));
    let at = |hz: f64, db: f64| -> Pos2 {
        let across = (hz / 20.0).ln() / 1000.0_f64.ln();
        let down = ((loudest + 3.0 - db) / REACH_DB).clamp(0.0, 1.0);
        pos2(rect.left() + rect.width() * across as f32, rect.top() + rect.height() * down as f32)
    };
    let painter = ui.painter().with_clip_rect(rect);
    for hz in [100.0, 1000.0, 10_000.0] {
        painter.vline(at(hz, loudest).x, rect.y_range(), Stroke::new(1.0, t.line));
    }
    painter.hline(rect.x_range(), rect.bottom() - 0.5, Stroke::new(1.0, t.line));
    let points = curve.frequency_hz.iter().zip(&curve.level_db).filter(|(_, db)| db.is_finite());
    let points: Vec<Pos2> = points.map(|(hz, db)| at(*hz, *db)).collect();
    painter.add(Shape::line(points, Stroke::new(1.6, t.before)));
}
