//! The car as the tuner meets it: what is set, where the microphone is, what hangs on what.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use dsp::tune::{ChannelTune, Tune};

use crate::input_stage::InputStage;
use crate::microphone;
use crate::resample::Reader;
use crate::scenario::{FactoryOutput, InputMix, Position, Scenario, ScriptedEvent, place_of};
use crate::transform::Convolver;

/// Why the car cannot be set so.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CarError {
    /// No channel has that name.
    #[error("this car has no channel \"{name}\"; it has {known}")]
    NoSuchChannel {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// No seat has that number.
    #[error("this car has no seat {asked}; it has {count}, counted from 0")]
    NoSuchSeat {
        /// The number asked for.
        asked: usize,
        /// How many there are.
        count: usize,
    },
    /// The volume control does not go there.
    #[error("volume step {asked} is outside 0 to {highest}")]
    NoSuchStep {
        /// The step asked for.
        asked: u32,
        /// The highest step.
        highest: u32,
    },
    /// There is no such output or input.
    #[error("this car has no {direction} {asked}; it has {count}, counted from 0")]
    NoSuchLine {
        /// "output" or "input".
        direction: &'static str,
        /// The number asked for.
        asked: u16,
        /// How many there are.
        count: usize,
    },
    /// The processor cannot run the tune.
    #[error("the tune does not fit: {0}")]
    Tune(String),
}

/// What the head unit's own player is given to play.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stick {
    /// Its sample rate, which need not be the recorder's.
    pub rate_hz: u32,
    /// Left and right, from −1 to 1.
    pub sides: [Vec<f64>; 2],
}

/// Converters of the virtual processor take any tune rate in this range.
const TUNE_RATES_HZ: std::ops::RangeInclusive<f64> = 8_000.0..=384_000.0;
/// The first output that leads to a channel; before it, music left and music right.
pub(crate) const FIRST_CHANNEL_OUTPUT: usize = 2;
/// The first input that hears a head-unit output; before it, microphone and reference.
pub(crate) const FIRST_LINE_INPUT: usize = 2;

/// From a speaker (channel, number on the channel) to a microphone place, at a sample rate.
type Path = (usize, usize, [u64; 3], u64);

/// A simulated car with everything that can be set on it.
#[derive(Clone)]
pub struct VirtualCar {
    pub(crate) scenario: Scenario,
    pub(crate) seed: u64,
    pub(crate) undo: Option<Tune>,
    pub(crate) input_stage: Option<InputStage>,
    pub(crate) tune: Option<Tune>,
    pub(crate) volume: u32,
    /// When and to which step the volume is turned during the next take.
    pub(crate) turns: Vec<(f64, u32)>,
    pub(crate) microphone_m: [f64; 3],
    pub(crate) solo: Option<usize>,
    pub(crate) scheduled: Vec<ScriptedEvent>,
    pub(crate) takes: u64,
    pub(crate) stick: Option<Arc<Stick>>,
    pub(crate) reader: Arc<Reader>,
    paths: Arc<Mutex<HashMap<Path, Arc<Convolver>>>>,
}

impl std::fmt::Debug for VirtualCar {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("VirtualCar").field("scenario", &self.scenario.name).field("seed", &self.seed).finish()
    }
}

impl VirtualCar {
    /// The car of `scenario` as it comes into the bay: processor flat, microphone at P1 of the first seat, volume
    /// where the customer left it. `seed` is mixed into the scenario's own, so that one scenario gives many cars
    /// that differ in noise, scattering and latency.
    pub fn new(scenario: Scenario, seed: u64) -> Self {
        let head_m = scenario.seats.first().map_or([0.5; 3], |seat| seat.head_m);
        Self {
            seed: scenario.seed ^ seed.wrapping_mul(0xD134_2543_DE82_EF95),
            volume: scenario.head_unit.volume.set_to,
            scenario,
            undo: None,
            input_stage: None,
            tune: None,
            turns: Vec::new(),
            microphone_m: head_m,
            solo: None,
            scheduled: Vec::new(),
            takes: 0,
            stick: None,
            reader: Arc::default(),
            paths: Arc::default(),
        }
    }

