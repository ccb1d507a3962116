//! The factory's signal.

use garage::finding::{Combine, Way};
use job::source::Line;

use crate::state::{Probing, Recordings};

/// What can be asked of the source stage.
#[derive(Debug, Clone, PartialEq)]
pub enum SourceCommand {
    /// Play through the head unit and record its outputs.
    Take,
    /// Find out what the factory did.
    WorkOut,
    /// Name recordings that were made outside the program.
    Name(Recordings),
    /// Find out what the factory did from recordings.
    WorkOutRecordings,
    /// Change what is to be recorded from the head unit.
    Probe(Probing),
    /// Write the files that the head unit is to play.
    SaveStick,
    /// Record while the head unit plays by itself.
    Listen(Line),
    /// End the recording under way and keep it.
    EndListening,
    /// Show the outputs in place of the curves, or the curves.
    ShowOutputs(bool),
    /// Put the undoing into the processor's input.
    Enter,
    /// Take the signal at several volume steps, and tones while the volume is turned up.
    TakeVolume,
    /// Put one joined signal on the board.
    Signal(String),
    /// Put one output on top.
    Show(Option<String>),
    /// Change how the outputs are joined; back to the finding's own plan without.
    Plan(Option<Vec<Combine>>),
    /// Keep the changed plan, with an undoing worked out for it.
    KeepPlan,
    /// Undo the factory by bands alone, or by bands and taps.
    Undo(Way),
}

impl SourceCommand {
    /// A verb, in sentence case.
    pub fn label(&self) -> String {
        match self {
            Self::Take => "Take the factory signal".into(),
            Self::TakeVolume => "Take the volume steps".into(),
            Self::Signal(name) => format!("Signal {name}"),
            Self::WorkOut => "Work it out".into(),
            Self::Name(_) => "Name recordings".into(),
            Self::Probe(_) => "Change what is recorded".into(),
            Self::SaveStick => "Save the files to play".into(),
            Self::Listen(Line::Output(name)) => format!("Record output {name}"),
            Self::Listen(Line::AtVolume { output, step }) => format!("Record {output} at volume {step}"),
            Self::Listen(Line::TurnedUp { frequency_hz, output, .. }) => {
                format!("Record {output} turned up at {frequency_hz} Hz")
            }
            Self::Listen(Line::Joined(name)) => format!("Record the joined signal {name}"),
            Self::EndListening => "That was all".into(),
            Self::ShowOutputs(true) => "Show the outputs".into(),
            Self::ShowOutputs(false) => "Show the curves".into(),
            Self::WorkOutRecordings => "Work the recordings out".into(),
            Self::Enter => "Enter the undoing".into(),
            Self::Show(None) => "All outputs".into(),
            Self::Show(Some(name)) => name.clone(),
            Self::Plan(None) => "Back to the plan found".into(),
            Self::Plan(Some(_)) => "Change the plan".into(),
            Self::KeepPlan => "Keep this plan".into(),
            Self::Undo(way) => format!("Undo by {}", way.words()),
        }
    }
}
