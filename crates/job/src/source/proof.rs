//! The undoing, recorded: what it really did, against what was expected.

use dsp::curve::Curve;
use dsp::verdict::Verdict;
use garage::finding::{Finding, Sum};
use garage::{TakeRecord, VisitFolder};

use super::{AFTER_UNDO, BOTH, JOINED, Signal, curve_of, newest, sounding};
use crate::analysis;
use crate::error::JobError;
use crate::factory::{RECORDED_AGAIN, flat};
use crate::judged::Judged;
use crate::voicing::fit_target;

/// Further than this from what was expected, rms, the undoing is not what was typed in.
const SURPRISE_DB: f64 = 0.5;

/// Holds a second recording, made with the undoing typed in, against what was expected; updates the finding.
///
/// # Errors
/// No finding, or no take with the undoing since it was worked out.
pub fn check(folder: &VisitFolder) -> Result<Judged<Finding>, JobError> {
    let Some(mut finding) = folder.finding()? else {
        return Err(JobError::not_yet("nothing was found out about the source yet", "work it out first"));
    };
    let takes = folder.takes()?.found;
    // All signals in one take, or each in its own.
    let again = |subject: &str| {
        newest(&takes, subject, Signal::Undone.label()).filter(|take| take.made_at >= finding.made_at)
    };
    let subjects = std::iter::once(BOTH).chain(finding.sums.iter().map(|sum| sum.name.as_str()));
    let found: Vec<&TakeRecord> = subjects.filter_map(again).collect();
    if found.is_empty() {
        return Err(JobError::not_yet(
            "the undoing has not been recorded yet",
            "take the factory signal again with it typed in",
        ));
    }
    let all_at_once = again(BOTH).is_some();
    let probe = if finding.is_joined() { JOINED } else { AFTER_UNDO };
    let mut measured = Vec::new();
    for take in found {
        measured.extend(sounding(analysis::lines_of_take(folder, take, None)?, probe));
    }
    finding.remarks.retain(|words| !words.starts_with(RECORDED_AGAIN));
    for sum in &mut finding.sums {
        let line = measured.iter().rfind(|(name, _)| *name == sum.name);
        if line.is_none() && !all_at_once {
            continue;
        }
        let (verdict, words) = match line {
            Some((_, response)) => prove(sum, curve_of(response)),
            None => {
                (Verdict::Usable, format!("{} is silent; check its wiring and what was typed in.", sum.name))
            }
        };
        finding.verdict = finding.verdict.max(verdict);
        finding.remarks.push(format!("{RECORDED_AGAIN} with the undoing: {words}"));
    }
    folder.save_finding(&finding)?;
    Ok(Judged { verdict: finding.verdict, remarks: finding.remarks.clone(), result: finding })
}

fn prove(sum: &mut Sum, measured: Curve) -> (Verdict, String) {
    let name = sum.name.clone();
    let Some(flatness) = &mut sum.flatness else {
        sum.measured = Some(measured);
        return (Verdict::Usable, format!("{name} was measured; nothing was expected of it."));
    };
    let (from_hz, to_hz) = (flatness.from_hz, flatness.to_hz);
    let Some((_, rms_db)) = fit_target(&measured, &flat(), from_hz, to_hz) else {
        return (Verdict::Usable, format!("{name} holds nothing that could be measured."));
    };
    flatness.rms_db_measured = Some(rms_db);
    let expected_db = flatness.rms_db_after;
    let apart = sum.predicted.as_ref().and_then(|predicted| apart(predicted, &measured, from_hz, to_hz));
    sum.measured = Some(measured);
    let told = format!("{name} strays from flat by {rms_db:.1} dB rms, {expected_db:.1} dB were expected");
    match apart {
        Some(apart_db) if apart_db > SURPRISE_DB => (
            Verdict::Usable,
            format!(
                "{told}, and its shape is {apart_db:.1} dB rms away from the one expected: check gain, polarity, delay and every filter that was typed in."
            ),
        ),
        _ => (Verdict::Good, format!("{told}.")),
    }
}

/// Rms distance between two shapes, their levels free.
fn apart(predicted: &Curve, measured: &Curve, from_hz: f64, to_hz: f64) -> Option<f64> {
    let points = predicted.frequency_hz.iter().zip(&predicted.level_db);
    let (hz, gaps): (Vec<f64>, Vec<f64>) =
        points.filter_map(|(&hz, db)| Some((hz, measured.level_at_db(hz)? - db))).unzip();
    fit_target(&Curve::of_levels(hz, gaps), &flat(), from_hz, to_hz).map(|it| it.1)
}
