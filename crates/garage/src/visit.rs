//! One dated piece of work on one car.

use std::collections::BTreeSet;

use dsp::limits::Limits;
use dsp::stimulus::Recipe;
use dsp::target::Target;
use dsp::verdict::Verdict;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::conditions::Conditions;
use crate::fault::Invalid;
use crate::formats::document::Document;
use crate::rig::{Microphone, RigRecord};
use crate::rules;

/// The record of a visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Visit {
    /// The day, in local time.
    pub date: Date,
    /// Which visit of that day, from 1.
    pub number: u32,
    /// Who did the work: a first name or the shop's mark.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub tuner: String,
    /// The seat that is tuned for.
    #[serde(default)]
    pub seat: String,
    /// The state of car and bay.
    pub conditions: Conditions,
    /// Devices.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig: Option<RigRecord>,
    /// Microphone and calibration.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub microphone: Option<Microphone>,
    /// The fitted processor: its name in the tuner's words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub processor: String,
    /// What the processor can do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits: Option<Limits>,
    /// The curve aimed at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<Target>,
    /// What the head unit's own player was given to play: the recipe of the sweep.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head_unit_stimulus: Option<Recipe>,
    /// Where the microphone is put.
    pub positions: Vec<Position>,
    /// Checks that were made, the newest last.
    #[serde(default)]
    pub checks: Vec<Check>,
    /// How far each stage is.
    #[serde(default)]
    pub stages: Stages,
    /// What was typed into the processor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entry: Option<EntryTicks>,
    /// Anything worth knowing in two years.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<String>,
    /// True when any of it was simulated.
    #[serde(default)]
    pub simulated: bool,
}

/// A place for the microphone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// P1 and so on.
    pub name: String,
    /// Forward, left and up from the middle of the head, in metres.
    pub offset_m: [f64; 3],
    /// In words.
    pub words: String,
}

/// The five stages.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// What car, what rig, what wishes, is the bay fit?
    Intake,
    /// What did the factory do, and how is it undone?
    Source,
    /// What reaches the seat?
    Cabin,
    /// What settings?
    Voicing,
    /// Is it better, and how sure are we?
    Handover,
}

impl Stage {
    /// In working order.
    pub const ALL: [Self; 5] = [Self::Intake, Self::Source, Self::Cabin, Self::Voicing, Self::Handover];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::Intake => "Intake",
            Self::Source => "Source",
            Self::Cabin => "Cabin",
            Self::Voicing => "Voicing",
            Self::Handover => "Handover",
        }
    }
}

/// How far a stage is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StageState {
    /// Nothing yet.
    #[default]
    Open,
    /// Something is there.
    Begun,
    /// Complete.
    Done,
}

/// The state of each stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Stages {
    /// Intake.
    pub intake: StageState,
    /// Source.
    pub source: StageState,
    /// Cabin.
    pub cabin: StageState,
    /// Voicing.
    pub voicing: StageState,
    /// Handover.
    pub handover: StageState,
}

impl Stages {
    /// The state of `stage`.
    pub fn get(&self, stage: Stage) -> StageState {
        match stage {
            Stage::Intake => self.intake,
            Stage::Source => self.source,
            Stage::Cabin => self.cabin,
            Stage::Voicing => self.voicing,
            Stage::Handover => self.handover,
        }
    }

    /// Sets the state of `stage`.
    pub fn set(&mut self, stage: Stage, state: StageState) {
        match stage {
            Stage::Intake => self.intake = state,
            Stage::Source => self.source = state,
            Stage::Cabin => self.cabin = state,
            Stage::Voicing => self.voicing = state,
            Stage::Handover => self.handover = state,
        }
    }
}

/// What a check was about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CheckKind {
    /// Devices open, levels right.
    Rig,
    /// The bay is quiet enough.
    Noise,
    /// Every channel drives its speaker.
    RollCall,
    /// The tune was typed in right.
    Entry,
}

