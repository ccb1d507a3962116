//! The one next step, in a sentence, and the command that takes it.

use garage::take::TakeKind;
use garage::visit::CheckKind;
use job::source::Line;

use super::seat_plan::{next_position, plan};
use super::sheet::intake_lines;
use super::{Recorded, State, Subject, recorded};
use crate::commands::{
    CabinCommand, Command, GarageCommand, HandoverCommand, IntakeCommand, SourceCommand, VoicingCommand,
};
use crate::stages::{Stage, recordings_ready, recordings_wanted};
use crate::widgets::Mark;

/// What to do next.
#[derive(Debug, Clone, PartialEq)]
pub struct NextStep {
    /// One sentence.
    pub words: String,
    /// The command that does it, where one does.
    pub command: Option<Command>,
}

/// The next step of the stage on the screen.
pub fn next_step(state: &State) -> NextStep {
    let step = |words: &str, command: Option<Command>| NextStep { words: words.into(), command };
    let Some(open) = &state.open else {
        return if state.garage.listed.is_none() {
            step(
                "Open the folder that holds the shop's cars, or an empty one for a new garage.",
                Some(Command::Garage(GarageCommand::OpenFolder)),
            )
        } else if state.garage.new_car.is_ready() {
            step("Begin the new car and its first visit.", Some(Command::Garage(GarageCommand::BeginCar)))
        } else {
            step("Open a visit, or begin a new car.", None)
        };
    };
    match state.stage {
        Stage::Intake => intake(state),
        Stage::Source => match (&open.finding, open.current_takes().any(|t| t.kind == TakeKind::Source)) {
            (finding, _) if recordings_wanted(state) => recordings(state, finding.is_some()),
            (None, false) => step(
                "Connect the head unit's outputs to the inputs and take the factory signal.",
                Some(Command::Source(SourceCommand::Take)),
            ),
            (None, true) => {
                step("Work out what the factory did.", Some(Command::Source(SourceCommand::WorkOut)))
            }
            (Some(_), _) if !open.undo.is_empty() && !state.source.entered => step(
                "Read the findings, then put the undoing into the processor's input.",
                Some(Command::Source(SourceCommand::Enter)),
            ),
            (Some(_), _) => step("The source is known. Go on to the cabin.", Some(Command::Go(Stage::Cabin))),
        },
        Stage::Cabin => seat(state, "Every position is taken. Go on to voicing.", Stage::Voicing),
        Stage::Voicing => voicing(state),
        Stage::Handover => handover(state),
    }
}

/// At a real head unit the outputs are recorded one at a time, or elsewhere.
fn recordings(state: &State, found: bool) -> NextStep {
    let step = |words: String, command| NextStep { words, command };
    let probing = &state.source.probing;
    let output = |name: &&String| recorded(state, &Line::Output((*name).clone()));
    let missing = probing.outputs.iter().find(|name| output(name) == Recorded::Missing);
    let saved = state.open.as_ref().is_some_and(|open| open.visit.head_unit_stimulus.is_some());
    if let Some(listening) = &state.source.listening {
        return step(format!("Play the saved file: {}.", listening.following.progress().words()), None);
    }
    if found {
        let words = "Read the findings, type the undoing into the processor's inputs, record what leaves it, then go on to the cabin.";
        return step(words.into(), Some(Command::Go(Stage::Cabin)));
    }
    if recordings_ready(&state.source.recordings) {
        let command = Command::Source(SourceCommand::WorkOutRecordings);
        return step("Work out what the factory did.".into(), Some(command));
    }
    match missing {
        Some(name) if saved && !name.trim().is_empty() => step(
            format!("Put the probe on {name}, press record, then play the saved file."),
            Some(Command::Source(SourceCommand::Listen(Line::Output(name.trim().to_owned())))),
        ),
        Some(_) if saved => step("Give the output a name.".into(), None),
        None if !probing.outputs.is_empty() => {
            step("Work out what the factory did.".into(), Some(Command::Source(SourceCommand::WorkOut)))
        }
        _ if !saved => {
            let words =
                "Save the files to play and name the head unit's outputs; without a factory head unit go on.";
            step(words.into(), Some(Command::Go(Stage::Cabin)))
        }
        _ => {
            let words = "Name the head unit's outputs; without a factory head unit go on.";
            step(words.into(), Some(Command::Go(Stage::Cabin)))
        }
    }
}

