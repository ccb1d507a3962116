//! One output at a time, recorded while the head unit plays by itself: from a stick, a disc, a phone.

use audio::rig::{Wanted, Watch};
use dsp::measure::{Follower, ToneFollower};
use dsp::stimulus::Recipe;
use garage::take::{Heard, Recorded};
use garage::{TakeKind, TakeRecord};
use virtual_car::Stick;

use super::following::{Following, Progress, of_sweeps, of_tone};
use super::listened::judge;
use super::volume::{self, tone_name};
use super::{AFTER_UNDO, AT_VOLUME, FACTORY, JOINED, ONE_OUTPUT, Signal, UP_FROM, enter, stick};
use crate::error::JobError;
use crate::judged::Judged;
use crate::workplace::{Wish, Workplace};

/// What is recorded.
#[derive(Debug, Clone, PartialEq)]
pub enum Line {
    /// An output, at the volume that everything is measured at.
    Output(String),
    /// An output at another step of the volume control.
    AtVolume {
        /// The output.
        output: String,
        /// The step, as the head unit shows it.
        step: String,
    },
    /// An output while a tone plays and the volume is turned up a step at a time.
    TurnedUp {
        /// The output.
        output: String,
        /// The tone.
        frequency_hz: f64,
        /// The step it begins at.
        from: u32,
    },
    /// A joined signal, with the undoing typed in.
    Joined(String),
}

impl Line {
    /// The output or the joined signal.
    pub fn name(&self) -> &str {
        match self {
            Self::Output(name) | Self::Joined(name) => name,
            Self::AtVolume { output, .. } | Self::TurnedUp { output, .. } => output,
        }
    }

    /// What tells its takes from others: subject and label.
    pub fn of_takes(&self) -> (String, String) {
        match self {
            Self::Output(name) => (name.clone(), ONE_OUTPUT.to_owned()),
            Self::AtVolume { output, step } => (output.clone(), format!("{AT_VOLUME}{step}")),
            Self::TurnedUp { frequency_hz, from, .. } => {
                (tone_name(*frequency_hz), format!("{UP_FROM}{from}"))
            }
            Self::Joined(name) => (name.clone(), Signal::Undone.label().to_owned()),
        }
    }

    fn is_tone(&self) -> bool {
        matches!(self, Self::TurnedUp { .. })
    }

    /// As the recording names it.
    fn probed(&self, place: &Workplace) -> Result<String, JobError> {
        let probe = match self {
            Self::Joined(_) if place.folder.finding()?.is_some_and(|it| it.is_joined()) => JOINED,
            Self::Joined(_) => AFTER_UNDO,
            _ => FACTORY,
        };
        Ok(format!("{probe}{}", self.name()))
    }
}

/// Where the probes are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Probe {
    /// Input of the output that is recorded, counted from 1.
    pub input: u16,
    /// The output that stays where it is in every recording and gives them one time, and its input.
    pub reference: Option<(String, u16)>,
}

/// The name of an output or a signal without what a recording puts before it.
pub fn without_probe(line: &str) -> &str {
    [FACTORY, JOINED, AFTER_UNDO].iter().find_map(|probe| line.strip_prefix(probe)).unwrap_or(line)
}

/// The longest that is waited for somebody to press play.
const PATIENCE_S: f64 = 240.0;
/// The longest that somebody turns a volume control up.
const TURNING_S: f64 = 180.0;

/// Records `line` while the head unit plays; ends by itself when all of it has been heard, and keeps the take with what is
/// to be said of it. A take that must be made again takes no earlier one's place.
///
/// On the virtual car the probes are put in their places, the volume is set or turned, and its head unit plays; at a real
/// one the tuner does it.
///
/// # Errors
/// A real car for which no stimulus was saved, an output that is not there, a rig that fails, a disk that is full.
pub fn listen(
    place: &mut Workplace,
    line: &Line,
    probe: &Probe,
    following: &Following,
    watch: &Watch,
) -> Result<Judged<TakeRecord>, JobError> {
    let signal = if matches!(line, Line::Joined(_)) { Signal::Undone } else { Signal::AsItCame };
    enter(place, signal)?;
    let recorded = recorded(place, line, probe)?;
    let rate_hz = place.rig_record()?.rate_hz;
    let recipe = recipe(place, line)?;
    let plays_s = recipe.frames() as f64 / f64::from(recipe.rate_hz);
    let (subject, label) = line.of_takes();
    let wish = Wish {
        kind: TakeKind::Source,
        subject: Some(subject),
        position: None,
        label: Some(label),
        recipe: Some(recipe.clone()),
        driven: Vec::new(),
        recorded,
        tune: None,
        tail_s: 0.0,
    };
    let inputs = wish.recorded.len();
    let mut ear: Box<audio::rig::Ear<'_>> = if line.is_tone() {
        let mut follower = ToneFollower::new(rate_hz, inputs);
        Box::new(move |frames: &[f32]| wanted(following, of_tone(follower.hear(frames))))
    } else {
        let mut follower =
            Follower::new(&recipe, rate_hz, inputs).map_err(|error| JobError::Input(error.to_string()))?;
        let of = follower.sweeps();
        Box::new(move |frames: &[f32]| wanted(following, of_sweeps(follower.hear(frames), of)))
    };
    let longest_s = PATIENCE_S + if line.is_tone() { TURNING_S } else { plays_s };
    let turned = turn(place, line, &recipe)?;
    let taken = place.listen(wish, longest_s, &mut *ear, watch);
    drop(ear);
    if let (Some(stood), Some(car)) = (turned, place.rig.car()) {
        car.edit(|car| {
            car.put_in(None);
            car.set_volume(stood)
        })
        .map_err(|error| JobError::Input(error.to_string()))?;
    }
    judge(place, taken?, following.progress())
}