/// A check, with its outcome.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// What about.
    pub kind: CheckKind,
    /// When.
    pub made_at: Timestamp,
    /// The outcome.
    pub verdict: Verdict,
    /// Reasons and advice.
    #[serde(default)]
    pub remarks: Vec<String>,
    /// The figures behind it, as the check gives them.
    #[serde(default, skip_serializing_if = "Value::is_null")]
    pub figures: Value,
    /// True when simulated.
    #[serde(default)]
    pub simulated: bool,
}

/// The lines of the entry sheet that were ticked off.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct EntryTicks {
    /// The tune they belong to.
    pub tune: u32,
    /// Keys of [`crate::entry::EntryLine`].
    pub ticked: BTreeSet<String>,
}

impl Visit {
    /// A visit with nothing done yet: checklist unticked, nine positions.
    pub fn begin(date: Date) -> Self {
        Self {
            date,
            number: 1,
            tuner: String::new(),
            seat: "driver".to_owned(),
            conditions: Conditions::default(),
            rig: None,
            microphone: None,
            processor: String::new(),
            limits: None,
            target: None,
            head_unit_stimulus: None,
            positions: Position::nine(),
            checks: Vec::new(),
            stages: Stages::default(),
            entry: None,
            remarks: Vec::new(),
            simulated: false,
        }
    }

    /// The latest check of a kind.
    pub fn latest_check(&self, kind: CheckKind) -> Option<&Check> {
        self.checks.iter().rev().find(|check| check.kind == kind)
    }
}

impl Position {
    /// Nine places over the head volume of one seat: the middle, and the corners of a box around it 20 cm long, 24 cm
    /// wide and 12 cm high (common practice, no source: a head moves about that far while driving).
    pub fn nine() -> Vec<Self> {
        let corners = [
            ([0.10, 0.12, 0.06], "front left, high"),
            ([0.10, -0.12, 0.06], "front right, high"),
            ([-0.10, 0.12, 0.06], "back left, high"),
            ([-0.10, -0.12, 0.06], "back right, high"),
            ([0.10, 0.12, -0.06], "front left, low"),
            ([0.10, -0.12, -0.06], "front right, low"),
            ([-0.10, 0.12, -0.06], "back left, low"),
            ([-0.10, -0.12, -0.06], "back right, low"),
        ];
        std::iter::once(([0.0; 3], "middle of the head"))
            .chain(corners)
            .enumerate()
            .map(|(i, (offset_m, words))| Self {
                name: format!("P{}", i + 1),
                offset_m,
                words: words.to_owned(),
            })
            .collect()
    }
}

impl Document for Visit {
    const FORMAT: &'static str = "cabinwright-visit";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the visit.json of a visit in a garage";

    fn migrate(from: u64, fields: &mut Map<String, Value>) {
        // Version 0 had no number (one visit a day) and always measured the nine positions.
        if from == 0 {
            fields.entry("number").or_insert(Value::from(1));
            fields
                .entry("positions")
                .or_insert_with(|| serde_json::to_value(Position::nine()).unwrap_or_default());
        }
    }

    fn validate(&self) -> Result<(), Invalid> {
        if self.number == 0 {
            return Err(Invalid::new("number", "is 0", "visits of a day are counted from 1"));
        }
        rules::distinct(self.positions.iter().map(|it| it.name.as_str()), |i| {
            format!("positions[{i}].name")
        })?;
        if let Some(rig) = &self.rig {
            rules::sample_rate("rig.rate_hz", f64::from(rig.rate_hz))?;
            if rig.microphone_input == 0 || rig.reference_input == Some(0) {
                return Err(Invalid::new("rig", "names input 0", "inputs are counted from 1"));
            }
        }
        if let Some(calibration) = self.microphone.as_ref().and_then(|it| it.calibration.as_ref()) {
            rules::curve("microphone.calibration.curve", &calibration.curve)?;
        }
        if let Some(limits) = &self.limits {
            limits.validate().map_err(|invalid| invalid.within("limits"))?;
        }
        if let Some(Err(error)) = self.head_unit_stimulus.as_ref().map(Recipe::check) {
            return Err(Invalid::new("head_unit_stimulus", error.to_string(), "save the stimulus again"));
        }
        match &self.target {
            Some(target) => target.validate().map_err(|invalid| invalid.within("target")),
            None => Ok(()),
        }
    }
}
