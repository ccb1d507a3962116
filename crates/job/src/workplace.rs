//! A visit with its rig: what every stage that makes a take works at.

use std::sync::Arc;

use audio::rig::{Ear, ListenOrder, PlayedChannel, TakeFacts, TakeOrder, Watch};
use audio::safety::check_band;
use dsp::stimulus::Recipe;
use dsp::verdict::Verdict;
use garage::take::{Clock, Driven, Heard, Recorded};
use garage::{OpenTake, RigRecord, TakeKind, TakeRecord, VisitFolder};
use jiff::{SignedDuration, Timestamp};

use crate::error::JobError;
use crate::plan::SweepPlan;
use crate::rig::JobRig;

/// What time it is.
#[derive(Debug, Clone, Copy)]
pub enum WorkClock {
    /// The system's clock.
    System,
    /// Begins where it is told and moves on by ten seconds with each look: for work that must come out the same again.
    Stepped(Timestamp),
}

impl WorkClock {
    /// Now.
    pub fn now(&mut self) -> Timestamp {
        match self {
            Self::System => Timestamp::now(),
            Self::Stepped(now) => {
                let this = *now;
                *now = this.saturating_add(SignedDuration::from_secs(10)).unwrap_or(this);
                this
            }
        }
    }
}

/// An open visit, an open rig, and how to sweep.
pub struct Workplace {
    /// The visit.
    pub folder: VisitFolder,
    /// The rig.
    pub rig: JobRig,
    /// The time.
    pub clock: WorkClock,
    /// Sweeps.
    pub plan: SweepPlan,
}

/// A take to be made.
#[derive(Debug, Clone)]
pub(crate) struct Wish {
    pub kind: TakeKind,
    pub subject: Option<String>,
    pub position: Option<String>,
    pub label: Option<String>,
    /// What to play; nothing for a look at the noise.
    pub recipe: Option<Recipe>,
    /// On which outputs.
    pub driven: Vec<Driven>,
    /// What to record.
    pub recorded: Vec<Recorded>,
    /// Number of the tune in the processor.
    pub tune: Option<u32>,
    /// What is recorded after the stimulus, or instead of one.
    pub tail_s: f64,
}

/// A take that is recorded and not yet judged.
pub(crate) struct Taken {
    pub open: OpenTake,
    pub facts: TakeFacts,
    /// Complete but for verdict and remarks.
    pub record: TakeRecord,
}

impl Workplace {
    /// A visit with the rig its record names.
    ///
    /// # Errors
    /// A visit without a rig, or a rig that is not there.
    pub fn open(folder: VisitFolder) -> Result<Self, JobError> {
        let record = rig_of(&folder)?.clone();
        let rig = JobRig::open(&record)?;
        let plan = if rig.is_simulated() { SweepPlan::brisk() } else { SweepPlan::default() };
        Ok(Self { folder, rig, clock: WorkClock::System, plan })
    }

    /// The rig as the visit knows it.
    ///
    /// # Errors
    /// When Intake has not chosen one.
    pub fn rig_record(&self) -> Result<&RigRecord, JobError> {
        rig_of(&self.folder)
    }

    /// The microphone's input and, where there is one, the reference's.
    pub(crate) fn ears(&self) -> Result<Vec<Recorded>, JobError> {
        let rig = self.rig_record()?;
        let microphone = Recorded { input: rig.microphone_input, heard: Heard::Microphone, name: None };
        let reference =
            rig.reference_input.map(|input| Recorded { input, heard: Heard::Reference, name: None });
        Ok(std::iter::once(microphone).chain(reference).collect())
    }

    /// Plays and records into a new take of the visit.
    pub(crate) fn record(&mut self, wish: Wish, watch: &Watch) -> Result<Taken, JobError> {
        let rig = self.rig_record()?.clone();
        let play = self.rendered(&wish)?;
        let made_at = self.clock.now();
        let open = self.folder.begin_take()?;
        let order = TakeOrder {
            rate_hz: rig.rate_hz,
            play,
            record_inputs: wish.recorded.iter().map(|it| it.input.saturating_sub(1)).collect(),
            tail_s: wish.tail_s,
            recording: open.recording.clone(),
            ceiling_dbfs: rig.ceiling_dbfs,
        };
        // On an error the recording stays: what a device that vanished has left behind may still be wanted.
        let facts = self.rig.take(&order, watch)?;
        self.taken(wish, open, made_at, facts)
    }

