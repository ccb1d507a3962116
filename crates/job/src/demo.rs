//! The whole job on the virtual car, from an empty garage to a proof.

use std::path::{Path, PathBuf};

use audio::rig::Watch;
use dsp::verdict::Verdict;
use garage::proof::{Change, Distance, Proof, ProofSide};
use garage::{Side, Simulation, Stage, StageState, VisitFolder};
use jiff::Timestamp;
use jiff::civil::{Date, date};
use serde::Serialize;

use crate::cabin::{self, CabinCurves};
use crate::error::JobError;
use crate::handover::{self, Crossovers};
use crate::intake;
use crate::judged::Judged;
use crate::plan::SweepPlan;
use crate::source::{self, Signal, limits_of, side_name};
use crate::voicing::{self, Wish};
use crate::workplace::{WorkClock, Workplace};

/// The day of every demo: what it writes is the same whenever it is run.
const DAY: Date = date(2026, 3, 14);
/// 09:00 UTC of that day.
const BEGINS_S: i64 = 1_773_478_800;

/// What to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DemoOrder {
    /// The garage to make it in.
    pub garage: PathBuf,
    /// Which invented car, and the seed of everything random.
    pub simulation: Simulation,
    /// How much of the job.
    pub extent: Extent,
}

/// How much of the job a demo does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Extent {
    /// All of it, nine positions.
    #[default]
    Whole,
    /// All of it with the shortest sweeps, at four positions, the proof without a loop-back.
    Short,
    /// The rig check and every channel at the first position, with the shortest sweeps, without a loop-back; the rest is
    /// still to do.
    Begun,
}

impl Extent {
    /// What is measured before and after; both sides playing together are left out where a visit must be small.
    fn proved(self) -> &'static [Side] {
        match self {
            Self::Whole => &[Side::Left, Side::Right, Side::Both],
            Self::Short | Self::Begun => &[Side::Left, Side::Right],
        }
    }

    fn positions(self) -> usize {
        match self {
            Self::Whole => usize::MAX,
            Self::Short => 4,
            Self::Begun => 1,
        }
    }
}

/// What came of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// Always true: nothing here was measured in a real car.
    pub simulated: bool,
    /// The invented car.
    pub scenario: String,
    /// Seed of everything random.
    pub seed: u64,
    /// Where the visit is kept.
    pub visit: PathBuf,
    /// The tune that was proved, where it came to that.
    pub tune: Option<u32>,
    /// Each side.
    pub sides: Vec<SideSummary>,
    /// Both sides playing, where that was measured.
    pub whole: Option<SideSummary>,
    /// What the customer is told.
    pub sentences: Vec<String>,
}

/// Distances of one side from the target.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideSummary {
    /// "left", "right" or "whole".
    pub side: String,
    /// As the car came.
    pub rms_error_db_before: Figure,
    /// Measured with the tune.
    pub rms_error_db_after: Option<Figure>,
    /// Predicted with the tune.
    pub rms_error_db_predicted: Option<Figure>,
    /// Before minus after; its interval is of the difference itself.
    pub gained_db: Option<Figure>,
    /// What may be said of before and after.
    pub change: &'static str,
    /// The band the figures are over.
    pub band_hz: (f64, f64),
    /// Positions that were averaged.
    pub positions: u32,
}

/// A figure with its own uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// Half-width of its 95 % interval.
    pub half_width_95: f64,
}

