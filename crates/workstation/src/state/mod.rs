//! Everything on the screen, as one plain value.

mod asked;
mod cabin;
mod entry;
mod garage_page;
mod handover;
mod history;
mod next_step;
mod notice;
mod open_visit;
mod probing;
mod progress;
mod rig_line;
pub mod seat_plan;
mod sheet;
mod source;
mod voicing;

pub use asked::Asked;
pub use cabin::{CabinPage, ChannelView, CurveAt, Subject, Taken, side_word};
pub use entry::{Entry, entry};
pub use garage_page::{CarLine, GaragePage, NewCar, VisitLine};
pub use handover::HandoverPage;
pub use history::History;
pub use next_step::{NextStep, next_step};
pub use notice::{Notice, Tone};
pub use open_visit::OpenVisit;
pub use probing::{Listened, Probing, Recorded, recorded};
pub use progress::{Progress, progress};
pub use rig_line::RigLine;
pub use seat_plan::{Planned, plan};
pub use sheet::{IntakeLine, Sheet, intake_lines, limits_words, target_words};
pub use source::{ByHand, Listening, Recording, Recordings, SourcePage};
pub use voicing::{Compared, Draft, Leaf, OLD_TAPS, Said, ScopeView, Seats, VoicingPage};

use std::sync::Arc;

use audio::rig::{DeviceFacts, Watch};
use garage::finding::Sum;

use crate::board::View;
use crate::stages::Stage;
use crate::work::Curves;

/// What lies over the stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Overlay {
    /// Nothing.
    #[default]
    None,
    /// The list of keys.
    Keys,
    /// The customer's view.
    Customer,
}

/// Work that a worker is doing.
#[derive(Debug, Clone)]
pub struct Running {
    /// What it is, in words: "Taking front left at P4".
    pub what: String,
    /// Stops it, and says how far it is.
    pub watch: Arc<Watch>,
    /// Something is heard in the car meanwhile.
    pub sounding: bool,
}

/// A simulated car to choose from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScenarioLine {
    /// What to ask for it by.
    pub name: String,
    /// The invented car.
    pub title: String,
    /// What its customer says.
    pub story: String,
}

/// All of it. Cheap to clone: what is large is shared.
#[derive(Debug, Clone, Default)]
pub struct State {
    /// The stage on the screen.
    pub stage: Stage,
    /// What lies over it.
    pub overlay: Overlay,
    /// Where each stage's board looks; nothing until it first has curves.
    pub views: [Option<View>; 5],
    /// The latest message.
    pub notice: Option<Notice>,
    /// Work under way, by worker.
    pub running: Option<Running>,
    /// Peak of the latest take.
    pub peak_dbfs: Option<f64>,
    /// The latest take touched full scale.
    pub clipped: bool,
    /// The page that opens cars.
    pub garage: GaragePage,
    /// The simulated cars there are.
    pub scenarios: Vec<ScenarioLine>,
    /// The sound cards there are.
    pub devices: Vec<DeviceFacts>,
    /// The visit that is open.
    pub open: Option<OpenVisit>,
    /// What the user edits; what undo and redo walk through.
    pub draft: Draft,
    /// Earlier and later drafts.
    pub history: History<Draft>,
    /// The field that the last edit was made in: a run of edits in one field is one step to undo.
    pub editing: Option<String>,
    /// The cabin stage.
    pub cabin: CabinPage,
    /// Every take of the cabin, ready for predictions.
    pub curves: Option<Arc<Curves>>,
    /// The source stage.
    pub source: SourcePage,
    /// The voicing stage.
    pub voicing: VoicingPage,
    /// The handover stage.
    pub handover: HandoverPage,
}

impl State {
    /// True when the visit on the screen is simulated.
    pub fn is_simulated(&self) -> bool {
        self.open.as_ref().is_some_and(OpenVisit::is_simulated)
    }

    /// The joined signal of the source that is on the board: the one chosen, or the first.
    pub fn signal(&self) -> Option<&Sum> {
        let finding = self.open.as_ref()?.finding.as_ref()?;
        let chosen = self.source.signal.as_ref().and_then(|name| finding.sum(name));
        chosen.or_else(|| finding.sums.first())
    }

    /// True while a worker is busy with this visit.
    pub fn is_busy(&self) -> bool {
        self.running.is_some()
    }

    /// The rig, for the top bar.
    pub fn rig_line(&self) -> RigLine {
        let sheet = &self.draft.sheet;
        // While something is recorded the rig says how loud the latest block was.
        let recorded = self.running.as_ref().filter(|running| running.watch.recorded_frames() > 0);
        let live =
            recorded.map(|running| dsp::decibel::of_amplitude(f64::from(running.watch.peak()).max(1e-6)));
        RigLine {
            output: sheet.rig.as_ref().map(|rig| rig.output.clone()),
            microphone: sheet.microphone.as_ref().map(|m| (m.name.clone(), m.calibration.is_some())),
            peak_dbfs: live.or(self.peak_dbfs),
            clipped: self.clipped || live.is_some_and(|peak| peak >= -0.01),
            live: live.is_some(),
            simulated: self.is_simulated(),
            sounding: self.running.as_ref().is_some_and(|r| r.sounding),
        }
    }

    /// `Corvane Estate · Cabin, begun · Cabinwright`; while a worker is busy, what it does, with dots after it.
    pub fn title(&self) -> String {
        let place = match (&self.open, &self.garage.listed) {
            (Some(open), _) => {
                let at = match &self.running {
                    Some(running) => format!("{}…", running.what),
                    None => format!("{}, {}", self.stage.name(), progress(self, self.stage).word()),
                };
                format!("{} · {at} · ", open.car.name)
            }
            (None, Some(_)) => "All cars · ".to_owned(),
            (None, None) => String::new(),
        };
        format!("{place}Cabinwright")
    }

    /// `Corvane Estate · visit 2026-03-14`.
    pub fn heading(&self) -> String {
        self.open.as_ref().map(OpenVisit::heading).unwrap_or_default()
    }
}
