//! The source stage.

use std::path::PathBuf;
use std::sync::Arc;

use dsp::curve::Curve;
use dsp::limits::Limits;
use garage::finding::Combine;
use job::factory::{CaptureRef, FactoryOrder};
use job::source::{Following, Line};

use super::{Asked, Listened, Probing};

/// One recording of one output, or of one volume step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recording {
    /// The output's name, or the step's label.
    pub name: String,
    /// The file.
    pub file: String,
    /// The input it is on in that file, from 1.
    pub input: usize,
}

/// Line-level recordings made outside the program.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recordings {
    /// The stimulus that was played.
    pub stimulus: String,
    /// The input that carries the time reference in every file.
    pub reference: Option<usize>,
    /// One for each output.
    pub outputs: Vec<Recording>,
    /// One output at other volume steps.
    pub volumes: Vec<Recording>,
    /// A tone while the volume was turned up step by step, one recording each.
    pub tones: Vec<Recording>,
}

impl Recordings {
    /// What is to be worked out, once stimulus and outputs are named.
    pub fn order(&self, limits: Option<&Limits>) -> Option<FactoryOrder> {
        let whole = |it: &&Recording| !it.name.trim().is_empty() && !it.file.trim().is_empty();
        let named = |all: &[Recording]| -> Vec<CaptureRef> {
            let reference = |it: &Recording| CaptureRef {
                name: it.name.trim().to_owned(),
                path: PathBuf::from(it.file.trim()),
                channel: it.input,
            };
            all.iter().filter(whole).map(reference).collect()
        };
        let captures = named(&self.outputs);
        (!self.stimulus.trim().is_empty() && !captures.is_empty()).then(|| FactoryOrder {
            stimulus: PathBuf::from(self.stimulus.trim()),
            captures,
            reference_channel: self.reference,
            volumes: named(&self.volumes),
            steps: named(&self.tones),
            clean_percent: job::factory::CLEAN_PERCENT,
            limits: limits.cloned(),
            target: None,
            fir_taps: None,
            both_ways: true,
        })
    }
}

/// A plan changed by hand and undone.
#[derive(Debug, Clone, PartialEq)]
pub struct ByHand {
    /// The sum with the undoing.
    pub expected: Arc<Curve>,
    /// The undoing's levels.
    pub undo: Arc<Curve>,
    /// How far from flat the sum then is, rms.
    pub off_db: f64,
}

/// A recording under way.
#[derive(Debug, Clone)]
pub struct Listening {
    /// What is recorded.
    pub line: Line,
    /// How far it is.
    pub following: Arc<Following>,
}

/// The stage.
#[derive(Debug, Clone, Default)]
pub struct SourcePage {
    /// The outputs to record one at a time.
    pub probing: Probing,
    /// The recording under way.
    pub listening: Option<Listening>,
    /// What was said of the latest recording.
    pub listened: Option<Listened>,
    /// The outputs are on the screen in place of the curves.
    pub shows_outputs: bool,
    /// The joined signal on the board, by its name; the first without.
    pub signal: Option<String>,
    /// The output whose curve is on top; all of them without.
    pub shown: Option<String>,
    /// The undoing is in the processor.
    pub entered: bool,
    /// Recordings to work out.
    pub recordings: Recordings,
    /// The plan as a hand has changed it; the finding's own without.
    pub plan: Option<Vec<Combine>>,
    /// What the changed plan sums to.
    pub sum: Option<Arc<Curve>>,
    /// What is expected of it with the undoing that was worked out for it, and what that undoing does to the levels.
    pub reworked: Option<ByHand>,
    /// The undoing that is being worked out.
    pub reworking: Option<Asked>,
    /// How many were asked for: each has its number.
    pub asked: u64,
}
