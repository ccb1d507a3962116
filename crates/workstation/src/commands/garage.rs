//! Garages, cars, visits.

use std::path::PathBuf;

/// What can be asked of the garage page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum GarageCommand {
    /// Type in the folder's field.
    EditFolder(String),
    /// Ask the system's own dialog for the folder.
    Browse,
    /// List the folder's cars; an empty or missing folder becomes a new garage.
    OpenFolder,
    /// Open a visit.
    OpenVisit(PathBuf),
    /// Begin another visit of a car.
    NewVisit(PathBuf),
    /// Type the new car's name.
    EditName(String),
    /// A real car, or a simulated one.
    ChooseScenario(Option<String>),
    /// Begin the new car and its first visit.
    BeginCar,
    /// Back to the list of cars.
    Close,
}

impl GarageCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::EditFolder(_) => "Garage folder",
            Self::Browse => "Choose folder",
            Self::OpenFolder => "Open garage",
            Self::OpenVisit(_) => "Open visit",
            Self::NewVisit(_) => "Begin visit",
            Self::EditName(_) => "Name of the car",
            Self::ChooseScenario(None) => "A real car",
            Self::ChooseScenario(Some(_)) => "A virtual car",
            Self::BeginCar => "Begin car",
            Self::Close => "All cars",
        }
        .into()
    }
}
