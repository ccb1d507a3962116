//! Opens a garage, a car, a visit; begins a new car.

use eframe::egui::{ScrollArea, Ui};

use crate::commands::{Command, GarageCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, Size, bold, plain, tokens};
use crate::widgets::{Mark, action, begin_here, card, chip, hint, line, remark};

pub fn centre(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        ui.set_max_width(ui.available_width().min(820.0));
        ui.spacing_mut().item_spacing.y = CARD_GAP;
        folder(ui, state, out);
        if state.garage.listed.is_some() {
            cars(ui, state, out);
            new_car(ui, state, out);
        }
    });
}

fn folder(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Garage", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        hint(
            ui,
            "The folder that holds the shop's cars. It is plain: back it up or share it with what you have.",
        );
        let mut words = state.garage.folder.clone();
        let field = line(ui, "Garage folder", &mut words, "/home/shop/garage");
        if state.garage.listed.is_none() {
            begin_here(ui, &field);
        }
        if field.changed() {
            out.push(Command::Garage(GarageCommand::EditFolder(words)));
        }
        if field.lost_focus() && ui.input(|i| i.key_pressed(eframe::egui::Key::Enter)) {
            out.push(Command::Garage(GarageCommand::OpenFolder));
        }
        ui.horizontal(|ui| {
            action(
                ui,
                Command::Garage(GarageCommand::OpenFolder),
                !state.garage.folder.trim().is_empty(),
                out,
            );
            action(ui, Command::Garage(GarageCommand::Browse), true, out);
        });
    });
}

fn cars(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    card(ui, "Cars", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        if state.garage.cars.is_empty() {
            hint(ui, "No car yet. Begin one below.");
        }
        for car in &state.garage.cars {
            ui.horizontal_wrapped(|ui| {
                ui.label(bold(&car.name, Size::Body, t.ink));
                if car.simulated {
                    ui.label(bold("SIMULATED", Size::Small, t.warn));
                }
                for visit in &car.visits {
                    let command = Command::Garage(GarageCommand::OpenVisit(visit.folder.clone()));
                    chip(ui, &visit.words, None, false, command, out)
                        .accessible_name(format!("Open {}, visit {}", car.name, visit.words));
                }
                let begin = Command::Garage(GarageCommand::NewVisit(car.folder.clone()));
                action(ui, begin, true, out).accessible_name(format!("Begin visit of {}", car.name));
            });
        }
        for fault in &state.garage.damaged {
            remark(ui, Mark::Again, fault);
        }
    });
}

fn new_car(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let new = &state.garage.new_car;
    card(ui, "New car", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        let mut name = new.name.clone();
        let field = line(ui, "Name of the car", &mut name, "as the shop will look for it");
        if state.garage.cars.is_empty() {
            begin_here(ui, &field);
        }
        if field.changed() {
            out.push(Command::Garage(GarageCommand::EditName(name)));
        }
        ui.label(plain(
            "A real car in the bay, or a virtual one to learn and try things on",
            Size::Small,
            t.quiet,
        ));
        ui.horizontal_wrapped(|ui| {
            let choose = |scenario| Command::Garage(GarageCommand::ChooseScenario(scenario));
            chip(ui, "Real car", None, new.scenario.is_none(), choose(None), out);
            for scenario in &state.scenarios {
                let chosen = new.scenario.as_ref() == Some(&scenario.name);
                chip(ui, &scenario.title, None, chosen, choose(Some(scenario.name.clone())), out)
                    .on_hover_text(&scenario.story);
            }
        });
        if let Some(scenario) = state.scenarios.iter().find(|s| Some(&s.name) == new.scenario.as_ref()) {
            hint(ui, &format!("{} Everything measured in it is marked SIMULATED.", scenario.story));
        }
        action(ui, Command::Garage(GarageCommand::BeginCar), new.is_ready(), out);
    });
}
