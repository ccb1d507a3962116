//! Source: what did the factory do to a full-range signal, and how is it undone?
//!
//! Measured electrically, with the amplifiers off: the sweep covers more than a protected speaker can take.

use audio::rig::Watch;
use dsp::correct::{Options, propose};
use dsp::curve::{Curve, log_grid_hz};
use dsp::limits::Limits;
use dsp::spectrum::Complex;
use dsp::target::Target;
use dsp::tune::{ChannelTune, Tune};
use dsp::verdict::Verdict;
use garage::finding::{Finding, Flatness, OutputFinding};
use garage::take::{Driven, Heard, Recorded};
use garage::{Reason, Side, TakeKind, TakeRecord, TuneNote, VisitFolder};

use crate::analysis;
use crate::cabin::Feed;
use crate::error::JobError;
use crate::gates;
use crate::handover::changes::hertz;
use crate::judged::Judged;
use crate::plan::level_dbfs;
use crate::rig::JobRig;
use crate::voicing::{Bins, SMOOTHING_PER_OCTAVE, fit_target};
use crate::workplace::{Wish, WorkClock, Workplace};

/// Label of a take of the factory's signal as it comes.
pub const AS_IT_CAME: &str = "as it came";
/// Label of a take with the undoing in the processor's input stage.
pub const UNDONE: &str = "undone";

/// Lines of a rig are named by where they are probed, then by what they carry.
const FACTORY: &str = "head unit ";
const AFTER_UNDO: &str = "undone ";
const FITTED: &str = "processor ";

/// An electrical sweep starts and ends beyond what is heard, so that the ends of the audible band are right.
const LINE_BAND_HZ: (f64, f64) = (8.0, 21_000.0);
/// The band the undoing works in.
const UNDO_BAND_HZ: (f64, f64) = (25.0, 18_000.0);
/// Below the loudest part of its band by this much a line is not passing the signal.
const PASSES_DB: f64 = 12.0;
/// A line this far below the loudest carries only what leaks.
const SILENT_DB: f64 = 40.0;

/// The two sides, as they are named in takes.
pub(crate) const SIDES: [(Side, &str); 2] = [(Side::Left, "left"), (Side::Right, "right")];

/// Records every line of the rig while the music of `side` plays.
///
/// With `undo` the numbered tune is typed into the virtual processor's inputs first; at a real one the tuner did it.
///
/// # Errors
/// A rig without line inputs, a rig that fails, a disk that is full.
pub fn take(
    place: &mut Workplace,
    side: Side,
    undo: Option<u32>,
    watch: &Watch,
) -> Result<Judged<TakeRecord>, JobError> {
    let lines = place.rig.line_inputs();
    if lines.is_empty() {
        return Err(JobError::not_yet(
            "this rig has no line inputs to probe the head unit with",
            "use the command \"source\" on recordings made with a probe",
        ));
    }
    let entered = undo.map(|number| place.folder.tune(number)).transpose()?;
    place.rig.enter_undo(entered.as_ref().map(|it| &it.tune))?;
    place.rig.enter_tune(None)?;
    let rig = place.rig_record()?;
    let recipe = place.plan.recipe(LINE_BAND_HZ, rig.rate_hz, level_dbfs(rig));
    let reference = rig.reference_input.map(|input| Recorded { input, heard: Heard::Reference, name: None });
    // Before the undoing is typed in, what leaves it is what the head unit sends; afterwards it tells all.
    let beside_the_point = if undo.is_some() { FACTORY } else { AFTER_UNDO };
    let heard = lines
        .into_iter()
        .filter(|(name, _)| !name.starts_with(beside_the_point))
        .map(|(name, input)| Recorded { input, heard: Heard::Line, name: Some(name) });
    let name = side_name(side);
    let driven = JobRig::side_outputs(side)
        .iter()
        .map(|&output| Driven { channel: format!("music {name}"), output })
        .collect();
    let mut taken = place.record(
        Wish {
            kind: TakeKind::Source,
            subject: Some(name.to_owned()),
            position: None,
            label: Some(if undo.is_some() { UNDONE } else { AS_IT_CAME }.to_owned()),
            recipe: Some(recipe),
            driven,
            recorded: reference.into_iter().chain(heard).collect(),
            tune: None,
            tail_s: place.plan.tail_s,
        },
        watch,
    )?;
    let found = gates::recording(&taken.facts, 0);
    for finding in &found {
        taken.record.verdict = taken.record.verdict.max(finding.verdict);
        taken.record.remarks.push(finding.words.clone());
    }
    let (record, _) = place.keep(taken)?;
    let (verdict, remarks) = (record.verdict, record.remarks.clone());
    Ok(Judged { result: record, verdict, remarks })
}