fn intake(state: &State) -> NextStep {
    let visit = state.open.as_ref().map(|open| &open.visit);
    let lines = intake_lines(&state.draft.sheet, visit);
    let Some(open) = lines.iter().find(|line| matches!(line.mark, Mark::Open | Mark::Again)) else {
        return NextStep {
            words: "Every line has its mark: the car is ready to measure.".into(),
            command: Some(Command::Go(Stage::Source)),
        };
    };
    let check = |kind| Some(Command::Intake(IntakeCommand::Check(kind)));
    let (words, command) = match open.name {
        "Rig check" => (
            "Put the microphone at the head and check the rig: a quiet sweep on each channel.".into(),
            check(CheckKind::Rig),
        ),
        "Bay check" => {
            ("Be quiet for ten seconds while the bay's noise is measured.".into(), check(CheckKind::Noise))
        }
        name => (format!("{name}: {}.", open.words), None),
    };
    NextStep { words, command }
}

fn seat(state: &State, done: &str, then: Stage) -> NextStep {
    match next_position(state) {
        Some(at) if !at.missing.is_empty() => NextStep {
            words: format!(
                "Hold the microphone at {}, {}, and take {}.",
                at.position,
                at.words,
                counted(&at.missing)
            ),
            command: Some(Command::Cabin(CabinCommand::Take)),
        },
        _ => crossovers(state)
            .unwrap_or_else(|| NextStep { words: done.into(), command: Some(Command::Go(then)) }),
    }
}

/// Before whole sides at a real car, where any is still to be taken.
fn crossovers(state: &State) -> Option<NextStep> {
    let waits = plan(state).iter().any(|at| !at.held_back.is_empty());
    waits.then(|| NextStep {
        words: "Whole sides come next, and play their lowest notes to every output. Type the crossovers into the processor, connect \
                outputs 1 and 2 to its inputs and never to an amplifier, then say so."
            .into(),
        command: Some(Command::Cabin(CabinCommand::CrossoversIn(true))),
    })
}

/// `front left woofer`, `5 channels`, `5 channels and both sides`.
fn counted(missing: &[Subject]) -> String {
    if let [one] = missing {
        return one.name();
    }
    let channels = missing.iter().filter(|s| matches!(s, Subject::Channel(_))).count();
    let sides = missing.len() - channels;
    let mut parts = Vec::new();
    match channels {
        0 => {}
        1 => parts.push("one channel".to_owned()),
        n => parts.push(format!("{n} channels")),
    }
    match sides {
        0 => {}
        1 => parts.push("one side".to_owned()),
        _ => parts.push("both sides".to_owned()),
    }
    parts.join(" and ")
}

fn voicing(state: &State) -> NextStep {
    let step =
        |words: &str, command| NextStep { words: words.into(), command: Some(Command::Voicing(command)) };
    let Some(open) = &state.open else { return NextStep { words: String::new(), command: None } };
    if state.cabin.channels.is_empty() {
        return NextStep {
            words: "Take the cabin's positions first.".into(),
            command: Some(Command::Go(Stage::Cabin)),
        };
    }
    let Some(tune) = &state.draft.tune else {
        return step(
            "Have it set up from the takes, then read what was done and why.",
            VoicingCommand::SetUp,
        );
    };
    if tune.channels.iter().all(|c| c.sections.is_empty() && c.fir.is_none()) {
        return step("Shape the target if you like, then propose a correction.", VoicingCommand::Propose);
    }
    let saved = open.latest_tune().filter(|saved| saved.tune == *tune);
    match saved {
        None => step("Read the prediction, edit what you like, then save the tune.", VoicingCommand::Save),
        Some(saved) if state.voicing.in_processor != Some(saved.record.number) => {
            step("Enter the tune into the processor.", VoicingCommand::Enter(saved.record.number))
        }
        Some(_) => NextStep {
            words: "The tune is in the processor. Go and prove it.".into(),
            command: Some(Command::Go(Stage::Handover)),
        },
    }
}

fn handover(state: &State) -> NextStep {
    let step = |words: &str, command| NextStep { words: words.into(), command };
    let Some(open) = &state.open else { return step("", None) };
    if open.latest_tune().is_none() {
        return step("Save a tune in voicing first.", Some(Command::Go(Stage::Voicing)));
    }
    let missing = next_position(state).filter(|at| !at.missing.is_empty());
    if open.proof.is_none()
        && let Some(at) = missing
    {
        return step(
            &format!(
                "With the tune entered, hold the microphone at {}, {}, and take {}.",
                at.position,
                at.words,
                counted(&at.missing)
            ),
            Some(Command::Cabin(CabinCommand::Take)),
        );
    }
    if open.proof.is_none()
        && let Some(step) = crossovers(state)
    {
        return step;
    }
    if open.proof.is_none() {
        return step("Work out before and after.", Some(Command::Handover(HandoverCommand::Prove)));
    }
    match &state.handover.written {
        None => step(
            "Show the customer, then write the report.",
            Some(Command::Handover(HandoverCommand::WriteReport)),
        ),
        Some(_) => step("The report is written. The work is done.", Some(Command::ShowCustomer(true))),
    }
}
