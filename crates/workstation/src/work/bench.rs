//! The rig's worker: one order at a time, at a workplace that stays open while the visit does.

use std::path::{Path, PathBuf};

use audio::cue::{self, Cue};
use audio::rig::Watch;
use dsp::verdict::Verdict;
use garage::visit::CheckKind;
use garage::{RigRecord, VisitFolder};
use job::handover::Crossovers;
use job::source::{self, Following, Line, Probe, Signal};
use job::{JobError, Judged, Workplace, cabin, handover, intake};

use super::order::Levels;
use super::{Event, Mouth, Sound, SoundOrder, Worker, one_line};
use crate::state::{Listened, Subject, Taken};

/// The worker.
#[derive(Default)]
pub struct Bench {
    place: Option<(PathBuf, RigRecord, Workplace)>,
}

impl Worker for Bench {
    type Order = SoundOrder;

    fn work(&mut self, order: SoundOrder, mouth: &Mouth) {
        let event = match self.place(&order.visit).and_then(|place| act(place, &order)) {
            Ok(event) => event,
            Err(JobError::Stopped) => Event::Stopped,
            Err(fault) => {
                if let Some((_, _, place)) = &self.place {
                    cue(place, Cue::Again, &order.watch);
                }
                // A device that vanished is looked for again at the next order.
                self.place = None;
                Event::Failed(one_line(&fault.to_string()))
            }
        };
        mouth.say(event);
    }
}

impl Bench {
    /// The workplace of `visit`: the rig stays open between takes, the records are read afresh.
    fn place(&mut self, visit: &Path) -> Result<&mut Workplace, JobError> {
        let folder = VisitFolder::open(visit)?;
        let record = folder.record().rig.clone();
        let kept = self.place.take().filter(|(path, rig, _)| path == visit && Some(rig) == record.as_ref());
        let place = match kept {
            Some((_, _, mut place)) => {
                place.folder = folder;
                place
            }
            None => Workplace::open(folder)?,
        };
        let rig = place.rig_record()?.clone();
        let (_, _, place) = self.place.insert((visit.to_owned(), rig, place));
        Ok(place)
    }
}

fn act(place: &mut Workplace, order: &SoundOrder) -> Result<Event, JobError> {
    let watch = &*order.watch;
    match &order.what {
        Sound::Check(CheckKind::Noise) => {
            let checked = intake::check_bay(place, watch)?;
            Ok(Event::Ready(format!("bay check: {}", words(&checked, "quiet enough"))))
        }
        Sound::Check(_) => {
            let checked = intake::check_rig(place, watch)?;
            Ok(Event::Ready(format!("rig check: {}", words(&checked, "the microphone hears the car"))))
        }
        Sound::Source => factory(place, watch),
        Sound::VolumeSteps => volume_steps(place, watch),
        Sound::Take { subject, position, tune, crossovers, first_here, last_here } => {
            if *first_here {
                cue(place, Cue::Go, watch);
            }
            take(place, subject, position, (*tune, *crossovers), *last_here, watch)
        }
        Sound::Listen { line, probe, following } => listen(place, line, probe, following, watch),
        Sound::EnterTune(number) => {
            let tune = place.folder.tune(*number)?;
            place.rig.enter_tune(Some(&tune.tune))?;
            Ok(Event::Entered(Some(*number)))
        }
        Sound::EnterUndo => enter_undo(place, watch),
    }
}

fn words<T>(judged: &Judged<T>, good: &str) -> String {
    judged.remarks.first().cloned().unwrap_or_else(|| good.to_owned())
}

/// The factory's signal as it comes.
fn factory(place: &mut Workplace, watch: &Watch) -> Result<Event, JobError> {
    let remarks = source::take(place, Signal::AsItCame, watch)?.remarks;
    let said = remarks.first().cloned().unwrap_or_else(|| "taken from both sides and each alone".into());
    Ok(Event::Ready(format!("factory signal: {said}")))
}

