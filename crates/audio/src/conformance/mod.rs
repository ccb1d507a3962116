//! One suite of checks for everything that calls itself a rig, a sound card or a simulation.
//!
//! A [`Bench`] lends a rig whose chosen output is heard, electrically and at unity gain, on its chosen input, and can make
//! it misbehave. [`run`] puts the rig through its paces and reports each check by name.

mod listening;
mod playing;
mod tone;

use std::path::Path;
use std::sync::Arc;

use crate::rig::{PlayedChannel, Rig, RigError, TakeFacts, TakeOrder, Watch};
use crate::wav::{self, Wav};
use tone::tone;

/// How a rig can be made to misbehave during its next take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// The device vanishes this long after the take began.
    Unplug {
        /// Seconds.
        at_s: f64,
    },
    /// Sound is lost for a while, on the way out or in.
    Gap {
        /// Seconds after the take began.
        at_s: f64,
        /// Length in milliseconds.
        length_ms: f64,
    },
    /// The recording clock is off; positive when it is fast.
    Clock {
        /// Parts per million.
        skew_ppm: f64,
    },
}

/// Lends a rig to the suite, in real time.
pub trait Bench {
    /// A fresh rig without faults.
    fn rig(&mut self) -> Box<dyn Rig>;
    /// Makes the next take of the next rig suffer; false when this bench has no way to.
    fn inflict(&mut self, fault: Fault) -> bool;
    /// Undoes what was inflicted.
    fn mend(&mut self);
    /// A rate the rig runs at.
    fn rate_hz(&self) -> u32;
    /// Output to play on and input that hears it at unity gain, counted from 0.
    fn loop_back(&self) -> (u16, u16);
    /// Lets something outside the next rig play `signal`, once, within five seconds from now; gives the input that hears
    /// it, at whatever level.
    fn play_elsewhere(&mut self, signal: Vec<f32>) -> u16;
    /// Whether takes are simulated.
    fn simulated(&self) -> bool;
}

/// How one check came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    /// The rig behaves.
    Passed,
    /// It does not; why.
    Failed(String),
    /// The bench cannot make this happen, so nothing is known.
    NotPossibleHere,
}

type Answer = Result<Verdict, String>;
type Check<'a> = fn(&mut Suite<'a>) -> Answer;
/// Whether a refusal is of the right kind.
type Right = fn(&RigError) -> bool;

/// Runs every check; recordings go to `folder`, which should be empty.
pub fn run(bench: &mut dyn Bench, folder: &Path) -> Vec<(&'static str, Verdict)> {
    let checks: [(&str, Check<'_>); 17] = [
        ("a take is recorded whole, at its level", Suite::whole),
        ("without a signal it only records", Suite::only_records),
        ("Stop silences at once and is said", Suite::stops),
        ("Stop before the start makes no sound", Suite::stopped_before),
        ("a wrong rate is refused", Suite::wrong_rate),
        ("a wrong channel is refused", Suite::wrong_channel),
        ("nothing passes the ceiling", Suite::ceiling),
        ("a signal with a bad sample is refused", Suite::bad_sample),
        ("a recording is never replaced", Suite::never_replaced),
        ("a gap spoils the take and is said", Suite::gap),
        ("a clock that is off is no gap", Suite::clock),
        ("listening hears what plays elsewhere, and ends when there is enough", Suite::listens),
        ("listening ends at its longest time", Suite::listens_no_longer),
        ("Stop ends listening and is said", Suite::stops_listening),
        ("what cannot be listened to is refused", Suite::refuses_to_listen),
        // Last, because a real device may come back changed.
        ("a device that vanishes while listening is said and the recording kept", Suite::unplug_listening),
        ("a vanished device is said and the recording kept", Suite::unplug),
    ];
    let mut suite = Suite { bench, folder, count: 0 };
    checks
        .into_iter()
        .map(|(name, check)| {
            let verdict = check(&mut suite).unwrap_or_else(Verdict::Failed);
            suite.bench.mend();
            (name, verdict)
        })
        .collect()
}

const TONE_S: f64 = 2.0;
const TAIL_S: f64 = 0.4;
/// A busy computer loses sound honestly; a take that says so is taken again this often.
const TRIES: usize = 4;

struct Suite<'a> {
    bench: &'a mut dyn Bench,
    folder: &'a Path,
    count: usize,
}

fn require(truth: bool, words: impl FnOnce() -> String) -> Result<(), String> {
    if truth { Ok(()) } else { Err(words()) }
}

impl Suite<'_> {
    fn order(&mut self, seconds: f64) -> TakeOrder {
        self.count += 1;
        let rate_hz = self.bench.rate_hz();
        let (output, input) = self.bench.loop_back();
        let frames = (seconds * f64::from(rate_hz)) as usize;
        let play = if frames == 0 {
            Vec::new()
        } else {
            vec![PlayedChannel { output, samples: Arc::new(tone(frames, f64::from(rate_hz))) }]
        };
        TakeOrder {
            rate_hz,
            play,
            record_inputs: vec![input],
            tail_s: TAIL_S,
            recording: self.folder.join(format!("{}.wav", self.count)),
            ceiling_dbfs: -12.0,
        }
    }

    /// A take without faults, and its recording.
    fn sound_take(&mut self, seconds: f64) -> Result<(TakeOrder, TakeFacts, Wav), String> {
        let mut said = Vec::new();
        for _ in 0..TRIES {
            let order = self.order(seconds);
            let watch = Watch::default();
            let facts = self.bench.rig().take(&order, &watch).map_err(|error| error.to_string())?;
            if facts.lost_frames > 0 {
                said = facts.remarks;
                continue;
            }
            require(order.play.is_empty() || watch.progress() > 0.99, || {
                format!("progress ended at {}", watch.progress())
            })?;
            let recording = wav::read(&order.recording).map_err(|error| error.to_string())?;
            require(recording.doubts.is_empty(), || format!("{:?}", recording.doubts))?;
            require(recording.frames() as u64 == facts.frames, || {
                format!("{} frames in {facts:?}", recording.frames())
            })?;
            return Ok((order, facts, recording));
        }
        Err(format!("{TRIES} takes in a row say that frames were lost: {}", said.join("; ")))
    }

    fn refused(&mut self, order: &TakeOrder, right: Right) -> Answer {
        let existed = order.recording.exists();
        match self.bench.rig().take(order, &Watch::default()) {
            Ok(facts) => Err(format!("it was accepted: {facts:?}")),
            Err(error) if !right(&error) => Err(format!("the wrong kind of refusal: {error:?}")),
            Err(error) if error.to_string().contains('\n') => Err(format!("more than one line: {error}")),
            Err(_) if order.recording.exists() != existed => Err("a refused take left a file".into()),
            Err(_) => Ok(Verdict::Passed),
        }
    }
}

/// The device was lost, and what was recorded until then is there.
fn lost_and_kept(answer: Result<TakeFacts, RigError>, recording: &Path) -> Answer {
    let error = match answer {
        Ok(facts) => return Err(format!("not noticed: {facts:?}")),
        Err(error) => error,
    };
    require(matches!(error, RigError::DeviceLost { .. }), || format!("the wrong kind of error: {error:?}"))?;
    let kept = wav::read(recording).map_err(|error| error.to_string())?;
    require(kept.seconds() > 0.5, || format!("only {:.2} s were kept", kept.seconds()))?;
    Ok(Verdict::Passed)
}
