//! One channel at one position: play, record, analyse, judge, keep.

use audio::rig::Watch;
use dsp::curve::Curve;
use dsp::verdict::Verdict;
use garage::take::Driven;
use garage::{Channel, TakeKind, TakeRecord};
use serde::Serialize;

use crate::analysis::{self, Analysis};
use crate::error::JobError;
use crate::gates::{self, Finding};
use crate::judged::Judged;
use crate::plan::{band_of, level_dbfs};
use crate::workplace::{Taken, Wish, Workplace};

/// A take of the cabin stage, kept in the visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CabinTake {
    /// Its number in the visit.
    pub id: String,
    /// The channel that played.
    pub channel: String,
    /// Where the microphone was.
    pub position: String,
    /// What was measured; empty when there was nothing to find.
    pub curve: Curve,
    /// Direct sound after time zero, where there is a time reference.
    pub arrival_ms: Option<f64>,
    /// The earlier take that this one replaces; its recording stays.
    pub replaces: Option<String>,
    /// What each gate found.
    pub findings: Vec<Finding>,
}

/// Takes one channel at one position; an earlier take of the same is replaced, never deleted.
///
/// On the virtual car the microphone is put in its place; at a real one the tuner holds it there.
///
/// # Errors
/// A channel or position that is not there, a rig that fails, a disk that is full. A take that is merely bad is kept
/// and judged.
pub fn take(
    place: &mut Workplace,
    channel: &str,
    position: &str,
    watch: &Watch,
) -> Result<Judged<CabinTake>, JobError> {
    let channel = channel_of(place, channel)?.clone();
    let at = position_of(place, position)?.clone();
    place.rig.place_microphone(&place.folder.record().seat, &at)?;
    // The speaker alone: crossovers and the rest are put on it in the prediction.
    place.rig.enter_tune(None)?;
    let rig = place.rig_record()?;
    let recipe = place.plan.recipe(band_of(&channel), rig.rate_hz, level_dbfs(rig));
    let taken = place.record(
        Wish {
            kind: TakeKind::Cabin,
            subject: Some(channel.name.clone()),
            position: Some(at.name.clone()),
            label: None,
            recipe: Some(recipe),
            driven: vec![Driven { channel: channel.name.clone(), output: channel.output }],
            recorded: place.ears()?,
            tune: None,
            tail_s: place.plan.tail_s,
        },
        watch,
    )?;
    let band_hz = band_of(&channel);
    let (record, replaces, analysis, findings) = judge_and_keep(place, taken, band_hz)?;
    let mut judged = Judged::good(CabinTake {
        id: record.id,
        channel: channel.name,
        position: at.name,
        arrival_ms: analysis.as_ref().filter(|it| it.timed).map(|it| it.facts.arrival_ms),
        curve: analysis.map(|it| it.curve).unwrap_or_default(),
        replaces,
        findings,
    });
    judged.verdict = record.verdict;
    judged.remarks = record.remarks;
    Ok(judged)
}

/// The channel of that name, or an error that names those there are.
pub(crate) fn channel_of<'a>(place: &'a Workplace, name: &str) -> Result<&'a Channel, JobError> {
    let map = &place.folder.car().channel_map;
    map.channel(name).ok_or_else(|| {
        let known: Vec<&str> = map.channels.iter().map(|it| it.name.as_str()).collect();
        JobError::Input(format!("this car has no channel \"{name}\"; there is {}", known.join(", ")))
    })
}

/// The position of that name, or an error that names those there are.
pub(crate) fn position_of<'a>(
    place: &'a Workplace,
    name: &str,
) -> Result<&'a garage::visit::Position, JobError> {
    let positions = &place.folder.record().positions;
    positions.iter().find(|it| it.name == name).ok_or_else(|| {
        let known: Vec<&str> = positions.iter().map(|it| it.name.as_str()).collect();
        JobError::Input(format!("this visit has no position \"{name}\"; there is {}", known.join(", ")))
    })
}

type Kept = (TakeRecord, Option<String>, Option<Analysis>, Vec<Finding>);

/// Analyses a fresh take, judges it by every gate, and keeps it with its verdict.
pub(crate) fn judge_and_keep(
    place: &Workplace,
    mut taken: Taken,
    band_hz: (f64, f64),
) -> Result<Kept, JobError> {
    let analysed = analysis::of_recording(&place.folder, &taken.record, &taken.open.recording);
    let (analysis, mut findings) = match analysed {
        Ok(analysis) => {
            let findings =
                judge(&taken, &analysis, analysis::calibration_of(&place.folder).is_some(), band_hz);
            (Some(analysis), findings)
        }
        Err(JobError::Analysis(words)) => {
            taken.record.verdict = Verdict::Retake;
            taken.record.remarks.push(words);
            let mut findings = gates::recording(&taken.facts, 0);
            // Whatever the level was, it was not the sweep's: no gain is to be raised for it.
            findings.retain(|finding| finding.verdict == Verdict::Retake);
            findings.extend(gates::arrival(None));
            (None, findings)
        }
        Err(other) => return Err(other),
    };
    if let Some(analysis) = &analysis {
        taken.record.clock.skew_ppm = analysis.facts.clock_skew_ppm;
        // The analysis has its own doubts; where a gate says as much already, its advice is enough.
        let gates = findings.iter().map(|finding| finding.verdict).max().unwrap_or_default();
        if analysis.facts.verdict > gates || findings.is_empty() {
            taken.record.remarks.extend(analysis.facts.remarks.iter().cloned());
        }
        taken.record.verdict = taken.record.verdict.max(analysis.facts.verdict);
    }
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.verdict));
    for finding in &findings {
        taken.record.verdict = taken.record.verdict.max(finding.verdict);
        taken.record.remarks.push(finding.words.clone());
    }
    let (record, replaces) = place.keep(taken)?;
    if let Some(analysis) = &analysis {
        // A cache that cannot be written costs time, nothing else.
        let _ = analysis::to_cache(&place.folder, &record, analysis);
    }
    Ok((record, replaces, analysis, findings))
}

/// Every gate that a single take can be held against.
pub(crate) fn judge(
    taken: &Taken,
    analysis: &Analysis,
    calibrated: bool,
    (low_hz, high_hz): (f64, f64),
) -> Vec<Finding> {
    let snr: Vec<(f64, f64)> = analysis.facts.snr_db.iter().map(|band| (band.band_hz, band.db)).collect();
    let mut findings = gates::recording(&taken.facts, 0);
    findings.extend(gates::noise(&snr, low_hz, high_hz));
    findings.extend(gates::clock(analysis.facts.clock_skew_ppm, true));
    findings.extend(gates::arrival(Some(analysis.facts.arrival_ms)));
    findings.extend(gates::calibration(calibrated));
    findings
}