/// Works out what the factory did to each of its outputs and a tune that undoes it, and keeps both in the visit.
///
/// Nothing is boosted where the factory passes nothing: the undoing stays inside the band of each output. A band-split
/// output is reported and left alone; joining such outputs is the work of the command `source`.
///
/// # Errors
/// No take of the source yet, no limits, a recording that cannot be read.
pub fn work_out(
    folder: &VisitFolder,
    clock: &mut WorkClock,
    watch: &Watch,
) -> Result<Judged<Finding>, JobError> {
    let limits = limits_of(folder)?.clone();
    let takes = folder.takes()?.found;
    let mut tune = Tune { sample_rate_hz: limits.sample_rate_hz, ..Tune::default() };
    let mut outputs = Vec::new();
    let (mut before, mut after) = (Vec::new(), Vec::new());
    let mut judged_remarks = Vec::new();
    for (name, curve) in line_curves(folder, &takes, AS_IT_CAME, FACTORY)? {
        if watch.stopping() {
            return Err(JobError::Stopped);
        }
        let (low_hz, high_hz) = passband(&curve);
        let (from_hz, to_hz) = (low_hz.max(UNDO_BAND_HZ.0), high_hz.min(UNDO_BAND_HZ.1));
        if low_hz > 150.0 || high_hz < 10_000.0 {
            judged_remarks.push(format!(
                "{name} carries only {} to {}: join it with the other outputs by the command \"source\" first.",
                hertz(low_hz),
                hertz(high_hz)
            ));
            outputs.push(OutputFinding {
                name,
                sentence: "It carries a part of the band only.".into(),
                curve: Some(curve),
            });
            continue;
        }
        let options = Options { from_hz, to_hz, ..Options::default() };
        let proposal = propose(&curve, &flat(), &limits, &options)
            .map_err(|error| JobError::Analysis(format!("{name}: {error}")))?;
        let channel =
            ChannelTune { name: name.clone(), sections: proposal.sections, ..ChannelTune::default() };
        let mut alone = Tune { channels: vec![channel.clone()], ..tune.clone() };
        refresh(&mut alone)?;
        let undone = predicted(&curve, &alone)?;
        before.extend(fit_target(&curve, &flat(), from_hz, to_hz).map(|it| it.1));
        after.extend(fit_target(&undone, &flat(), from_hz, to_hz).map(|it| it.1));
        tune.channels.push(channel);
        outputs.push(OutputFinding { sentence: sentence(&curve, from_hz, to_hz), name, curve: Some(curve) });
    }
    if outputs.is_empty() {
        return Err(JobError::not_yet(
            "no output of the head unit was measured",
            "take both sides in Source first",
        ));
    }
    refresh(&mut tune)?;
    let made_at = clock.now();
    let simulated = takes.iter().any(|take| take.simulated);
    let number = if tune.channels.is_empty() {
        None
    } else {
        Some(folder.save_tune(
            &tune,
            TuneNote {
                number: 1,
                made_at,
                title: "Undo of the factory, for the processor's inputs".into(),
                reasons: vec![Reason {
                    subject: "whole car".into(),
                    words: "What the factory did to the signal for its own speakers was taken back.".into(),
                }],
                based_on: None,
                takes: Vec::new(),
                simulated,
            },
        )?)
    };
    let flatness = mean(&before).zip(mean(&after)).map(|(rms_db_before, rms_db_after)| Flatness {
        from_hz: UNDO_BAND_HZ.0,
        to_hz: UNDO_BAND_HZ.1,
        rms_db_before,
        rms_db_after,
    });
    let first = outputs.iter().find_map(|it| it.curve.clone());
    let undone = match (&first, tune.channels.is_empty()) {
        (Some(curve), false) => Some(predicted(curve, &tune)?),
        _ => None,
    };
    let mut finding = Finding {
        made_at,
        outputs,
        combine: Vec::new(),
        before: first,
        undone,
        tune: number,
        flatness,
        loudness: Vec::new(),
        verdict: if judged_remarks.is_empty() { Verdict::Good } else { Verdict::Usable },
        remarks: judged_remarks,
        simulated,
    };
    if let Some(flatness) = &finding.flatness {
        finding.remarks.push(format!(
            "The factory signal is {:.1} dB rms off flat; with the undoing {:.1} dB are expected.",
            flatness.rms_db_before, flatness.rms_db_after
        ));
    }
    folder.save_finding(&finding)?;
    Ok(Judged { verdict: finding.verdict, remarks: finding.remarks.clone(), result: finding })
}

