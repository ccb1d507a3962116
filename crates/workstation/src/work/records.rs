//! The disk's worker: reads and writes records, short and in order.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use audio::rig::DeviceFacts;
use dsp::curve::{Curve, log_grid_hz};
use dsp::filter::ChannelFilter;
use dsp::tune::{ChannelTune, Tune};
use garage::formats::{limits, mic_calibration, target};
use garage::visit::EntryTicks;
use garage::{Calibration, Car, CarFolder, Garage, Reason, Simulation, Visit, VisitFolder};
use job::WorkClock;
use job::intake;

use super::{DiskOrder, Event, Mouth, Worker};
use crate::state::{CarLine, OpenVisit, ScenarioLine, Sheet, VisitLine};

/// What goes wrong, in one line.
type Fault = Box<dyn std::error::Error>;

/// The worker.
pub struct Records;

impl Worker for Records {
    type Order = DiskOrder;

    fn work(&mut self, order: DiskOrder, mouth: &Mouth) {
        let done = match order {
            DiskOrder::List(folder) => list(&folder),
            DiskOrder::Open(folder) => open(&folder),
            DiskOrder::Begin { garage, name, scenario } => begin(&garage, &name, scenario),
            DiskOrder::NewVisit(car) => new_visit(&car),
            DiskOrder::SaveSheet { visit, sheet } => match save_sheet(&visit, &sheet) {
                Ok(()) => return,
                Err(fault) => Err(fault),
            },
            DiskOrder::ReadCalibration(path) => calibration(Path::new(&path)),
            DiskOrder::ReadLimits(path) => {
                limits::read(Path::new(&path)).map(Event::Limits).map_err(Fault::from)
            }
            DiskOrder::ReadTarget(path) => {
                target::read(Path::new(&path)).map(Event::Target).map_err(Fault::from)
            }
            DiskOrder::SaveTune { visit, tune, title, said, based_on } => {
                let reasons =
                    said.into_iter().map(|s| Reason { subject: s.subject, words: s.words }).collect();
                VisitFolder::open(&visit).map_err(Fault::from).and_then(|folder| {
                    let clock = &mut WorkClock::System;
                    Ok(Event::Kept(job::voicing::save_tune(
                        &folder, clock, &tune, &title, reasons, based_on,
                    )?))
                })
            }
            DiskOrder::Tick { visit, tune, key, ticked } => tick(&visit, tune, key, ticked),
            DiskOrder::SaveStick { visit, to, format } => {
                VisitFolder::open(&visit).map_err(Fault::from).and_then(|mut folder| {
                    job::source::stick::save(&mut folder, format, &to)?;
                    Ok(Event::StickSaved(to))
                })
            }
            DiskOrder::Devices => {
                mouth.say(Event::Scenarios(scenarios()));
                Ok(Event::Devices(devices()))
            }
        };
        mouth.say(done.unwrap_or_else(|fault| Event::Failed(super::one_line(&fault.to_string()))));
    }
}

fn list(folder: &Path) -> Result<Event, Fault> {
    let garage = Garage::open_or_create(folder, "Garage")?;
    let listing = garage.cars()?;
    let mut damaged: Vec<String> = listing.damaged.iter().map(ToString::to_string).collect();
    let mut cars = Vec::new();
    for car in listing.found {
        let visits = car.visits()?;
        damaged.extend(visits.damaged.iter().map(ToString::to_string));
        let mut lines: Vec<VisitLine> = visits
            .found
            .iter()
            .map(|visit| {
                let record = visit.record();
                let number =
                    if record.number > 1 { format!(", no. {}", record.number) } else { String::new() };
                // The driver's is the usual one.
                let seat = match record.seat.trim() {
                    "" | "driver" => String::new(),
                    other => format!(", {other}"),
                };
                let words = format!("{}{number}{seat}", record.date);
                VisitLine { folder: visit.path().to_owned(), words }
            })
            .collect();
        lines.reverse();
        let record = car.record();
        cars.push(CarLine {
            folder: car.path().to_owned(),
            name: record.name.clone(),
            simulated: record.simulated,
            visits: lines,
        });
    }
    Ok(Event::Listed { folder: folder.to_owned(), cars, damaged })
}

fn open(folder: &Path) -> Result<Event, Fault> {
    let open = VisitFolder::open(folder)?;
    let finding = open.finding()?;
    let undo =
        finding.as_ref().and_then(|finding| finding.tune).map(|number| open.tune(number)).transpose()?;
    let visit = OpenVisit {
        folder: open.path().to_owned(),
        car: open.car().clone(),
        visit: open.record().clone(),
        takes: open.takes()?.found.into(),
        tunes: open.tunes()?.found.into(),
        proof: open.proof()?.map(Into::into),
        finding: finding.map(Into::into),
        undo: undo.map_or_else(Vec::new, |undo| shapes_of(&undo.tune)),
    };
    Ok(Event::Visit(Box::new(visit)))
}

