//! What is asked of the workers, and what they answer.

use std::path::PathBuf;
use std::sync::Arc;

use audio::rig::{DeviceFacts, Watch};
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::{LeftAlone, Tune};
use garage::finding::{Combine, Finding, Way};
use garage::rig::Calibration;
use garage::visit::CheckKind;
use job::factory::FactoryOrder;
use job::handover::Crossovers;
use job::source::stick::StickFormat;
use job::source::{Following, Line, Probe};
use job::voicing::{CrossoverAdvice, Joint, SeatShare};

use super::Curves;
use crate::state::{
    ByHand, CarLine, ChannelView, Listened, OpenVisit, Said, ScenarioLine, ScopeView, Sheet, Subject, Taken,
};

/// Asked of the disk: short, in order.
#[derive(Debug, Clone)]
pub enum DiskOrder {
    /// List the cars of a garage; make it when it is not there.
    List(PathBuf),
    /// Read a visit's records.
    Open(PathBuf),
    /// A new car and its first visit.
    Begin {
        /// The garage.
        garage: PathBuf,
        /// What the shop calls the car; a simulated one may go without.
        name: String,
        /// A simulated car.
        scenario: Option<String>,
    },
    /// Another visit of a car.
    NewVisit(PathBuf),
    /// The job card.
    SaveSheet {
        /// The visit.
        visit: PathBuf,
        /// All of it.
        sheet: Box<Sheet>,
    },
    /// A microphone's calibration.
    ReadCalibration(String),
    /// A processor's limits.
    ReadLimits(String),
    /// A target.
    ReadTarget(String),
    /// Keep a tune.
    SaveTune {
        /// The visit.
        visit: PathBuf,
        /// The tune.
        tune: Box<Tune>,
        /// In a few words.
        title: String,
        /// A sentence per subject.
        said: Vec<Said>,
        /// The tune it was made from.
        based_on: Option<u32>,
    },
    /// A line of the entry sheet.
    Tick {
        /// The visit.
        visit: PathBuf,
        /// The tune it belongs to.
        tune: u32,
        /// The line.
        key: String,
        /// Ticked or not.
        ticked: bool,
    },
    /// The files that a head unit is to play.
    SaveStick {
        /// The visit.
        visit: PathBuf,
        /// Where they go.
        to: PathBuf,
        /// How they are stored.
        format: StickFormat,
    },
    /// The sound cards there are, and the simulated cars.
    Devices,
}

/// Asked of the rig: one at a time, each can be stopped.
#[derive(Debug, Clone)]
pub struct SoundOrder {
    /// The visit.
    pub visit: PathBuf,
    /// What to do.
    pub what: Sound,
    /// Stops it, and says how far it is.
    pub watch: Arc<Watch>,
}

/// What the rig is asked to do.
#[derive(Debug, Clone)]
pub enum Sound {
    /// A check of rig or bay.
    Check(CheckKind),
    /// The factory's signal.
    Source,
    /// Take the factory's signal at several volume steps, and tones while the volume is turned up.
    VolumeSteps,
    /// A take at the seat.
    Take {
        /// Of what.
        subject: Subject,
        /// Where.
        position: String,
        /// The tune in the processor, for takes of the after.
        tune: Option<u32>,
        /// Whether the tuner says that the speakers are protected.
        crossovers: Crossovers,
        /// The first of this position: a cue before it says "go".
        first_here: bool,
        /// The last of this position: the cue afterwards says "move on".
        last_here: bool,
    },
    /// Record while the head unit plays by itself.
    Listen {
        /// What is recorded.
        line: Line,
        /// Where the probes are.
        probe: Probe,
        /// Says how far it is, and ends it.
        following: Arc<Following>,
    },
    /// Enter a tune into the processor.
    EnterTune(u32),
    /// Enter the undoing into the processor's input.
    EnterUndo,
}

/// Asked of the analysis.
#[derive(Debug, Clone)]
pub struct ThinkOrder {
    /// The visit.
    pub visit: PathBuf,
    /// What to work out.
    pub what: Think,
    /// Stops it, and says how far it is.
    pub watch: Arc<Watch>,
}