/// Beyond this the undoing did not do what it was expected to.
const SURPRISE_DB: f64 = 0.5;

/// Holds a second recording, made with the undoing typed in, against what was expected; updates the finding.
///
/// # Errors
/// No finding, or no take with the undoing yet.
pub fn check(folder: &VisitFolder) -> Result<Judged<Finding>, JobError> {
    let Some(mut finding) = folder.finding()? else {
        return Err(JobError::not_yet("nothing was found out about the source yet", "work it out first"));
    };
    let takes = folder.takes()?.found;
    let measured = line_curves(folder, &takes, UNDONE, AFTER_UNDO)?;
    let Some(expected) = finding.flatness else { return Ok(Judged::good(finding)) };
    let rms: Vec<f64> = measured
        .iter()
        .filter_map(|(_, curve)| {
            let (low_hz, high_hz) = passband(curve);
            let (from_hz, to_hz) = (low_hz.max(expected.from_hz), high_hz.min(expected.to_hz));
            fit_target(curve, &flat(), from_hz, to_hz).map(|it| it.1)
        })
        .collect();
    let Some(rms_db_after) = mean(&rms) else {
        return Err(JobError::not_yet(
            "the undoing has not been recorded yet",
            "take both sides again with it typed in",
        ));
    };
    let (verdict, words) = if rms_db_after > expected.rms_db_after + SURPRISE_DB {
        (Verdict::Usable, "more than expected: check that every number was typed in")
    } else {
        (Verdict::Good, "as expected")
    };
    finding.undone = measured.into_iter().next().map(|it| it.1);
    finding.flatness = Some(Flatness { rms_db_after, ..expected });
    finding.verdict = finding.verdict.max(verdict);
    finding.remarks.push(format!("A second recording shows {rms_db_after:.1} dB rms off flat, {words}."));
    folder.save_finding(&finding)?;
    Ok(Judged { verdict: finding.verdict, remarks: finding.remarks.clone(), result: finding })
}

/// What each side's music carries to each processor channel, from the newest takes: with the undoing where it was
/// recorded, otherwise as it came; nothing where the processor's outputs were not probed.
pub(crate) fn feeds(folder: &VisitFolder, takes: &[TakeRecord]) -> Result<Vec<Feed>, JobError> {
    let mut feeds = Vec::new();
    for (side, name) in SIDES {
        let newest = |label| newest(takes, name, label);
        let Some(take) = newest(UNDONE).or_else(|| newest(AS_IT_CAME)) else { continue };
        let lines = analysis::lines_of_take(folder, take)?;
        let loudest_db = lines.iter().map(|(_, response)| mean_level_db(response)).fold(f64::MIN, f64::max);
        for (line, response) in lines {
            let Some(channel) = line.strip_prefix(FITTED) else { continue };
            if mean_level_db(&response) > loudest_db - SILENT_DB {
                feeds.push(Feed { side, channel: channel.to_owned(), response });
            }
        }
    }
    Ok(feeds)
}

