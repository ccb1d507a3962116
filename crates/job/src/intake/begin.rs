//! A new car and its first visit.

use std::path::Path;

use dsp::limits::Limits;
use dsp::target::Target;
use garage::channels::Place;
use garage::formats::mic_calibration;
use garage::{
    Calibration, Car, Channel, ChannelMap, Garage, Microphone, RigRecord, Role, Side, Simulation, Visit,
    VisitFolder,
};
use jiff::civil::Date;
use virtual_car::VirtualCar;
use virtual_car::scenario::{CarSide, Role as CarRole};

use crate::error::JobError;
use crate::rig::scenario_of;

/// Everything a simulated car brings to the job card.
#[derive(Debug, Clone, PartialEq)]
pub struct ScenarioSheet {
    /// The car, its wishes and its channels.
    pub car: Car,
    /// The devices that stand for it.
    pub rig: RigRecord,
    /// Its microphone, calibrated.
    pub microphone: Microphone,
    /// What its processor can do.
    pub limits: Option<Limits>,
}

/// Stimuli of a simulated car play at this level: as loud as a real car is measured, far below clipping.
const LEVEL_DBFS: f64 = -20.0;
const CEILING_DBFS: f64 = -12.0;

/// The job card of a simulated car.
///
/// # Errors
/// A scenario that is not there.
pub fn scenario_sheet(simulation: &Simulation) -> Result<ScenarioSheet, JobError> {
    let scenario = scenario_of(simulation)?;
    let car = VirtualCar::new(scenario, simulation.seed);
    let scenario = car.scenario();
    let channels = scenario
        .channels
        .iter()
        .map(|it| Channel {
            name: it.name.clone(),
            output: car.output_of_channel(&it.name).map_or(1, |output| output + 1),
            role: role(it.role),
            side: side(it.side),
            place: if it.name.starts_with("rear") { Place::Rear } else { Place::Front },
            safe_band_hz: it.safe_band_hz,
            safe_frequency_hz: (it.role == CarRole::Tweeter).then_some(it.safe_band_hz.0),
            note: String::new(),
        })
        .collect();
    let file = format!("{}.txt", scenario.microphone.serial);
    let text = car.microphone_calibration();
    Ok(ScenarioSheet {
        car: Car {
            name: scenario.title.clone(),
            description: "An invented car that exists only as a simulation.".into(),
            wishes: scenario.story.clone(),
            channel_map: ChannelMap { channels },
            simulated: true,
        },
        rig: RigRecord {
            output: "virtual car".into(),
            input: "virtual car".into(),
            rate_hz: 48_000,
            microphone_input: 1,
            reference_input: Some(2),
            level_dbfs: LEVEL_DBFS,
            ceiling_dbfs: CEILING_DBFS,
            simulation: Some(simulation.clone()),
        },
        microphone: Microphone {
            name: scenario.microphone.serial.clone(),
            calibration: Some(Calibration {
                curve: mic_calibration::parse(text.as_bytes(), Path::new(&file))?,
                file,
            }),
            full_scale_db_spl: Some(scenario.microphone.full_scale_db_spl),
        },
        limits: scenario.processor.limits.clone(),
    })
}

/// The corridor to start from (common practice, no source): bass a little up, treble a little down.
pub fn default_target() -> Target {
    Target {
        name: "Warm".into(),
        points: vec![(20.0, 8.0), (60.0, 6.0), (200.0, 0.0), (1000.0, 0.0), (16_000.0, -4.0)],
        tolerance_db: 3.0,
    }
}

/// Begins the first visit of a simulated car, with everything filled in that the scenario knows.
///
/// # Errors
/// A scenario that is not there, a folder that is no garage and not empty, the system's reason.
pub fn begin_simulated(garage: &Path, simulation: &Simulation, date: Date) -> Result<VisitFolder, JobError> {
    let sheet = scenario_sheet(simulation)?;
    let garage = Garage::open_or_create(garage, "Garage")?;
    let car = garage.add_car(&sheet.car)?;
    let mut visit = Visit::begin(date);
    visit.rig = Some(sheet.rig);
    visit.microphone = Some(sheet.microphone);
    visit.processor = "the virtual car's processor".into();
    visit.limits = sheet.limits;
    visit.target = Some(default_target());
    visit.simulated = true;
    Ok(car.begin_visit(visit)?)
}

fn role(role: CarRole) -> Role {
    match role {
        CarRole::FullRange => Role::FullRange,
        CarRole::Tweeter => Role::Tweeter,
        CarRole::Midrange => Role::Midrange,
        CarRole::Woofer => Role::Woofer,
        CarRole::Subwoofer => Role::Subwoofer,
    }
}

fn side(side: CarSide) -> Side {
    match side {
        CarSide::Left => Side::Left,
        CarSide::Right => Side::Right,
        CarSide::Both => Side::Both,
    }
}