/// Does the five stages on an invented car; `say` hears what is going on.
///
/// # Errors
/// A scenario that is not there, a garage that holds other things, a full disk, or stopped.
pub fn run(order: &DemoOrder, say: &mut dyn FnMut(&str), watch: &Watch) -> Result<Judged<Summary>, JobError> {
    let mut work = begin(order)?;
    let mut remarks = Vec::new();
    let mut verdict = Verdict::Good;
    let mut hear = |stage: &str, heard: Verdict, said: Vec<String>| {
        verdict = verdict.max(heard);
        remarks.extend(said.into_iter().map(|words| format!("{stage}: {words}")));
    };

    say("Intake: checking rig and bay");
    let rig = intake::check_rig(&mut work, watch)?;
    hear("Rig", rig.verdict, rig.remarks);
    if order.extent == Extent::Begun {
        let stages = [Stage::Intake, Stage::Cabin];
        stages.iter().try_for_each(|&stage| set(&mut work.folder, stage, StageState::Begun))?;
    } else {
        let bay = intake::check_bay(&mut work, watch)?;
        hear("Bay", bay.verdict, bay.remarks);
        done(&mut work.folder, Stage::Intake)?;
        let found = undo_the_factory(&mut work, order.extent, say, watch)?;
        hear("Source", found.verdict, found.remarks);
    }

    let channels: Vec<String> =
        work.folder.car().channel_map.channels.iter().map(|it| it.name.clone()).collect();
    let positions: Vec<String> = work.folder.record().positions.iter().map(|it| it.name.clone()).collect();
    let positions = positions.get(..order.extent.positions()).unwrap_or(&positions);
    let mut doubts = Doubts::default();
    for position in positions {
        for channel in &channels {
            say(&format!("Cabin: {position}, {channel}"));
            let taken = cabin::take(&mut work, channel, position, watch)?;
            if taken.verdict != Verdict::Good {
                doubts.hear(channel, position, &taken);
            }
        }
    }
    for (subject, verdict, words) in doubts.told() {
        hear(&subject, verdict, vec![words]);
    }
    if order.extent == Extent::Begun {
        let result = summary(order, &work.folder, None);
        return Ok(Judged { result, verdict, remarks });
    }
    if order.extent == Extent::Short {
        without_loop_back(&mut work.folder)?;
    }
    if order.extent == Extent::Short && channels.len() > FEW {
        work.plan = SweepPlan { seconds: SOFT_S, gap_s: QUIET_S, ..work.plan };
    }
    let scopes = order.extent.proved();
    for position in positions {
        take_sides(&mut work, (position, scopes), None, "before", say, watch)?;
    }
    say("Cabin: averaging");
    let curves = cabin::curves(&work.folder, watch)?;
    hear("Cabin", curves.verdict, curves.remarks);
    done(&mut work.folder, Stage::Cabin)?;

    say("Voicing: levels, delays, correction");
    let voiced = voice(&work, &curves.result)?;
    hear("Voicing", voiced.verdict, voiced.remarks);
    let voicing::SetUp { tune, reasons, .. } = voiced.result;
    let number = voicing::save_tune(&work.folder, &mut work.clock, &tune, "Demo", reasons, None)?;
    done(&mut work.folder, Stage::Voicing)?;

    for position in positions {
        take_sides(&mut work, (position, scopes), Some(number), "after", say, watch)?;
    }
    say("Handover: proof");
    let proof = handover::prove(&work.folder, &mut work.clock, number, watch)?;
    hear("Proof", proof.verdict, proof.remarks);
    done(&mut work.folder, Stage::Handover)?;
    let summary = summary(order, &work.folder, Some(&proof.result));
    Ok(Judged { result: summary, verdict, remarks })
}

/// What was said of takes at several positions, each thing once for each channel.
#[derive(Default)]
struct Doubts(Vec<Doubt>);

struct Doubt {
    channel: String,
    /// With figures left out: the same trouble at another position has other figures.
    kind: String,
    words: String,
    verdict: Verdict,
    positions: Vec<String>,
}

impl Doubts {
    fn hear(&mut self, channel: &str, position: &str, taken: &Judged<cabin::CabinTake>) {
        for words in &taken.remarks {
            // The take's number says nothing to somebody who reads the whole.
            let words = words.strip_prefix(&format!("take {}: ", taken.result.id)).unwrap_or(words);
            let kind: String = words.chars().filter(|letter| letter.is_alphabetic()).collect();
            let same = |it: &&mut Doubt| it.channel == channel && it.kind == kind;
            match self.0.iter_mut().find(same) {
                Some(doubt) => {
                    doubt.verdict = doubt.verdict.max(taken.verdict);
                    doubt.positions.push(position.to_owned());
                }
                None => self.0.push(Doubt {
                    channel: channel.to_owned(),
                    kind,
                    words: words.to_owned(),
                    verdict: taken.verdict,
                    positions: vec![position.to_owned()],
                }),
            }
        }
    }

    /// Where, how bad, and what.
    fn told(self) -> impl Iterator<Item = (String, Verdict, String)> {
        self.0.into_iter().map(|it| {
            let subject = match it.positions.as_slice() {
                [first, _, ..] => format!("{} at {first} and {} more", it.channel, it.positions.len() - 1),
                some => format!("{} at {}", it.channel, some.join(", ")),
            };
            (subject, it.verdict, it.words)
        })
    }
}

/// So many channels have rung out in the shortest gap; more of them together leave no quiet in it to know the noise by.
const FEW: usize = 4;
/// They have in this one.
const QUIET_S: f64 = 0.5;
/// With a tune they play softer, too, by more than 10 dB where much is cut: so long a sweep stands clear of the noise.
const SOFT_S: f64 = 6.0;
/// A short demo's recorder starts this long before the player: enough silence to know the noise by.
const PROMPT_S: f64 = 0.1;

fn begin(order: &DemoOrder) -> Result<Workplace, JobError> {
    let mut folder = intake::begin_simulated(&order.garage, &order.simulation, DAY)?;
    folder.update(|visit| {
        visit.tuner = "demo".into();
        visit.conditions.temperature_c = Some(20.0);
        let lines = visit.conditions.checklist.iter_mut().chain(&mut visit.conditions.cautions);
        lines.for_each(|line| line.met = true);
    })?;
    let start = Timestamp::from_second(BEGINS_S).map_err(|error| JobError::Input(error.to_string()))?;
    let mut work = Workplace { clock: WorkClock::Stepped(start), ..Workplace::open(folder)? };
    if order.extent != Extent::Whole {
        work.plan = SweepPlan::shortest();
        if let Some(car) = work.rig.car() {
            car.edit(|car| car.set_recorder_lead_s(PROMPT_S));
        }
    }
    if order.extent == Extent::Begun {
        without_loop_back(&mut work.folder)?;
    }
    Ok(work)
}

