//! The car, the rig's health, and Stop sound.

use eframe::egui::{Align, Button, Label, Layout, Stroke, StrokeKind, Ui, vec2};

use crate::commands::{Command, GarageCommand};
use crate::state::State;
use crate::theme::{LEAST_TARGET, Size, bold, plain, tokens};
use crate::widgets::{Mark, action, mark, quiet};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    ui.horizontal(|ui| {
        ui.set_min_height(LEAST_TARGET);
        let heading = state.heading();
        let (car, rest) = heading.split_once(" · ").unwrap_or(("Cabinwright", ""));
        // A long name gives way to the rig's health.
        ui.scope(|ui| {
            ui.set_max_width((ui.available_width() * 0.2).max(160.0));
            ui.add(Label::new(bold(car, Size::Title, t.ink)).truncate());
        });
        if !rest.is_empty() {
            ui.label(plain(rest, Size::Body, t.quiet));
        }
        if state.is_simulated() {
            stamp(ui);
        }
        if state.open.is_some() {
            ui.add_space(4.0);
            quiet(ui, Command::Garage(GarageCommand::Close), !state.is_busy(), out);
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            stop_button(ui, state, out);
            ui.add_space(8.0);
            action(ui, Command::ShowKeys(true), true, out);
            action(ui, Command::ChangeTheme, true, out);
            ui.add_space(8.0);
            if state.open.is_some() {
                rig_line(ui, state);
            }
        });
    });
}

/// The word that marks everything from a simulation.
fn stamp(ui: &mut Ui) {
    let t = tokens(ui);
    ui.add_space(4.0);
    let label = ui.label(bold("SIMULATED", Size::Small, t.warn));
    let plate = label.rect.expand2(vec2(6.0, 4.0));
    ui.painter().rect_stroke(plate, 3, Stroke::new(1.0, t.warn), StrokeKind::Inside);
}

fn stop_button(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let (fill, ink) = if state.rig_line().sounding { (t.stop, t.paper) } else { (t.card, t.stop) };
    let button = Button::new(bold(Command::StopSound.label(), Size::Body, ink))
        .fill(fill)
        .stroke(Stroke::new(1.5, t.stop))
        .min_size(vec2(112.0, LEAST_TARGET));
    if ui.add(button).on_hover_text("Esc does the same from anywhere").clicked() {
        out.push(Command::StopSound);
    }
}

fn rig_line(ui: &mut Ui, state: &State) {
    let t = tokens(ui);
    let rig = state.rig_line();
    if ui.available_width() < 120.0 {
        return;
    }
    let ink = if rig.clipped { t.stop } else { t.ink };
    ui.label(plain(rig.level_words(), Size::Body, ink));
    if rig.clipped {
        let (rect, _) = ui.allocate_exact_size(vec2(14.0, 14.0), eframe::egui::Sense::hover());
        mark(ui.painter(), rect.center(), Mark::Again, t);
    }
    if ui.available_width() < 220.0 {
        return;
    }
    ui.add_space(8.0);
    let calibrated = rig.microphone.as_ref().is_none_or(|(_, calibrated)| *calibrated);
    ui.label(plain(rig.microphone_words(), Size::Body, if calibrated { t.quiet } else { t.warn }));
    ui.add_space(8.0);
    ui.add(Label::new(plain(rig.output_words(), Size::Body, t.quiet)).truncate());
}
