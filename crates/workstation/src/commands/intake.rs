//! The job card.

use dsp::limits::PreRinging;
use garage::channels::Place;
use garage::visit::CheckKind;
use garage::{Role, Side};

/// An edit of one channel.
#[derive(Debug, Clone, PartialEq)]
pub enum ChannelEdit {
    /// What the tuner calls it.
    Name(String),
    /// Output on the connector, from 1.
    Output(u16),
    /// The speaker.
    Role(Role),
    /// Its side.
    Side(Side),
    /// Where it sits.
    Place(Place),
    /// A stimulus stays inside.
    SafeBand(f64, f64),
    /// Nothing at all below this.
    SafeFrequency(Option<f64>),
}

/// An edit of the rig.
#[derive(Debug, Clone, PartialEq)]
pub enum RigEdit {
    /// Output device.
    Output(String),
    /// Input device.
    Input(String),
    /// Rate of both.
    Rate(u32),
    /// Input the microphone is on, from 1.
    MicrophoneInput(u16),
    /// Input of the time reference, from 1.
    ReferenceInput(Option<u16>),
    /// Level of the stimuli.
    Level(f64),
    /// Nothing leaves the output above this.
    Ceiling(f64),
}

/// An edit of the job card.
#[derive(Debug, Clone, PartialEq)]
pub enum SheetEdit {
    /// What the shop calls the car.
    Name(String),
    /// Make and build.
    Description(String),
    /// What the customer wants.
    Wishes(String),
    /// Who does the work.
    Tuner(String),
    /// The seat that this visit is about.
    Seat(String),
    /// The processor, in the tuner's words.
    Processor(String),
    /// Name of the microphone.
    Microphone(String),
    /// Sound level that reads full scale.
    FullScale(Option<f64>),
    /// The devices.
    Rig(RigEdit),
    /// One channel.
    Channel(usize, ChannelEdit),
    /// One more channel.
    AddChannel,
    /// One channel less.
    RemoveChannel(usize),
    /// Tick a line of the checklist.
    Check(usize, bool),
    /// Tick a caution as read.
    Caution(usize, bool),
    /// Air in the cabin.
    Temperature(Option<f64>),
    /// A target of the house.
    Target(usize),
    /// Limits of the house.
    Limits(usize),
    /// How much the processor's taps may ring ahead of the sound.
    PreRinging(PreRinging),
}

impl SheetEdit {
    /// The field it belongs to: a run of edits in one field is one step to undo.
    pub fn field(&self) -> String {
        match self {
            Self::Channel(index, edit) => format!("channel {index} {:?}", std::mem::discriminant(edit)),
            Self::Rig(edit) => format!("rig {:?}", std::mem::discriminant(edit)),
            Self::Check(index, _) => format!("check {index}"),
            Self::Caution(index, _) => format!("caution {index}"),
            other => format!("{:?}", std::mem::discriminant(other)),
        }
    }
}

/// What can be asked of intake.
#[derive(Debug, Clone, PartialEq)]
pub enum IntakeCommand {
    /// Edit the sheet.
    Edit(SheetEdit),
    /// Look for sound cards again.
    ListDevices,
    /// Read a microphone calibration.
    LoadCalibration(String),
    /// Ask the system's own dialog for the calibration.
    BrowseCalibration,
    /// Read a processor's limits.
    LoadLimits(String),
    /// Read a target.
    LoadTarget(String),
    /// Check the rig or the bay.
    Check(CheckKind),
}

impl IntakeCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Edit(SheetEdit::AddChannel) => "Add channel",
            Self::Edit(SheetEdit::RemoveChannel(_)) => "Remove",
            Self::Edit(_) => "Edit",
            Self::ListDevices => "Look for devices",
            Self::LoadCalibration(_) => "Load calibration",
            Self::BrowseCalibration => "Choose file",
            Self::LoadLimits(_) => "Load limits",
            Self::LoadTarget(_) => "Load target",
            Self::Check(CheckKind::Rig) => "Check the rig",
            Self::Check(CheckKind::Noise) => "Check the bay",
            Self::Check(CheckKind::RollCall) => "Call the roll",
            Self::Check(CheckKind::Entry) => "Check the entry",
        }
        .into()
    }
}