    /// What it was made from, with the wiring as it is now.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Types `undo` into the processor's input stage, ahead of its mixer: each channel is named after the head-unit
    /// output it acts on, or "left" or "right" for all that carry only that side. Outputs not named pass as they are.
    ///
    /// # Errors
    /// As [`VirtualCar::set_tune`], for a name that fits no head-unit output.
    pub fn set_undo(&mut self, undo: &Tune) -> Result<(), CarError> {
        check_rate(undo.sample_rate_hz)?;
        for channel in &undo.channels {
            let outputs = &self.scenario.head_unit.outputs;
            if !outputs.iter().any(|output| acts_on(&channel.name, output)) {
                let known = outputs.iter().map(|output| output.name.as_str()).collect::<Vec<_>>().join(", ");
                return Err(CarError::Tune(format!(
                    "no head-unit output is called \"{}\"; there are: {known}, left, right",
                    channel.name
                )));
            }
            check_settings(channel)?;
        }
        self.input_stage = None;
        self.undo = Some(undo.clone());
        Ok(())
    }

    /// Types `stage` into the processor's input stage: outputs joined to sums, and the sums that each channel takes.
    /// An undo typed in before acts no longer.
    ///
    /// # Errors
    /// [`CarError::NoSuchChannel`], or [`CarError::Tune`] for an output or a sum that does not exist, two of one name,
    /// or settings that cannot be.
    pub fn set_input_stage(&mut self, stage: &InputStage) -> Result<(), CarError> {
        let outputs: Vec<&str> =
            self.scenario.head_unit.outputs.iter().map(|output| output.name.as_str()).collect();
        let mut known = outputs.clone();
        for sum in &stage.sums {
            if known.contains(&sum.name.as_str()) {
                return Err(CarError::Tune(format!("two inputs are called \"{}\"", sum.name)));
            }
            known.push(&sum.name);
            check_rate(sum.tune_rate_hz)?;
            check_settings(&sum.settings)?;
            for part in &sum.parts {
                if !outputs.contains(&part.output.as_str()) {
                    return Err(no_such_input(&part.output, &outputs));
                }
                let numbers = part.all_passes.iter().flat_map(|it| [it.frequency_hz, it.q]);
                if numbers.clone().any(|it| !it.is_finite() || it <= 0.0) {
                    return Err(CarError::Tune(format!(
                        "\"{}\" has an all-pass that cannot be",
                        part.output
                    )));
                }
                if part.taps.is_some() {
                    check_rate(part.taps_rate_hz)?;
                }
                let (gain_db, delay_ms) = (part.gain_db, part.delay_ms);
                check_settings(&ChannelTune {
                    name: part.output.clone(),
                    gain_db,
                    delay_ms,
                    fir: part.taps.clone(),
                    ..ChannelTune::default()
                })?;
            }
        }
        for (channel, mixes) in &stage.routes {
            self.channel_index(channel)?;
            if let Some(mix) = mixes.iter().find(|mix| !known.contains(&mix.output.as_str())) {
                return Err(no_such_input(&mix.output, &known));
            }
        }
        self.undo = None;
        self.input_stage = Some(stage.clone());
        Ok(())
    }

    /// Sets the input stage flat, each channel on the outputs it was wired to.
    pub fn clear_undo(&mut self) {
        self.undo = None;
        self.input_stage = None;
    }

    /// Changes which head-unit outputs reach the processor channel `name`, and how.
    ///
    /// # Errors
    /// [`CarError::NoSuchChannel`], or [`CarError::Tune`] for a head-unit output that does not exist.
    pub fn set_inputs(&mut self, name: &str, inputs: Vec<InputMix>) -> Result<(), CarError> {
        let index = self.channel_index(name)?;
        let outputs = &self.scenario.head_unit.outputs;
        if let Some(mix) = inputs.iter().find(|mix| !outputs.iter().any(|output| output.name == mix.output)) {
            return Err(CarError::Tune(format!("no head-unit output is called \"{}\"", mix.output)));
        }
        self.scenario.channels[index].inputs = inputs;
        Ok(())
    }

    /// Types `tune` into the processor's channels; channels it does not name are set flat.
    ///
    /// # Errors
    /// A channel that the car does not have, a rate beyond reason, a filter that cannot be, or a value that is not
    /// finite.
    pub fn set_tune(&mut self, tune: &Tune) -> Result<(), CarError> {
        check_rate(tune.sample_rate_hz)?;
        for channel in &tune.channels {
            self.channel_index(&channel.name)?;
            check_settings(channel)?;
        }
        self.tune = Some(tune.clone());
        Ok(())
    }

    /// Sets the processor flat.
    pub fn clear_tune(&mut self) {
        self.tune = None;
    }