/// The shape at several volume steps, then tones while the volume is turned up.
fn volume_steps(place: &mut Workplace, watch: &Watch) -> Result<Event, JobError> {
    for step in source::volumes_to_take(place)? {
        source::take_at_volume(place, step, watch)?;
    }
    for tone_hz in source::TONES_HZ {
        source::turn_up(place, tone_hz, watch)?;
    }
    Ok(Event::Ready("volume steps: taken; work it out to see where the signal is clean".into()))
}

/// Records while the head unit plays; a joined signal is then held against what was expected.
fn listen(
    place: &mut Workplace,
    line: &Line,
    probe: &Probe,
    following: &Following,
    watch: &Watch,
) -> Result<Event, JobError> {
    let taken = source::listen(place, line, probe, following, watch)?;
    let again = taken.verdict == Verdict::Retake;
    cue(place, if again { Cue::Again } else { Cue::MoveOn }, watch);
    if matches!(line, Line::Joined(_)) && !again {
        source::check(&place.folder)?;
    }
    let listened = Listened { line: line.clone(), verdict: taken.verdict, remarks: taken.remarks };
    Ok(Event::Listened(Box::new(listened)))
}

/// Types the undoing in and takes the signal once more, to hold it against what was expected.
fn enter_undo(place: &mut Workplace, watch: &Watch) -> Result<Event, JobError> {
    source::take(place, Signal::Undone, watch)?;
    source::check(&place.folder)?;
    Ok(Event::Entered(None))
}

fn take(
    place: &mut Workplace,
    subject: &Subject,
    position: &str,
    (tune, crossovers): (Option<u32>, Crossovers),
    last_here: bool,
    watch: &Watch,
) -> Result<Event, JobError> {
    let (curve, verdict, remarks, id) = match subject {
        Subject::Channel(channel) => {
            let taken = cabin::take(place, channel, position, watch)?;
            (taken.result.curve, taken.verdict, taken.remarks, taken.result.id)
        }
        Subject::Before(side) | Subject::After(side) => {
            let taken = handover::take(place, *side, position, tune, crossovers, watch)?;
            (taken.result.curve, taken.verdict, taken.remarks, taken.result.id)
        }
    };
    let levels = levels(place, &id)?;
    if verdict == Verdict::Retake {
        cue(place, Cue::Again, watch);
    } else if last_here {
        cue(place, Cue::MoveOn, watch);
    }
    let curve = (!curve.is_empty()).then(|| curve.into());
    let taken = Taken { subject: subject.clone(), position: position.to_owned(), curve, verdict, remarks };
    Ok(Event::Taken(Box::new(taken), levels))
}

/// Peak and sound level of the take just made.
fn levels(place: &Workplace, id: &str) -> Result<Levels, JobError> {
    let record = place.folder.take(id)?;
    let peak_dbfs = record.peak_dbfs.first().copied();
    let full_scale_db = place.folder.record().microphone.as_ref().and_then(|m| m.full_scale_db_spl);
    // A sweep's weighted level is below the level of its peak: what is said errs towards care.
    let level_dba = peak_dbfs.zip(full_scale_db).map(|(peak, full_scale)| peak + full_scale);
    Ok(Levels { peak_dbfs, clipped: peak_dbfs.is_some_and(|peak| peak >= -0.01), level_dba })
}

/// Says to the person at the microphone what to do; a simulated car has nobody in it.
fn cue(place: &Workplace, which: Cue, watch: &Watch) {
    let Ok(rig) = place.rig_record() else { return };
    if place.rig.is_simulated() || watch.stopping() {
        return;
    }
    // On the laptop's own speakers: on the rig's output a channel with a tweeter might hear it. A cue that cannot be
    // played is no reason to lose the take that it follows.
    let _ = cue::play(which, None, rig.level_dbfs, watch);
}
