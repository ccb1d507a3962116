//! The rig of a visit: real devices, or the virtual car.

use audio::card::{CardChoice, CardRig};
use audio::rig::{DeviceFacts, Ear, ListenOrder, Rig, RigError, TakeFacts, TakeOrder, Watch};
use dsp::tune::Tune;
use garage::visit::Position;
use garage::{RigRecord, Side, Simulation};
use serde::Serialize;
use virtual_car::scenario::{self, Scenario};
use virtual_car::{CarHandle, InputStage, VirtualCar, VirtualRig};

use crate::error::JobError;

/// A simulated car to choose from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ScenarioFacts {
    /// What to ask for it by.
    pub name: String,
    /// The invented car.
    pub title: String,
    /// What its customer says.
    pub story: String,
}

/// The simulated cars there are, the simplest first.
pub fn scenarios() -> Vec<ScenarioFacts> {
    scenario::embedded()
        .unwrap_or_default()
        .into_iter()
        .map(|it| ScenarioFacts { name: it.name, title: it.title, story: it.story })
        .collect()
}

/// The outputs of a simulated car's head unit, by their names.
///
/// # Errors
/// A scenario that is not there.
pub fn head_unit_outputs(simulation: &Simulation) -> Result<Vec<String>, JobError> {
    Ok(scenario_of(simulation)?.head_unit.outputs.into_iter().map(|output| output.name).collect())
}

/// An open rig: plays and records, and where it is simulated also turns what a tuner turns by hand.
pub struct JobRig {
    rig: Box<dyn Rig>,
    car: Option<CarHandle>,
}

impl JobRig {
    /// Devices that somebody else opened; the tuner moves the microphone and types tunes in by hand.
    pub fn of_devices(rig: Box<dyn Rig>) -> Self {
        Self { rig, car: None }
    }

    /// The virtual car of a scenario; with `real_time` it takes as long as a real one.
    ///
    /// # Errors
    /// A scenario that is not there.
    pub fn virtual_car(simulation: &Simulation, real_time: bool) -> Result<Self, JobError> {
        let scenario = scenario_of(simulation)?;
        let rig = VirtualRig::new(VirtualCar::new(scenario, simulation.seed));
        let rig = if real_time { rig.in_real_time() } else { rig };
        let car = Some(rig.handle());
        Ok(Self { rig: Box::new(rig), car })
    }

    /// Opens what the visit's record names.
    ///
    /// # Errors
    /// A scenario or a device that is not there.
    pub fn open(record: &RigRecord) -> Result<Self, JobError> {
        match &record.simulation {
            Some(simulation) => Self::virtual_car(simulation, false),
            None => {
                let choice = CardChoice::named(&record.output, &record.input);
                Ok(Self::of_devices(Box::new(CardRig::open(choice)?)))
            }
        }
    }

    /// True when sound is only computed.
    pub fn is_simulated(&self) -> bool {
        self.car.is_some()
    }

    /// The virtual car, to do to it what a test or a lesson needs.
    pub fn car(&self) -> Option<&CarHandle> {
        self.car.as_ref()
    }

    /// The devices there are.
    ///
    /// # Errors
    /// What the system says.
    pub fn devices(&self) -> Result<Vec<DeviceFacts>, RigError> {
        self.rig.devices()
    }

    /// Plays and records.
    ///
    /// # Errors
    /// See [`Rig::take`].
    pub fn take(&mut self, order: &TakeOrder, watch: &Watch) -> Result<TakeFacts, RigError> {
        self.rig.take(order, watch)
    }

    /// Records while something else plays.
    ///
    /// # Errors
    /// See [`Rig::listen`].
    pub fn listen(
        &mut self,
        order: &ListenOrder,
        ear: &mut Ear<'_>,
        watch: &Watch,
    ) -> Result<TakeFacts, RigError> {
        self.rig.listen(order, ear, watch)
    }

    /// Puts the virtual microphone in its place at `seat`; by hand otherwise. A visit that names no seat is about the
    /// first.
    ///
    /// # Errors
    /// A seat that the virtual car does not have.
    pub fn place_microphone(&self, seat: &str, position: &Position) -> Result<(), JobError> {
        let Some(car) = &self.car else { return Ok(()) };
        car.edit(|car| {
            let seats = &car.scenario().seats;
            let named = seats.iter().find(|it| seat.is_empty() || it.name == seat);
            let Some(head_m) = named.map(|it| it.head_m) else {
                let known = seats.iter().map(|it| it.name.as_str()).collect::<Vec<_>>().join(", ");
                return Err(JobError::Input(format!(
                    "the virtual car has no seat \"{seat}\"; it has {known}"
                )));
            };
            let [forward, left, up] = position.offset_m;
            // The cabin's axes run right, rearward, up.
            car.set_microphone_at([head_m[0] - left, head_m[1] - forward, head_m[2] + up]);
            Ok(())
        })
    }

    /// Types a tune into the virtual processor's channels, or sets them flat; by hand otherwise.
    ///
    /// # Errors
    /// A tune for another car.
    pub fn enter_tune(&self, tune: Option<&Tune>) -> Result<(), JobError> {
        let Some(car) = &self.car else { return Ok(()) };
        let entered = car.edit(|car| match tune {
            Some(tune) => car.set_tune(tune),
            None => {
                car.clear_tune();
                Ok(())
            }
        });
        entered.map_err(|error| JobError::Input(error.to_string()))
    }

    /// Joins the head unit's outputs in the virtual processor's inputs; by hand otherwise.
    ///
    /// # Errors
    /// Inputs or channels of another car.
    pub fn enter_input_stage(&self, stage: &InputStage) -> Result<(), JobError> {
        let Some(car) = &self.car else { return Ok(()) };
        car.edit(|car| car.set_input_stage(stage)).map_err(|error| JobError::Input(error.to_string()))
    }

    /// Types the undoing of the factory into the virtual processor's inputs, or sets them flat; by hand otherwise.
    ///
    /// # Errors
    /// An undo for another head unit.
    pub fn enter_undo(&self, undo: Option<&Tune>) -> Result<(), JobError> {
        let Some(car) = &self.car else { return Ok(()) };
        let entered = car.edit(|car| match undo {
            Some(undo) => car.set_undo(undo),
            None => {
                car.clear_undo();
                Ok(())
            }
        });
        entered.map_err(|error| JobError::Input(error.to_string()))
    }

    /// Outputs, counted from 1, that play the music of `side`: the first two of any device.
    pub fn side_outputs(side: Side) -> &'static [u16] {
        match side {
            Side::Left => &[1],
            Side::Right => &[2],
            Side::Both => &[1, 2],
        }
    }

    /// Inputs, counted from 1, that hear each line the virtual car can be probed at; empty on a card, where the tuner
    /// says what is connected.
    pub fn line_inputs(&self) -> Vec<(String, u16)> {
        let Some(car) = &self.car else { return Vec::new() };
        car.edit(|car| car.inputs()).into_iter().zip(1_u16..).skip(2).collect()
    }
}

pub(crate) fn scenario_of(simulation: &Simulation) -> Result<Scenario, JobError> {
    Scenario::named(&simulation.scenario).map_err(|error| JobError::Input(error.to_string()))
}