    /// What is typed into the processor; `None` is flat.
    pub fn tune(&self) -> Option<&Tune> {
        self.tune.as_ref()
    }

    /// Puts the microphone at `position` in the head volume of seat number `seat`, counted from 0.
    ///
    /// # Errors
    /// [`CarError::NoSuchSeat`].
    pub fn set_microphone(&mut self, seat: usize, position: Position) -> Result<(), CarError> {
        let count = self.scenario.seats.len();
        let seat = self.scenario.seats.get(seat).ok_or(CarError::NoSuchSeat { asked: seat, count })?;
        self.microphone_m = place_of(seat, position.offset_m());
        Ok(())
    }

    /// Puts the microphone anywhere in the cabin, in its coordinates; kept inside the walls.
    pub fn set_microphone_at(&mut self, place_m: [f64; 3]) {
        self.microphone_m = std::array::from_fn(|i| place_m[i].clamp(0.0, self.scenario.cabin.size_m[i]));
    }

    /// Lets the recorder start this long before the player, give or take.
    pub fn set_recorder_lead_s(&mut self, lead_s: f64) {
        self.scenario.recorder.lead_s = lead_s.max(0.0);
    }

    /// Turns the gain of the recorder's line inputs.
    pub fn set_line_gain_db(&mut self, gain_db: f64) {
        self.scenario.recorder.line_gain_db = gain_db;
    }

    /// Turns the volume control.
    ///
    /// # Errors
    /// [`CarError::NoSuchStep`].
    pub fn set_volume(&mut self, step: u32) -> Result<(), CarError> {
        let highest = self.scenario.head_unit.volume.steps;
        if step > highest {
            return Err(CarError::NoSuchStep { asked: step, highest });
        }
        self.volume = step;
        Ok(())
    }

    /// Lets the volume control be turned during the next take: at each time, in seconds from the start of what is
    /// played, to that step, where it stays.
    ///
    /// # Errors
    /// [`CarError::NoSuchStep`].
    pub fn turn_volume(&mut self, mut turns: Vec<(f64, u32)>) -> Result<(), CarError> {
        let highest = self.scenario.head_unit.volume.steps;
        if let Some((_, asked)) = turns.iter().find(|(_, step)| *step > highest) {
            return Err(CarError::NoSuchStep { asked: *asked, highest });
        }
        turns.sort_by(|a, b| a.0.total_cmp(&b.0));
        self.turns = turns;
        Ok(())
    }

    /// Where the volume control stands.
    pub fn volume(&self) -> u32 {
        self.volume
    }

    /// Gives the head unit a stick, or takes it out. The head unit plays it from its beginning, and once, whenever
    /// something listens to the car; the turns of [`VirtualCar::turn_volume`] then count from where it begins to play.
    pub fn put_in(&mut self, stick: Option<Stick>) {
        self.stick = stick.map(Arc::new);
    }

    /// Mutes every processor channel but `name` for music; `None` lets all play. Outputs that lead straight to one
    /// channel are not affected.
    ///
    /// # Errors
    /// [`CarError::NoSuchChannel`].
    pub fn solo(&mut self, name: Option<&str>) -> Result<(), CarError> {
        self.solo = name.map(|name| self.channel_index(name)).transpose()?;
        Ok(())
    }

    /// Lets something happen in the next take only; `take` of the event is ignored.
    pub fn schedule(&mut self, event: ScriptedEvent) {
        self.scheduled.push(event);
    }

    /// What can be played on: music left, music right, then each processor channel alone.
    pub fn outputs(&self) -> Vec<String> {
        let music = ["music left", "music right"].map(String::from);
        music.into_iter().chain(self.scenario.channels.iter().map(|channel| channel.name.clone())).collect()
    }

    /// What can be recorded: microphone, reference, each head-unit output as it leaves the head unit, the same after
    /// the undoing that [`VirtualCar::set_undo`] typed in, each processor output, each sum of the input stage.
    pub fn inputs(&self) -> Vec<String> {
        let first = ["microphone", "reference"].map(String::from);
        let outputs = &self.scenario.head_unit.outputs;
        let factory = outputs.iter().map(|output| format!("head unit {}", output.name));
        let undone = outputs.iter().map(|output| format!("undone {}", output.name));
        let fitted = self.scenario.channels.iter().map(|channel| format!("processor {}", channel.name));
        let sums = self.input_stage.iter().flat_map(|stage| &stage.sums);
        let joined = sums.map(|sum| format!("joined {}", sum.name));
        first.into_iter().chain(factory).chain(undone).chain(fitted).chain(joined).collect()
    }