fn wanted(following: &Following, progress: Progress) -> Wanted {
    following.set(progress);
    let over = progress.is_over() || following.is_to_end();
    if over { Wanted::Enough } else { Wanted::More }
}

/// The reference first, where there is one and it is not what is recorded.
fn recorded(place: &Workplace, line: &Line, probe: &Probe) -> Result<Vec<Recorded>, JobError> {
    if line.name().trim().is_empty() {
        return Err(JobError::Input("an output without a name; give it one".into()));
    }
    let lines = place.rig.line_inputs();
    // The virtual car's probes are where its lines are.
    let input_of = |probed: &str, input: u16| {
        if !place.rig.is_simulated() {
            return Ok(input);
        }
        lines.iter().find(|(name, _)| name == probed).map(|(_, input)| *input).ok_or_else(|| {
            let known: Vec<&str> = lines.iter().filter_map(|(name, _)| name.strip_prefix(FACTORY)).collect();
            JobError::Input(format!(
                "the virtual car has no \"{probed}\"; its outputs are {}",
                known.join(", ")
            ))
        })
    };
    let probed = line.probed(place)?;
    let other = probe.reference.as_ref().filter(|(name, _)| format!("{FACTORY}{name}") != probed);
    // The output that stays where it is is recorded there.
    let input =
        if other.is_none() { probe.reference.as_ref().map_or(probe.input, |it| it.1) } else { probe.input };
    let own = Recorded { input: input_of(&probed, input)?, heard: Heard::Line, name: Some(probed) };
    let Some((name, input)) = other else { return Ok(vec![own]) };
    let name = format!("{FACTORY}{name}");
    let reference = Recorded { input: input_of(&name, *input)?, heard: Heard::Reference, name: Some(name) };
    if reference.input == own.input {
        return Err(JobError::Input(format!(
            "input {} is to hear the reference and {}; put them on two inputs",
            own.input,
            line.name()
        )));
    }
    Ok(vec![reference, own])
}

/// What the head unit plays.
fn recipe(place: &Workplace, line: &Line) -> Result<Recipe, JobError> {
    let rate_hz = place.rig_record()?.rate_hz;
    let saved = place.folder.record().head_unit_stimulus.clone();
    if let Line::TurnedUp { frequency_hz, .. } = line {
        return Ok(stick::tone(*frequency_hz, saved.map_or(rate_hz, |it| it.rate_hz)));
    }
    if place.rig.is_simulated() {
        return Ok(saved.unwrap_or_else(|| stick::sweep(&place.plan, rate_hz)));
    }
    saved.ok_or_else(|| {
        JobError::not_yet(
            "no stimulus was saved for the head unit to play",
            "save it under \"Record the outputs\" and play that file",
        )
    })
}

/// Sets the virtual head unit playing, its volume where `line` wants it; gives where that stood.
fn turn(place: &Workplace, line: &Line, recipe: &Recipe) -> Result<Option<u32>, JobError> {
    let Some(car) = place.rig.car() else { return Ok(None) };
    let rendered = recipe.render().map_err(|error| JobError::Input(error.to_string()))?;
    let mut channels = rendered.channels.into_iter();
    let left = channels.next().unwrap_or_default();
    let right = channels.next().unwrap_or_else(|| left.clone());
    let stick = Stick { rate_hz: rendered.rate_hz, sides: [left, right] };
    let volume = match line {
        Line::Output(_) | Line::Joined(_) => None,
        Line::AtVolume { step, .. } => Some((
            step.trim().parse::<u32>().map_err(|_| {
                JobError::Input(format!("\"{step}\" is no step of the virtual volume control; give a number"))
            })?,
            Vec::new(),
        )),
        Line::TurnedUp { from, .. } => Some((*from, volume::turns_from(car, *from))),
    };
    car.edit(|car| {
        let stood = car.volume();
        if let Some((step, turns)) = volume {
            car.set_volume(step)?;
            car.turn_volume(turns)?;
        }
        car.put_in(Some(stick));
        Ok(Some(stood))
    })
    .map_err(|error: virtual_car::CarError| JobError::Input(error.to_string()))
}
