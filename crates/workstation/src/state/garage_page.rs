//! The page that opens a garage, a car, a visit.

use std::path::PathBuf;

/// One visit in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VisitLine {
    /// Its folder.
    pub folder: PathBuf,
    /// `2026-03-14, no. 2, passenger`.
    pub words: String,
}

/// One car in the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CarLine {
    /// Its folder.
    pub folder: PathBuf,
    /// What the shop calls it.
    pub name: String,
    /// True for an invented, simulated car.
    pub simulated: bool,
    /// Its visits, the latest first.
    pub visits: Vec<VisitLine>,
}

/// What the sheet for a new car holds before it is begun.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NewCar {
    /// What the shop calls it.
    pub name: String,
    /// A simulated car, by name; none for a real one.
    pub scenario: Option<String>,
}

impl NewCar {
    /// A real car needs a name; a simulated one brings its own.
    pub fn is_ready(&self) -> bool {
        !self.name.trim().is_empty() || self.scenario.is_some()
    }
}

/// The page.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct GaragePage {
    /// The folder in the field.
    pub folder: String,
    /// The folder whose cars are listed.
    pub listed: Option<PathBuf>,
    /// Its cars.
    pub cars: Vec<CarLine>,
    /// Lines about damaged records.
    pub damaged: Vec<String>,
    /// The new car.
    pub new_car: NewCar,
}