    /// The output that leads to the processor channel `name` alone.
    pub fn output_of_channel(&self, name: &str) -> Option<u16> {
        let index = self.channel_index(name).ok()?;
        u16::try_from(index + FIRST_CHANNEL_OUTPUT).ok()
    }

    /// The input called `name` in [`VirtualCar::inputs`].
    pub fn input_named(&self, name: &str) -> Option<u16> {
        self.inputs().iter().position(|known| known == name).and_then(|index| u16::try_from(index).ok())
    }

    /// The text of the microphone's calibration file.
    pub fn microphone_calibration(&self) -> String {
        microphone::calibration_file(&self.scenario.microphone)
    }

    pub(crate) fn channel_index(&self, name: &str) -> Result<usize, CarError> {
        let channels = &self.scenario.channels;
        channels.iter().position(|channel| channel.name == name).ok_or_else(|| CarError::NoSuchChannel {
            name: name.to_owned(),
            known: channels.iter().map(|channel| channel.name.as_str()).collect::<Vec<_>>().join(", "),
        })
    }

    /// The way through the cabin from a speaker to the microphone, computed once.
    pub(crate) fn path(&self, channel: usize, number: usize, rate_hz: f64) -> Option<Arc<Convolver>> {
        let speaker = self.scenario.channels.get(channel)?.speakers.get(number)?;
        let key = (channel, number, self.microphone_m.map(f64::to_bits), rate_hz.to_bits());
        let known = self.paths.lock().unwrap_or_else(PoisonError::into_inner).get(&key).cloned();
        if let Some(path) = known {
            return Some(path);
        }
        let cabin = &self.scenario.cabin;
        let response =
            crate::cabin::impulse_response(cabin, speaker.place_m, self.microphone_m, rate_hz, self.seed);
        let path = Arc::new(Convolver::new(&response));
        self.paths.lock().unwrap_or_else(PoisonError::into_inner).insert(key, Arc::clone(&path));
        Some(path)
    }
}

fn check_rate(rate_hz: f64) -> Result<(), CarError> {
    if TUNE_RATES_HZ.contains(&rate_hz) {
        return Ok(());
    }
    Err(CarError::Tune(format!("its rate of {rate_hz} Hz is outside 8000 to 384000")))
}

fn no_such_input(name: &str, known: &[&str]) -> CarError {
    CarError::Tune(format!("no input is called \"{name}\"; there are: {}", known.join(", ")))
}

/// Whether the undo channel called `name` acts on `output`.
pub(crate) fn acts_on(name: &str, output: &FactoryOutput) -> bool {
    let (left, right) = (output.feed.left != 0.0, output.feed.right != 0.0);
    name == output.name || (name == "left" && left && !right) || (name == "right" && right && !left)
}

fn check_settings(channel: &ChannelTune) -> Result<(), CarError> {
    let name = &channel.name;
    let crossovers = channel.crossovers.iter().map(|crossover| crossover.frequency_hz);
    if let Some(bad) =
        channel.crossovers.iter().find(|it| !(1..=8).contains(&it.order) || it.frequency_hz <= 0.0)
    {
        return Err(CarError::Tune(format!(
            "channel \"{name}\": a crossover of order {} at {} Hz; orders go from 1 to 8",
            bad.order, bad.frequency_hz
        )));
    }
    let numbers = channel.sections.iter().flat_map(|s| [s.frequency_hz, s.gain_db, s.q]);
    let taps = channel.fir.iter().flatten().copied();
    if !numbers.chain(taps).chain(crossovers).chain([channel.gain_db, channel.delay_ms]).all(f64::is_finite) {
        return Err(CarError::Tune(format!("channel \"{name}\" has a value that is not a number")));
    }
    if !(0.0..=1000.0).contains(&channel.delay_ms) {
        return Err(CarError::Tune(format!(
            "channel \"{name}\": a delay of {} ms is outside 0 to 1000",
            channel.delay_ms
        )));
    }
    match channel.sections.iter().find(|s| s.frequency_hz <= 0.0 || s.q <= 0.0) {
        Some(bad) => Err(CarError::Tune(format!(
            "channel \"{name}\": {} Hz with Q {} is not a filter; both must exceed 0",
            bad.frequency_hz, bad.q
        ))),
        None => Ok(()),
    }
}
