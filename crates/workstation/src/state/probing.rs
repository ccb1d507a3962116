//! The head unit's outputs as they are recorded one at a time, while it plays by itself.

use dsp::verdict::Verdict;
use garage::TakeRecord;
use garage::take::{Heard, TakeKind};
use job::source::stick::StickFormat;
use job::source::{Line, Probe};

use super::{OpenVisit, State};

/// What is to be recorded, and how.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Probing {
    /// The outputs by name; where one stays on its input, it is the first.
    pub outputs: Vec<String>,
    /// The input on which the first output stays in every recording.
    pub stays_on: Option<u16>,
    /// The input that the others move through.
    pub input: u16,
    /// Other steps of the volume control, as the head unit shows them.
    pub steps: Vec<String>,
    /// The output that is recorded at those.
    pub steps_of: usize,
    /// The step from which the volume is turned up while a tone plays.
    pub turned_from: u32,
    /// The output that is recorded meanwhile, for each tone.
    pub tones_of: [usize; 2],
    /// How the files for the stick are stored.
    pub format: StickFormat,
    /// Where they go.
    pub folder: String,
}

/// What was said of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct Listened {
    /// What was recorded.
    pub line: Line,
    /// How good it is.
    pub verdict: Verdict,
    /// Why, and what to do.
    pub remarks: Vec<String>,
}

impl Probing {
    /// As the records of a visit have it: outputs that were recorded, and those that a virtual head unit has.
    pub fn of(visit: &OpenVisit) -> Self {
        let simulation = visit.visit.rig.as_ref().and_then(|rig| rig.simulation.as_ref());
        let mut outputs = simulation.and_then(|it| job::rig::head_unit_outputs(it).ok()).unwrap_or_default();
        let (_, label) = Line::Output(String::new()).of_takes();
        for take in visit.takes.iter().filter(|take| take.label.as_ref() == Some(&label)) {
            let stays = take.recorded.iter().find(|it| it.heard == Heard::Reference);
            let stays = stays.and_then(|it| it.name.as_deref()).map(job::source::without_probe);
            for (name, first) in
                stays.map(|it| (it, true)).into_iter().chain(take.subject.as_deref().map(|it| (it, false)))
            {
                let known = outputs.iter().position(|it| it == name);
                let at = known.unwrap_or_else(|| {
                    outputs.push(name.to_owned());
                    outputs.len() - 1
                });
                if first {
                    let name = outputs.remove(at);
                    outputs.insert(0, name);
                }
            }
        }
        let format = visit.visit.head_unit_stimulus.as_ref();
        let format = format.map_or_else(StickFormat::default, |it| StickFormat {
            rate_hz: it.rate_hz,
            ..StickFormat::default()
        });
        Self { outputs, stays_on: Some(1), input: 2, turned_from: 1, format, ..Self::default() }
    }

    /// Where the probes are.
    pub fn probe(&self) -> Probe {
        let first = self.outputs.first().filter(|_| self.outputs.len() > 1);
        Probe { input: self.input, reference: first.cloned().zip(self.stays_on) }
    }
}

/// What there is of a line: nothing, its latest recording, and whether one counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Recorded {
    /// Not yet.
    Missing,
    /// In the recordings of the others, which it is the reference of.
    Beside,
    /// By itself.
    Is(Verdict),
}

/// How far `line` is, from the records.
pub fn recorded(state: &State, line: &Line) -> Recorded {
    let Some(open) = &state.open else { return Recorded::Missing };
    let (subject, label) = line.of_takes();
    let current = || {
        open.takes.iter().filter(|take| {
            take.kind == TakeKind::Source && take.is_current() && take.label.as_ref() == Some(&label)
        })
    };
    let own = |take: &&TakeRecord| take.subject.as_ref() == Some(&subject);
    // One that must be made again takes the place of none that is good.
    let good = current().filter(own).rfind(|take| take.verdict != Verdict::Retake);
    if let Some(take) = good.or_else(|| current().rfind(own)) {
        return Recorded::Is(take.verdict);
    }
    let beside = |take: &TakeRecord| {
        let reference = take.recorded.iter().find(|it| it.heard == Heard::Reference);
        let name = reference.and_then(|it| it.name.as_deref()).map(job::source::without_probe);
        take.verdict != Verdict::Retake && name == Some(line.name())
    };
    if matches!(line, Line::Output(_)) && current().any(beside) {
        Recorded::Beside
    } else {
        Recorded::Missing
    }
}
