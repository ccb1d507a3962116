//! The tune.

use dsp::tune::{Crossover, Pass, Polarity, Section};

use crate::state::{Leaf, ScopeView};

/// An edit of the tune.
#[derive(Debug, Clone, PartialEq)]
pub enum TuneEdit {
    /// Level of a channel.
    Gain(String, f64),
    /// Delay of a channel, in milliseconds.
    Delay(String, f64),
    /// Polarity of a channel.
    Polarity(String, Polarity),
    /// One crossover of a channel.
    Crossover(String, usize, Crossover),
    /// One more crossover.
    AddCrossover(String, Crossover),
    /// One crossover less.
    RemoveCrossover(String, usize),
    /// Every crossover of a channel in place of what is there.
    Crossovers(String, Vec<Crossover>),
    /// The slope that speaker and filter are to have together at a crossover, on every side of it; the filter's own without.
    Slope(Vec<(String, Pass)>, Option<Crossover>),
    /// One filter of a channel.
    Section(String, usize, Section),
    /// One more filter.
    AddSection(String),
    /// One filter less.
    RemoveSection(String, usize),
    /// Every filter of a channel away.
    Clear(String),
}

impl TuneEdit {
    /// The field it belongs to: a run of edits in one field is one step to undo.
    pub fn field(&self) -> String {
        match self {
            Self::Gain(channel, _) => format!("gain {channel}"),
            Self::Delay(channel, _) => format!("delay {channel}"),
            Self::Polarity(channel, _) => format!("polarity {channel}"),
            Self::Crossover(channel, index, _) => format!("crossover {channel} {index}"),
            Self::AddCrossover(channel, crossover) => format!("add {:?} {channel}", crossover.pass),
            Self::RemoveCrossover(channel, index) => format!("remove crossover {channel} {index}"),
            Self::Crossovers(channel, _) => format!("crossovers {channel}"),
            Self::Slope(edges, _) => format!("slope {edges:?}"),
            Self::Section(channel, index, _) => format!("section {channel} {index}"),
            Self::AddSection(channel) => format!("add {channel}"),
            Self::RemoveSection(channel, index) => format!("remove {channel} {index}"),
            Self::Clear(channel) => format!("clear {channel}"),
        }
    }
}

/// An edit of the target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TargetEdit {
    /// Move a point.
    Point(usize, f64, f64),
    /// One more point, between this and the next.
    AddAfter(usize),
    /// One point less.
    Remove(usize),
    /// Half the corridor's height.
    Tolerance(f64),
}

/// What can be asked of the voicing stage.
#[derive(Debug, Clone, PartialEq)]
pub enum VoicingCommand {
    /// Show and correct this.
    Scope(ScopeView),
    /// List this channel's settings.
    Channel(String),
    /// The whole stage in one go: crossovers, arrivals, bands, levels, joints, and all together.
    SetUp,
    /// Levels, delays and polarity from the takes.
    Align,
    /// Every crossover joined again, where that is better.
    Join,
    /// Filters that reach the slopes chosen for speaker and filter together.
    ReachSlopes,
    /// A correction for the scope.
    Propose,
    /// Taps after the bands, or none.
    Taps(bool),
    /// Edit the tune.
    Edit(TuneEdit),
    /// Put this under the board.
    Turn(Leaf),
    /// The same, with the crossovers that are there.
    SetUpAgain,
    /// Hold two tunes side by side: the older, and the newer or the draft.
    Compare(Option<u32>, Option<u32>),
    /// Name the visit with the other seat's takes.
    OtherSeat(String),
    /// Weight of this seat, 0 to 1.
    Weight(f64),
    /// Work out a tune for both seats.
    ShareSeats,
    /// Let the correction follow while the target is shaped, or not.
    Follow(bool),
    /// Edit the target.
    Target(TargetEdit),
    /// Keep the tune under the next number.
    Save,
    /// Continue from a tune that was kept.
    Open(u32),
    /// Enter a tune into the processor.
    Enter(u32),
}

impl VoicingCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Scope(scope) => scope.name(),
            Self::Channel(name) => name.clone(),
            Self::SetUp => "Set it up".into(),
            Self::Align => "Align".into(),
            Self::Join => "Join again".into(),
            Self::ReachSlopes => "Find the filters".into(),
            Self::Propose => "Propose".into(),
            Self::Taps(_) => "FIR taps".into(),
            Self::Edit(TuneEdit::AddSection(_)) => "Add filter".into(),
            Self::Edit(TuneEdit::RemoveSection(..)) => "Remove".into(),
            Self::Edit(TuneEdit::Clear(_)) => "Clear filters".into(),
            Self::Turn(leaf) => leaf.name().into(),
            Self::SetUpAgain => "Set it up with these crossovers".into(),
            Self::Compare(..) => "Compare".into(),
            Self::OtherSeat(_) => "Other seat".into(),
            Self::Weight(_) => "Weight".into(),
            Self::ShareSeats => "Share the tune".into(),
            Self::Follow(_) => "The correction follows".into(),
            Self::Edit(TuneEdit::AddCrossover(_, crossover)) => match crossover.pass {
                Pass::High => "Add high-pass".into(),
                Pass::Low => "Add low-pass".into(),
            },
            Self::Edit(TuneEdit::RemoveCrossover(..)) => "Remove".into(),
            Self::Edit(TuneEdit::Crossovers(..)) => "Take the advice".into(),
            Self::Edit(_) => "Edit".into(),
            Self::Target(TargetEdit::AddAfter(_)) => "Add point".into(),
            Self::Target(TargetEdit::Remove(_)) => "Remove".into(),
            Self::Target(_) => "Edit the target".into(),
            Self::Save => "Save tune".into(),
            Self::Open(number) => format!("Continue from {number}"),
            Self::Enter(number) => format!("Enter tune {number}"),
        }
    }
}