/// Levels need no time reference, and half of every recording is saved.
fn without_loop_back(folder: &mut VisitFolder) -> Result<(), JobError> {
    Ok(folder.update(|visit| visit.rig.iter_mut().for_each(|rig| rig.reference_input = None))?)
}

fn undo_the_factory(
    work: &mut Workplace,
    extent: Extent,
    say: &mut dyn FnMut(&str),
    watch: &Watch,
) -> Result<Judged<()>, JobError> {
    say("Source: the factory's signal as it comes");
    source::take(work, Signal::AsItCame, watch)?;
    if extent == Extent::Whole {
        for step in source::volumes_to_take(work)? {
            say(&format!("Source: volume {step}"));
            source::take_at_volume(work, step, watch)?;
        }
        for tone_hz in source::TONES_HZ {
            say(&format!("Source: volume turned up, {tone_hz} Hz"));
            source::turn_up(work, tone_hz, watch)?;
        }
    }
    let found = source::work_out(&work.folder, &mut work.clock, watch)?;
    let mut judged = Judged { result: (), verdict: found.verdict, remarks: found.remarks };
    if found.result.tune.is_some() {
        say("Source: undone");
        source::take(work, Signal::Undone, watch)?;
        let checked = source::check(&work.folder)?;
        judged = Judged { result: (), verdict: checked.verdict, remarks: checked.remarks };
    }
    done(&mut work.folder, Stage::Source)?;
    Ok(judged)
}

fn take_sides(
    work: &mut Workplace,
    (position, sides): (&str, &[Side]),
    tune: Option<u32>,
    words: &str,
    say: &mut dyn FnMut(&str),
    watch: &Watch,
) -> Result<(), JobError> {
    for &side in sides {
        if work
            .folder
            .car()
            .channel_map
            .channels
            .iter()
            .any(|it| it.side == side || it.side == Side::Both || side == Side::Both)
        {
            say(&format!("Proof: {words}, {position}, {}", side_name(side)));
            handover::take(work, side, position, tune, Crossovers::NotSaid, watch)?;
        }
    }
    Ok(())
}

/// Set up for the driver, as the one button does it.
fn voice(work: &Workplace, curves: &CabinCurves) -> Result<Judged<voicing::SetUp>, JobError> {
    let limits = limits_of(&work.folder)?;
    let target = work.folder.record().target.clone().unwrap_or_else(intake::default_target);
    let temperature_c = work.folder.record().conditions.temperature_c;
    let wish = Wish { temperature_c, ..Wish::default() };
    voicing::set_up(curves, &work.folder.car().channel_map, &target, limits, &wish)
}

fn set(folder: &mut VisitFolder, stage: Stage, state: StageState) -> Result<(), JobError> {
    Ok(folder.update(|visit| visit.stages.set(stage, state))?)
}

fn done(folder: &mut VisitFolder, stage: Stage) -> Result<(), JobError> {
    set(folder, stage, StageState::Done)
}

fn summary(order: &DemoOrder, folder: &VisitFolder, proof: Option<&Proof>) -> Summary {
    Summary {
        simulated: true,
        scenario: order.simulation.scenario.clone(),
        seed: order.simulation.seed,
        visit: relative(folder.path(), &order.garage),
        tune: proof.map(|it| it.tune),
        sides: proof.map_or_else(Vec::new, |it| it.sides.iter().map(side_summary).collect()),
        whole: proof.and_then(|it| it.whole.as_ref()).map(side_summary),
        sentences: proof.map_or_else(Vec::new, |it| it.sentences.clone()),
    }
}

fn side_summary(side: &ProofSide) -> SideSummary {
    let figure = |it: Distance| Figure { value: it.rms_error_db, half_width_95: it.half_width_db };
    SideSummary {
        side: side.name.clone(),
        rms_error_db_before: figure(side.errors.before),
        rms_error_db_after: side.errors.after.map(figure),
        rms_error_db_predicted: side.errors.predicted.map(figure),
        gained_db: side.errors.gain().map(figure),
        change: match side.errors.change() {
            Change::Better => "better",
            Change::NotDistinguishable => "not distinguishable",
            Change::Worse => "worse",
            Change::NotMeasured => "not measured",
        },
        band_hz: side.band_hz,
        positions: side.positions,
    }
}

/// The visit as seen from the garage, so that a summary does not depend on where it was made.
fn relative(visit: &Path, garage: &Path) -> PathBuf {
    visit.strip_prefix(garage).unwrap_or(visit).to_owned()
}