/// What is to be worked out.
#[derive(Debug, Clone)]
pub enum Think {
    /// Every channel's curves from the recordings.
    Curves,
    /// What the factory did.
    WorkOut,
    /// The same from recordings made outside the program.
    Recordings(Box<FactoryOrder>),
    /// Undo the factory the way that is named.
    Undo(Way),
    /// Keep a plan of the source's outputs that was changed by hand, and work the undoing out again for it.
    KeepPlan {
        /// The signal that is joined.
        signal: String,
        /// The plan.
        plan: Vec<Combine>,
    },
    /// The undoing of a plan as a hand has it at present.
    Rework {
        /// The number it is asked for under.
        number: u64,
        /// The finding whose plan it was.
        finding: Arc<Finding>,
        /// Its undoing.
        undo: Option<Box<Tune>>,
        /// What the processor can do.
        limits: Option<Box<Limits>>,
        /// The signal that is joined.
        signal: String,
        /// The plan.
        plan: Vec<Combine>,
    },
    /// The whole stage in one go.
    SetUp {
        /// The takes.
        curves: Arc<Curves>,
        /// Channels, target and limits.
        sheet: Box<Sheet>,
        /// What is there.
        tune: Option<Box<Tune>>,
        /// Its crossovers are kept; otherwise they are proposed, for the slopes it asks of speaker and filter together.
        keep: bool,
    },
    /// Levels, delays and polarity.
    Align {
        /// The takes.
        curves: Arc<Curves>,
        /// Channels and limits.
        sheet: Box<Sheet>,
        /// What is there; a new tune without.
        tune: Option<Box<Tune>>,
    },
    /// A correction.
    Propose {
        /// The takes.
        curves: Arc<Curves>,
        /// Target and limits.
        sheet: Box<Sheet>,
        /// What is there.
        tune: Box<Tune>,
        /// For this.
        scope: ScopeView,
    },
    /// Taps after the bands.
    Taps {
        /// The takes.
        curves: Arc<Curves>,
        /// Target and limits.
        sheet: Box<Sheet>,
        /// What is there.
        tune: Box<Tune>,
    },
    /// Filters that reach the slopes chosen for speaker and filter together.
    ReachSlopes {
        /// The takes.
        curves: Arc<Curves>,
        /// Channels, target and limits.
        sheet: Box<Sheet>,
        /// What is there.
        tune: Box<Tune>,
    },
    /// Every crossover joined again.
    Join {
        /// The takes.
        curves: Arc<Curves>,
        /// Channels, target and limits.
        sheet: Box<Sheet>,
        /// What is there.
        tune: Box<Tune>,
    },
    /// One tune for two seats.
    Seats {
        /// The takes at this seat.
        curves: Arc<Curves>,
        /// The visit with the takes at the other.
        other: PathBuf,
        /// Weight of this seat, 0 to 1.
        weight: f64,
        /// Channels, target and limits.
        sheet: Box<Sheet>,
    },
    /// A correction that keeps up with a target under the hand.
    Follow {
        /// Its number.
        number: u64,
        /// The takes.
        curves: Arc<Curves>,
        /// Target and limits.
        sheet: Box<Sheet>,
        /// What is there.
        tune: Box<Tune>,
        /// Taps too, for when the hand rests: they take several times as long as bands.
        taps: bool,
    },
    /// Before, after and predicted.
    Prove(u32),
    /// The report.
    Report(PathBuf),
}

/// Asked of the system's file dialog.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Question {
    /// The garage's folder.
    Garage,
    /// A calibration to read.
    Calibration,
    /// Where the report goes.
    Report,
}

/// One order for one worker.
#[derive(Debug, Clone)]
pub enum Order {
    /// For the disk.
    Disk(DiskOrder),
    /// For the rig.
    Sound(SoundOrder),
    /// For the analysis.
    Think(ThinkOrder),
    /// For the dialog.
    Ask(Question),
}

/// What a worker answers.
#[derive(Debug, Clone)]
pub enum Event {
    /// The cars of a garage.
    Listed {
        /// Its folder.
        folder: PathBuf,
        /// Its cars.
        cars: Vec<CarLine>,
        /// Lines about damaged records.
        damaged: Vec<String>,
    },
    /// A visit's records, opened or read again.
    Visit(Box<OpenVisit>),
    /// Sound cards.
    Devices(Vec<DeviceFacts>),
    /// Simulated cars.
    Scenarios(Vec<ScenarioLine>),
    /// A calibration.
    Calibration(Calibration),
    /// Limits.
    Limits(Limits),
    /// A target.
    Target(Target),
    /// A recording of the head unit.
    Listened(Box<Listened>),
    /// The files for the head unit are written.
    StickSaved(PathBuf),
    /// A take.
    Taken(Box<Taken>, Levels),
    /// A check or a step without a figure of its own.
    Ready(String),
    /// Every channel's curves.
    Curves(Arc<Curves>, Vec<ChannelView>, Vec<String>),
    /// A tune worked out.
    Tuned(Box<Tuned>),
    /// A correction that followed the target; nothing where none could be made.
    Followed {
        /// The number it was asked for under.
        number: u64,
        /// The tune.
        tune: Option<Box<Tune>>,
        /// Regions left alone.
        left_alone: Vec<LeftAlone>,
        /// What is said of its taps, where they were asked for.
        taps: Option<String>,
    },
    /// A plan's undoing; nothing where none could be made.
    Reworked {
        /// The number it was asked for under.
        number: u64,
        /// What came of it.
        made: Option<ByHand>,
    },
    /// A tune kept under a number.
    Kept(u32),
    /// A tune is in the processor.
    Entered(Option<u32>),
    /// The report.
    Report(PathBuf),
    /// The dialog's answer.
    Picked(Question, PathBuf),
    /// Stopped on request.
    Stopped,
    /// What went wrong, in one line.
    Failed(String),
}

/// A tune worked out, and what is said about it. What is not there stays as it was.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tuned {
    /// The tune.
    pub tune: Tune,
    /// A sentence per subject.
    pub said: Vec<Said>,
    /// Regions left alone.
    pub left_alone: Option<Vec<LeftAlone>>,
    /// How the bands were joined.
    pub joints: Option<Vec<Joint>>,
    /// Where to cross each channel.
    pub advice: Option<Vec<CrossoverAdvice>>,
    /// What this and the other seat gain or pay.
    pub seats: Option<(SeatShare, SeatShare)>,
}

/// Levels of a take.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Levels {
    /// Peak of the microphone.
    pub peak_dbfs: Option<f64>,
    /// Full scale was touched.
    pub clipped: bool,
    /// Sound level at the seat, where it is known.
    pub level_dba: Option<f64>,
}
