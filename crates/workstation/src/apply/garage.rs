//! Opens garages, cars, visits.

use std::path::PathBuf;

use crate::commands::GarageCommand;
use crate::state::{Notice, State};
use crate::work::{DiskOrder, Order, Question};

pub fn apply(command: GarageCommand, state: &mut State) -> Vec<Order> {
    let page = &mut state.garage;
    let order = match command {
        GarageCommand::EditFolder(words) => {
            page.folder = words;
            return Vec::new();
        }
        GarageCommand::EditName(words) => {
            page.new_car.name = words;
            return Vec::new();
        }
        GarageCommand::ChooseScenario(scenario) => {
            page.new_car.scenario = scenario;
            return Vec::new();
        }
        GarageCommand::Browse => return vec![Order::Ask(Question::Garage)],
        GarageCommand::OpenFolder => match page.folder.trim() {
            "" => {
                state.notice = Some(Notice::failed("no folder: type the path of the garage in the field"));
                return Vec::new();
            }
            folder => DiskOrder::List(PathBuf::from(folder)),
        },
        GarageCommand::OpenVisit(folder) => DiskOrder::Open(folder),
        GarageCommand::NewVisit(car) => DiskOrder::NewVisit(car),
        GarageCommand::BeginCar => {
            let Some(garage) = page.listed.clone() else { return Vec::new() };
            let new = page.new_car.clone();
            DiskOrder::Begin { garage, name: new.name.trim().to_owned(), scenario: new.scenario }
        }
        GarageCommand::Close => {
            let listed = page.listed.clone();
            let garage = std::mem::take(&mut state.garage);
            let (scenarios, devices) =
                (std::mem::take(&mut state.scenarios), std::mem::take(&mut state.devices));
            *state = State { garage, scenarios, devices, ..State::default() };
            match listed {
                Some(folder) => DiskOrder::List(folder),
                None => return Vec::new(),
            }
        }
    };
    vec![Order::Disk(order)]
}