    /// Records into a new take of the visit while something else plays the wish's recipe, until `ear` has enough or for
    /// `longest_s`.
    pub(crate) fn listen(
        &mut self,
        wish: Wish,
        longest_s: f64,
        ear: &mut Ear<'_>,
        watch: &Watch,
    ) -> Result<Taken, JobError> {
        let rate_hz = self.rig_record()?.rate_hz;
        let made_at = self.clock.now();
        let open = self.folder.begin_take()?;
        let order = ListenOrder {
            rate_hz,
            record_inputs: wish.recorded.iter().map(|it| it.input.saturating_sub(1)).collect(),
            longest_s,
            recording: open.recording.clone(),
        };
        let facts = self.rig.listen(&order, ear, watch)?;
        self.taken(wish, open, made_at, facts)
    }

    fn taken(
        &self,
        wish: Wish,
        open: OpenTake,
        made_at: Timestamp,
        facts: TakeFacts,
    ) -> Result<Taken, JobError> {
        if facts.stopped {
            self.folder.abandon_take(open)?;
            return Err(JobError::Stopped);
        }
        let rate_hz = self.rig_record()?.rate_hz;
        let stimulus = match &wish.recipe {
            Some(recipe) => {
                serde_json::to_value(recipe).map_err(|error| JobError::Input(error.to_string()))?
            }
            None => serde_json::Value::Null,
        };
        let record = TakeRecord {
            id: open.id.clone(),
            kind: wish.kind,
            made_at,
            subject: wish.subject,
            position: wish.position,
            label: wish.label,
            stimulus,
            driven: wish.driven,
            recorded: wish.recorded,
            output: facts.output.clone(),
            input: facts.input.clone(),
            microphone: self
                .folder
                .record()
                .microphone
                .as_ref()
                .map(|it| it.name.clone())
                .unwrap_or_default(),
            clock: Clock { rate_hz, frames: facts.frames, lost_frames: facts.lost_frames, skew_ppm: None },
            tune: wish.tune,
            peak_dbfs: facts.peak_dbfs.clone(),
            verdict: Verdict::Good,
            remarks: facts.remarks.clone(),
            superseded_by: None,
            recording_sha256: None,
            simulated: facts.simulated,
        };
        Ok(Taken { open, facts, record })
    }

    /// Keeps a judged take, in place of an earlier one of the same thing; gives the record and what it replaced.
    pub(crate) fn keep(&self, taken: Taken) -> Result<(TakeRecord, Option<String>), JobError> {
        let record = self.folder.finish_take(taken.open, taken.record)?;
        let same = |other: &TakeRecord| {
            other.id != record.id
                && other.is_current()
                && other.kind == record.kind
                && other.subject == record.subject
                && other.position == record.position
                && other.label == record.label
                && other.tune == record.tune
        };
        let mut replaced = None;
        for older in self.folder.takes()?.found.iter().filter(|other| same(other)) {
            self.folder.supersede(&older.id, &record.id)?;
            replaced = Some(older.id.clone());
        }
        Ok((record, replaced))
    }

    fn rendered(&self, wish: &Wish) -> Result<Vec<PlayedChannel>, JobError> {
        let Some(recipe) = &wish.recipe else { return Ok(Vec::new()) };
        let rendered_rate_hz = recipe.rate_hz;
        let rendered = recipe.render().map_err(|error| JobError::Input(error.to_string()))?;
        let channels: Vec<Arc<Vec<f32>>> = rendered
            .channels
            .iter()
            .map(|samples| Arc::new(samples.iter().map(|x| *x as f32).collect()))
            .collect();
        // A stimulus of one channel plays alike on everything that is driven; otherwise each has its own.
        let samples_of = |place: usize| {
            let own = if channels.len() > 1 { channels.get(place) } else { channels.first() };
            own.map(Arc::clone).unwrap_or_default()
        };
        for (place, driven) in wish.driven.iter().enumerate() {
            let safe_hz =
                self.folder.car().channel_map.channel(&driven.channel).and_then(|it| it.safe_frequency_hz);
            if let Some(safe_hz) = safe_hz {
                check_band(&driven.channel, &samples_of(place), rendered_rate_hz, safe_hz)?;
            }
        }
        let play = |(place, driven): (usize, &Driven)| PlayedChannel {
            output: driven.output.saturating_sub(1),
            samples: samples_of(place),
        };
        Ok(wish.driven.iter().enumerate().map(play).collect())
    }
}

/// The rig a visit is measured with.
pub(crate) fn rig_of(folder: &VisitFolder) -> Result<&RigRecord, JobError> {
    folder.record().rig.as_ref().ok_or_else(|| {
        JobError::not_yet("this visit has no rig", "choose the devices or the virtual car in Intake first")
    })
}