fn newest<'a>(takes: &'a [TakeRecord], subject: &str, label: &str) -> Option<&'a TakeRecord> {
    takes.iter().rfind(|take| {
        take.kind == TakeKind::Source
            && take.is_current()
            && take.verdict != Verdict::Retake
            && take.subject.as_deref() == Some(subject)
            && take.label.as_deref() == Some(label)
    })
}

/// The curve of each line whose name begins with `probe`, from the side that plays on it.
fn line_curves(
    folder: &VisitFolder,
    takes: &[TakeRecord],
    label: &str,
    probe: &str,
) -> Result<Vec<(String, Curve)>, JobError> {
    let mut curves: Vec<(String, Curve)> = Vec::new();
    for (_, subject) in SIDES {
        let Some(take) = newest(takes, subject, label) else { continue };
        let lines = analysis::lines_of_take(folder, take)?;
        let loudest_db = lines.iter().map(|(_, response)| mean_level_db(response)).fold(f64::MIN, f64::max);
        for (line, response) in lines {
            let Some(name) = line.strip_prefix(probe) else { continue };
            if mean_level_db(&response) > loudest_db - SILENT_DB
                && curves.iter().all(|(known, _)| known != name)
            {
                curves.push((name.to_owned(), curve_of(&response)));
            }
        }
    }
    Ok(curves)
}

fn curve_of(response: &[Complex]) -> Curve {
    let grid = log_grid_hz(20.0, 20_000.0, 48.0);
    let power: Vec<f64> = response.iter().map(Complex::norm_sqr).collect();
    let level_db = Bins::standard()
        .smooth(&power, &grid, 2.0 * SMOOTHING_PER_OCTAVE)
        .iter()
        .map(|p| dsp::decibel::of_power(p.max(1e-30)))
        .collect();
    Curve::of_levels(grid, level_db)
}

fn mean_level_db(response: &[Complex]) -> f64 {
    let power = response.iter().map(Complex::norm_sqr).sum::<f64>() / response.len().max(1) as f64;
    dsp::decibel::of_power(power.max(1e-30))
}

/// Where the line passes: from the first to the last frequency within 12 dB of its median level.
fn passband(curve: &Curve) -> (f64, f64) {
    let mut sorted = curve.level_db.clone();
    sorted.sort_by(f64::total_cmp);
    let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let inside = |level: &f64| *level > median - PASSES_DB;
    let low = curve.level_db.iter().position(inside).and_then(|i| curve.frequency_hz.get(i));
    let high = curve.level_db.iter().rposition(inside).and_then(|i| curve.frequency_hz.get(i));
    (low.copied().unwrap_or(20.0), high.copied().unwrap_or(20_000.0))
}

/// The most telling thing the factory did, in a sentence.
fn sentence(curve: &Curve, from_hz: f64, to_hz: f64) -> String {
    let Some((mean_db, rms_db)) = fit_target(curve, &flat(), from_hz, to_hz) else {
        return "It carries nothing that could be measured.".into();
    };
    let inside =
        curve.frequency_hz.iter().zip(&curve.level_db).filter(|(f, _)| (from_hz..=to_hz).contains(*f));
    let most = inside.map(|(f, level)| (*f, level - mean_db)).max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    match most {
        Some((hz, db)) if rms_db > 0.5 => format!(
            "The factory {} it most around {} ({db:+.1} dB); in all it is {rms_db:.1} dB rms off flat.",
            if db > 0.0 { "lifts" } else { "lowers" },
            hertz(hz)
        ),
        _ => format!("It is flat within {rms_db:.1} dB rms."),
    }
}

fn flat() -> Target {
    Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 1.0 }
}

fn predicted(curve: &Curve, tune: &Tune) -> Result<Curve, JobError> {
    let filters = tune.filters().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))?;
    Ok(filters.first().map_or_else(|| curve.clone(), |filter| filter.predict(curve)))
}

fn refresh(tune: &mut Tune) -> Result<(), JobError> {
    tune.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

pub(crate) fn side_name(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
        Side::Both => "both",
    }
}

pub(crate) fn limits_of(folder: &VisitFolder) -> Result<&Limits, JobError> {
    folder.record().limits.as_ref().ok_or_else(|| {
        JobError::not_yet("this visit does not say what the processor can do", "choose its limits in Intake")
    })
}
