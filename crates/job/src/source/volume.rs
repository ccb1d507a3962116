//! The volume control: how the shape changes with it, and up to where the signal is clean.

use audio::rig::Watch;
use dsp::factory::clean;
use dsp::stimulus::{Recipe, Signal as Stimulus, Steps};
use dsp::verdict::Verdict;
use garage::finding::{CleanVolume, Finding, ToneStep, VolumeShape};
use garage::take::Heard;
use garage::{TakeKind, TakeRecord, VisitFolder};

use super::feeds::joined;
use super::{
    AT_VOLUME, BOTH, FACTORY, LINE_BAND_HZ, UP_FROM, curve_of, is_of_the_source, keep, lines, music,
    reference, sounding,
};
use crate::analysis;
use crate::error::JobError;
use crate::factory::{CLEAN_PERCENT, CaptureRef, compare, shapes};
use crate::judged::Judged;
use crate::plan::level_dbfs;
use crate::workplace::{Wish, Workplace};

/// Tones that are played while the volume is turned up: where most of the music is, and where factory limiters and bass
/// cuts act.
pub const TONES_HZ: [f64; 2] = [1_000.0, 40.0];
/// Steps that are looked at, up to the highest.
const STEPS_UP: u32 = 14;
/// How long each is held.
const HELD_S: f64 = 1.0;
/// Steps below the one the control stands at, at which the shape is swept: close by, and far below.
const BELOW: [u32; 5] = [0, 2, 6, 12, 18];

/// The volume steps at which the shape is worth taking: the one the control stands at, and softer ones.
///
/// # Errors
/// A rig whose volume is turned by hand.
pub fn volumes_to_take(place: &Workplace) -> Result<Vec<u32>, JobError> {
    let stands = car_of(place)?.edit(|car| car.volume());
    Ok(BELOW.iter().filter_map(|below| stands.checked_sub(*below)).filter(|step| *step > 0).collect())
}

/// Sweeps both sides with the volume at `step`, and turns it back.
///
/// # Errors
/// A rig whose volume is turned by hand or has no such step, a rig that fails, a disk that is full.
pub fn take_at_volume(
    place: &mut Workplace,
    step: u32,
    watch: &Watch,
) -> Result<Judged<TakeRecord>, JobError> {
    let rig = place.rig_record()?;
    let recipe = place.plan.recipe(LINE_BAND_HZ, rig.rate_hz, level_dbfs(rig));
    with_the_volume_at(place, step, Vec::new(), recipe, format!("{AT_VOLUME}{step}"), BOTH, watch)
}

/// Plays a tone as loud as the rig may while the volume is turned up to its highest step, and turns it back.
///
/// # Errors
/// As [`take_at_volume`].
pub fn turn_up(
    place: &mut Workplace,
    frequency_hz: f64,
    watch: &Watch,
) -> Result<Judged<TakeRecord>, JobError> {
    let highest = car_of(place)?.edit(|car| car.scenario().head_unit.volume.steps);
    let first = highest.saturating_sub(STEPS_UP - 1).max(1);
    let turns = turns_from(car_of(place)?, first);
    let rig = place.rig_record()?;
    let tone_s = HELD_S * f64::from(highest - first + 1);
    let (on, step_db, fade_s, gap_s) = (1, 1.0, 0.05, 0.0);
    let from_dbfs = rig.ceiling_dbfs;
    let tone = Steps { on, frequency_hz, from_dbfs, step_db, tone_s, fade_s, gap_s };
    let signal = Stimulus::Steps(tone);
    let recipe = Recipe { rate_hz: rig.rate_hz, channels: 1, level_dbfs: from_dbfs, signal };
    let subject = tone_name(frequency_hz);
    with_the_volume_at(place, first, turns, recipe, format!("{UP_FROM}{first}"), &subject, watch)
}

/// The volume control of a virtual car turned up from a step, each step held.
pub(super) fn turns_from(car: &virtual_car::CarHandle, first: u32) -> Vec<(f64, u32)> {
    let highest = car.edit(|car| car.scenario().head_unit.volume.steps);
    (first + 1..=highest).zip(1..).map(|(step, n)| (HELD_S * f64::from(n), step)).collect()
}

pub(super) fn tone_name(frequency_hz: f64) -> String {
    format!("tone of {frequency_hz} Hz")
}

fn car_of(place: &Workplace) -> Result<&virtual_car::CarHandle, JobError> {
    place.rig.car().ok_or_else(|| {
        JobError::not_yet("the volume of a real head unit is turned by hand", "record an output at each step")
    })
}

