//! The garage: the folder that holds the shop's cars.

use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::{CarFolder, VisitFolder, folders, known, make_folder, name_of};
use crate::car::Car;
use crate::error::{GarageError, Listing};
use crate::fault::Invalid;
use crate::formats::document::{self, Document};
use crate::lock::WriteLock;
use crate::rules;
use crate::slug::slug;

pub(crate) const GARAGE_FILE: &str = "garage.json";
pub(crate) const CARS: &str = "cars";

/// What `garage.json` holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GarageRecord {
    /// What the shop calls it.
    pub name: String,
}

impl Document for GarageRecord {
    const FORMAT: &'static str = "cabinwright-garage";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the garage.json of a garage";

    fn migrate(from: u64, fields: &mut serde_json::Map<String, serde_json::Value>) {
        // Version 0 had no name.
        if from == 0 {
            fields.entry("name").or_insert_with(|| "Garage".into());
        }
    }

    fn validate(&self) -> Result<(), Invalid> {
        rules::named("name", &self.name)
    }
}

/// An open garage.
#[derive(Debug, Clone)]
pub struct Garage {
    root: PathBuf,
    record: GarageRecord,
}

impl Garage {
    /// Makes a garage in a new or empty folder.
    ///
    /// # Errors
    /// A folder that holds other files; a garage that is there already; the system's reason.
    pub fn create(root: &Path, name: &str) -> Result<Self, GarageError> {
        fs::create_dir_all(root).map_err(|cause| GarageError::folder(root, "making the folder", cause))?;
        let file = root.join(GARAGE_FILE);
        let mut inside = fs::read_dir(root).map_err(|cause| GarageError::folder(root, "listing", cause))?;
        if !file.exists() && inside.next().is_some() {
            return Err(GarageError::NotEmpty { path: root.to_owned() });
        }
        let record = GarageRecord { name: name.to_owned() };
        document::write_new(&file, &record)?;
        let cars = root.join(CARS);
        fs::create_dir_all(&cars).map_err(|cause| GarageError::folder(&cars, "making the folder", cause))?;
        Ok(Self { root: root.to_owned(), record })
    }

    /// Opens a garage.
    ///
    /// # Errors
    /// A folder that is none, or a damaged or newer `garage.json`.
    pub fn open(root: &Path) -> Result<Self, GarageError> {
        let file = root.join(GARAGE_FILE);
        let record = document::read(&file).map_err(|error| {
            let missing = error.is_missing();
            let not_that =
                GarageError::NotThat { path: root.to_owned(), expected: "garage", file: GARAGE_FILE };
            if missing { not_that } else { error.into() }
        })?;
        Ok(Self { root: root.to_owned(), record })
    }

    /// Opens the garage, or makes it when the folder is not there or empty.
    ///
    /// # Errors
    /// As [`Garage::open`] and [`Garage::create`].
    pub fn open_or_create(root: &Path, name: &str) -> Result<Self, GarageError> {
        match Self::open(root) {
            Err(GarageError::NotThat { .. }) => Self::create(root, name),
            other => other,
        }
    }

    /// Its folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// What the shop calls it.
    pub fn name(&self) -> &str {
        &self.record.name
    }

    /// Every car, sorted by folder; a damaged one is named and does not hide the others.
    ///
    /// # Errors
    /// When the folder of cars cannot be listed.
    pub fn cars(&self) -> Result<Listing<CarFolder>, GarageError> {
        let mut listing = Listing::default();
        for path in folders(&self.root.join(CARS))? {
            listing.push(CarFolder::read(&path));
        }
        Ok(listing)
    }

    /// The car in the folder of that name, or with that name.
    ///
    /// # Errors
    /// Names the cars there are when there is no such one.
    pub fn car(&self, name: &str) -> Result<CarFolder, GarageError> {
        let cars = self.root.join(CARS);
        let folder = cars.join(slug(name));
        if folder.is_dir() {
            return Ok(CarFolder::read(&folder)?);
        }
        let listing = self.cars()?;
        let names = known(listing.found.iter().map(|car| name_of(car.path())));
        listing.found.into_iter().find(|car| car.record().name == name).ok_or(GarageError::NoSuch {
            path: self.root.clone(),
            what: "car",
            name: name.to_owned(),
            known: names,
        })
    }

    /// Puts a new car into a folder named after it; a second car of the same name gets a number.
    ///
    /// # Errors
    /// A record that breaks its rules, a busy garage, the system's reason.
    pub fn add_car(&self, car: &Car) -> Result<CarFolder, GarageError> {
        let _lock = WriteLock::take(&self.root)?;
        let folder = free_folder(&self.root.join(CARS), &slug(&car.name));
        make_folder(&folder, |inside| Ok(document::write_new(&CarFolder::file_in(inside), car)?))?;
        Ok(CarFolder::read(&folder)?)
    }

    /// Every visit of every car, in order of car and date.
    ///
    /// # Errors
    /// When a folder cannot be listed.
    pub fn visits(&self) -> Result<Listing<VisitFolder>, GarageError> {
        let cars = self.cars()?;
        let mut listing = Listing { found: Vec::new(), damaged: cars.damaged };
        for car in cars.found {
            let visits = car.visits()?;
            listing.found.extend(visits.found);
            listing.damaged.extend(visits.damaged);
        }
        Ok(listing)
    }
}

/// `slug` in `parent`, or with the first number that is free.
pub(crate) fn free_folder(parent: &Path, slug: &str) -> PathBuf {
    let plain = parent.join(slug);
    if !plain.exists() {
        return plain;
    }
    (2_u64..).map(|n| parent.join(format!("{slug}-{n}"))).find(|path| !path.exists()).unwrap_or(plain)
}
