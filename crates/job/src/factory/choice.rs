//! Bands alone or bands and taps: weighed against one another, and changed for one another.

use dsp::tune::Tune;
use garage::VisitFolder;
use garage::finding::{Figures, Finding, Flatness, OtherWay, Way};

use super::visit::{RECORDED_AGAIN, keep_undo, note_of, same_rate};
use crate::error::JobError;
use crate::workplace::WorkClock;

/// Both distances of a way as one.
fn whole_db(way: &Figures) -> f64 {
    way.off_db.hypot(way.lost_between_db)
}

/// Both ways side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// Bands alone.
    pub bands: Figures,
    /// Bands and taps.
    pub taps: Figures,
    /// The better after its cost.
    pub better: Way,
    /// Why, in a line.
    pub reason: String,
}

/// Less is not worth files to load (common practice, no source).
const FILES_WORTH_DB: f64 = 0.1;
/// What a millisecond of delay must bring (common practice, no source).
const DELAY_WORTH_DB_PER_MS: f64 = 0.02;

/// Both ways of a finding, weighed; nothing where there is one.
pub fn weigh(finding: &Finding) -> Option<Weighed> {
    let (taken, other) = (finding.figures(), finding.other_way.as_ref()?.figures());
    Some(match finding.way {
        Way::Bands => weighed(taken, other),
        Way::Taps => weighed(other, taken),
    })
}

/// Says which of both is the better after its cost.
pub(crate) fn weighed(bands: Figures, taps: Figures) -> Weighed {
    let won_db = whole_db(&bands) - whole_db(&taps);
    let cost_db = FILES_WORTH_DB + DELAY_WORTH_DB_PER_MS * taps.delay_ms;
    let delay = match taps.delay_ms {
        ms if ms > 0.0 => format!("{ms:.1} ms of delay"),
        _ => "no delay".to_owned(),
    };
    let (better, reason) = if won_db >= cost_db {
        let reason = format!("Taps win {won_db:.2} dB, for files to load and {delay}: they are worth it.");
        (Way::Taps, reason)
    } else if won_db > 0.0 {
        let reason = format!(
            "Taps would win {won_db:.2} dB, for files to load and {delay}: worth it from {cost_db:.2} dB on."
        );
        (Way::Bands, reason)
    } else {
        (Way::Bands, "Taps would win nothing over bands alone.".to_owned())
    };
    Weighed { bands, taps, better, reason }
}

/// Undoes the factory the way that was not taken: a new tune, which has yet to be typed in and recorded.
///
/// # Errors
/// No finding, no other way, limits that have come to another rate, a busy garage, the system's reason.
pub fn choose(folder: &VisitFolder, clock: &mut WorkClock, way: Way) -> Result<Finding, JobError> {
    let Some(mut kept) = folder.finding()? else {
        return Err(JobError::not_yet("nothing was found out about the source yet", "work it out first"));
    };
    if kept.way == way {
        return Ok(kept);
    }
    let (Some(other), Some(number)) = (kept.other_way.take(), kept.tune) else {
        return Err(JobError::not_yet(
            format!("there is no undoing by {} here", way.words()),
            "name the processor's taps in its limits and work the source out again",
        ));
    };
    let mut undo = folder.tune(number)?.tune;
    same_rate(&undo, folder.record().limits.as_ref())?;
    change(&mut kept, *other, &mut undo);
    kept.made_at = clock.now();
    kept.tune =
        Some(keep_undo(folder, &mut undo, note_of(kept.made_at, Some(number), kept.simulated), &kept)?);
    folder.save_finding(&kept)?;
    Ok(kept)
}

/// Takes the other way of a finding, and keeps the one that was taken as the other; `undo` is its undo.
pub(super) fn change(kept: &mut Finding, other: OtherWay, undo: &mut Tune) {
    let OtherWay { sums, undo: channels, remarks, lost_between_db } = other;
    let mut left = OtherWay {
        sums: std::mem::replace(&mut kept.sums, sums),
        undo: std::mem::replace(&mut undo.channels, channels),
        remarks: std::mem::replace(&mut kept.way_remarks, remarks),
        lost_between_db: std::mem::replace(&mut kept.lost_between_db, lost_between_db),
    };
    for sum in &mut left.sums {
        sum.measured = None;
        sum.flatness.iter_mut().for_each(|it| it.rms_db_measured = None);
    }
    let stays = |words: &String| {
        !left.remarks.contains(words) && !words.starts_with(RECORDED_AGAIN) && !words.starts_with(HEADLINE)
    };
    kept.remarks.retain(stays);
    kept.remarks.extend(kept.way_remarks.iter().cloned());
    kept.remarks.splice(0..0, headline(kept));
    (kept.way, kept.other_way) = (kept.way.other(), Some(Box::new(left)));
}

/// How [`headline`] begins.
const HEADLINE: &str = "The factory signal is";

/// How far from flat the whole is, and will be.
pub(crate) fn headline(finding: &Finding) -> Option<String> {
    let all: Vec<Flatness> = finding.sums.iter().filter_map(|sum| sum.flatness).collect();
    let mean = |of: fn(&Flatness) -> f64| all.iter().map(of).sum::<f64>() / all.len() as f64;
    (!all.is_empty()).then(|| {
        format!(
            "{HEADLINE} {:.1} dB rms off flat; with the undoing {:.1} dB are expected.",
            mean(|it| it.rms_db_before),
            mean(|it| it.rms_db_after)
        )
    })
}