fn with_the_volume_at(
    place: &mut Workplace,
    step: u32,
    turns: Vec<(f64, u32)>,
    recipe: Recipe,
    label: String,
    subject: &str,
    watch: &Watch,
) -> Result<Judged<TakeRecord>, JobError> {
    let car = car_of(place)?.clone();
    let stood = car.edit(|car| car.volume());
    let set =
        |step: u32| car.edit(|car| car.set_volume(step)).map_err(|error| JobError::Input(error.to_string()));
    set(step)?;
    car.edit(|car| car.turn_volume(turns)).map_err(|error| JobError::Input(error.to_string()))?;
    let heard = lines(place, &[FACTORY])?;
    let wish = Wish {
        kind: TakeKind::Source,
        subject: Some(subject.to_owned()),
        position: None,
        label: Some(label),
        recipe: Some(recipe),
        driven: music(),
        recorded: reference(place)?.into_iter().chain(heard).collect(),
        tune: None,
        tail_s: place.plan.tail_s,
    };
    let taken = place.record(wish, watch);
    set(stood)?;
    keep(place, taken?)
}

/// How the shape changes from one volume step to the next: that of the first signal of `finding` where all outputs were
/// taken together, otherwise that of the output that was recorded at several steps.
pub(super) fn loudness(
    folder: &VisitFolder,
    takes: &[TakeRecord],
    finding: &Finding,
    judged: &mut Judged<()>,
) -> Result<Vec<VolumeShape>, JobError> {
    let (together, alone): (Vec<_>, Vec<_>) =
        labelled(takes, AT_VOLUME).partition(|(take, _)| take.subject.as_deref() == Some(BOTH));
    if together.is_empty() {
        return loudness_of_output(folder, &alone, judged);
    }
    let Some(sum) = finding.sums.first() else { return Ok(Vec::new()) };
    let mut steps = Vec::new();
    for (take, step) in together {
        let lines = sounding(analysis::lines_of_take(folder, take, None)?, FACTORY);
        let response = match sum.parts.as_slice() {
            [] => lines.into_iter().find(|(name, _)| *name == sum.name).map(|it| it.1),
            parts => Some(joined(parts, &lines)),
        };
        steps.extend(response.map(|response| (step.to_owned(), curve_of(&response))));
    }
    Ok(shapes(&steps, judged))
}

/// The output that was recorded last, at every step of it.
fn loudness_of_output(
    folder: &VisitFolder,
    steps: &[(&TakeRecord, &str)],
    judged: &mut Judged<()>,
) -> Result<Vec<VolumeShape>, JobError> {
    let Some((latest, _)) = steps.last() else { return Ok(Vec::new()) };
    let same = |take: &TakeRecord| take.subject == latest.subject && take.stimulus == latest.stimulus;
    let captures = steps.iter().filter(|(take, _)| same(take)).map(|(take, step)| CaptureRef {
        name: (*step).to_owned(),
        path: folder.recording(&take.id),
        channel: take.recorded.len(),
    });
    compare(&analysis::recipe_of(latest)?, &captures.collect::<Vec<_>>(), judged)
}

/// Up to where the signal is clean, from every tone that was taken while the volume was turned up.
pub(super) fn clean_volumes(
    folder: &VisitFolder,
    takes: &[TakeRecord],
    judged: &mut Judged<()>,
) -> Result<Vec<CleanVolume>, JobError> {
    let mut found = Vec::new();
    for (take, from) in labelled(takes, UP_FROM) {
        let Ok(from) = from.parse::<usize>() else { continue };
        let wav = audio::wav::read(folder.recording(&take.id))?;
        let power = |samples: &[f64]| samples.iter().map(|x| x * x).sum::<f64>();
        let lines = take.recorded.iter().zip(&wav.channels).filter(|(it, _)| it.heard == Heard::Line);
        let Some((line, samples)) = lines.max_by(|a, b| power(a.1).total_cmp(&power(b.1))) else { continue };
        let name = line.name.as_deref().unwrap_or_default();
        let name = name.strip_prefix(FACTORY).unwrap_or(name);
        let Some(heard) = clean::clean_volume(samples, f64::from(wav.rate_hz), CLEAN_PERCENT) else {
            judged.note(Verdict::Usable, format!("take {}: no tone is heard in it", take.id));
            continue;
        };
        let label = |at: usize| (from + at).to_string();
        let steps: Vec<ToneStep> = heard
            .steps
            .iter()
            .enumerate()
            .map(|(at, step)| ToneStep {
                volume: label(at),
                level_dbfs: step.level_dbfs,
                thd_percent: step.thd_percent,
                thd_n_percent: step.thd_n_percent,
            })
            .collect();
        let next = heard.highest.map_or(0, |at| at + 1);
        found.push(CleanVolume {
            frequency_hz: heard.frequency_hz.round(),
            output: name.to_owned(),
            limit_percent: CLEAN_PERCENT,
            highest: heard.highest.map(label),
            next: (next < steps.len()).then(|| label(next)),
            steps,
        });
    }
    found.sort_by(|a, b| b.frequency_hz.total_cmp(&a.frequency_hz));
    Ok(found)
}

/// The takes whose label begins with `begins`, with the rest of it.
fn labelled<'a>(takes: &'a [TakeRecord], begins: &'a str) -> impl Iterator<Item = (&'a TakeRecord, &'a str)> {
    let of_the_source = takes.iter().filter(|take| is_of_the_source(take));
    of_the_source.filter_map(move |take| Some((take, take.label.as_deref()?.strip_prefix(begins)?)))
}