/// What each channel of a tune does to the levels.
fn shapes_of(tune: &Tune) -> Vec<(String, Arc<Curve>)> {
    let grid = log_grid_hz(20.0, 20_000.0, 24.0);
    let shape = |channel: &ChannelTune| {
        let filter = ChannelFilter::new(channel, tune.sample_rate_hz).ok()?;
        Some((channel.name.clone(), Arc::new(Curve::of_levels(grid.clone(), filter.levels_db(&grid)))))
    };
    tune.channels.iter().filter_map(shape).collect()
}

fn today() -> jiff::civil::Date {
    jiff::ZonedDateTime::now().date()
}

/// A simulated car brings its job card along; a real one begins empty.
fn begin(garage: &Path, name: &str, scenario: Option<String>) -> Result<Event, Fault> {
    let folder = match scenario {
        Some(scenario) => intake::begin_simulated(garage, &Simulation { scenario, seed: 1 }, today())?,
        None => {
            let car = Car {
                name: name.to_owned(),
                description: String::new(),
                wishes: String::new(),
                channel_map: garage::ChannelMap::default(),
                simulated: false,
            };
            let car = Garage::open_or_create(garage, "Garage")?.add_car(&car)?;
            let mut visit = Visit::begin(today());
            visit.target = Some(intake::default_target());
            car.begin_visit(visit)?
        }
    };
    if !name.is_empty() && folder.car().name != name {
        rename(&folder, name)?;
    }
    open(folder.path())
}

fn rename(folder: &VisitFolder, name: &str) -> Result<(), Fault> {
    Ok(car_of(folder.path())?.update(|car| name.clone_into(&mut car.name))?)
}

/// The car that a visit belongs to: `GARAGE/cars/<car>/visits/<visit>`.
fn car_of(visit: &Path) -> Result<CarFolder, Fault> {
    let folder: PathBuf = visit.ancestors().nth(2).unwrap_or(visit).to_owned();
    let garage = folder.ancestors().nth(2).unwrap_or(visit);
    let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    Ok(Garage::open(garage)?.car(&name)?)
}

/// Another visit takes over what stays from one to the next: rig, microphone, processor, limits, target.
fn new_visit(car: &Path) -> Result<Event, Fault> {
    // Any visit's folder lies two below its car.
    let car = car_of(&car.join("visits").join("any"))?;
    let mut visit = Visit::begin(today());
    if let Some(last) = car.visits()?.found.last() {
        let last = last.record();
        visit.tuner.clone_from(&last.tuner);
        visit.rig.clone_from(&last.rig);
        visit.microphone.clone_from(&last.microphone);
        visit.processor.clone_from(&last.processor);
        visit.limits.clone_from(&last.limits);
        visit.target.clone_from(&last.target);
        visit.simulated = last.simulated;
    }
    open(car.begin_visit(visit)?.path())
}

fn save_sheet(visit: &Path, sheet: &Sheet) -> Result<(), Fault> {
    let mut folder = VisitFolder::open(visit)?;
    let mut car = folder.car().clone();
    sheet.write_car(&mut car);
    if car != *folder.car() {
        car_of(folder.path())?.update(|record| sheet.write_car(record))?;
    }
    let mut record = folder.record().clone();
    sheet.write_visit(&mut record);
    if record != *folder.record() {
        folder.update(|visit| sheet.write_visit(visit))?;
    }
    Ok(())
}

fn calibration(path: &Path) -> Result<Event, Fault> {
    let curve = mic_calibration::read(path)?;
    let file = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    Ok(Event::Calibration(Calibration { file, curve }))
}

fn tick(visit: &Path, tune: u32, key: String, ticked: bool) -> Result<Event, Fault> {
    let mut folder = VisitFolder::open(visit)?;
    folder.update(|record| {
        let entry = record.entry.get_or_insert_with(EntryTicks::default);
        if entry.tune != tune {
            *entry = EntryTicks { tune, ..EntryTicks::default() };
        }
        if ticked {
            entry.ticked.insert(key);
        } else {
            entry.ticked.remove(&key);
        }
    })?;
    open(visit)
}

fn scenarios() -> Vec<ScenarioLine> {
    let line = |s: job::rig::ScenarioFacts| ScenarioLine { name: s.name, title: s.title, story: s.story };
    job::rig::scenarios().into_iter().map(line).collect()
}

fn devices() -> Vec<DeviceFacts> {
    // A machine without sound cards still has the virtual car.
    audio::card::list().unwrap_or_default()
}
