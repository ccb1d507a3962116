//! The ways to undo the factory, by bands alone or by bands and taps: both worked out, weighed, and changed for one another.

use audio::rig::Watch;
use dsp::curve::Curve;
use dsp::limits::Limits;
use dsp::system::FEWEST_TAPS;
use dsp::tune::ChannelTune;
use garage::VisitFolder;
use garage::finding::{Finding, Flatness, OtherWay, OutputFinding, Sum, Way};

use super::plans::{Named, plans};
use crate::error::JobError;
use crate::factory::{
    self, Explained, Joined, RECORDED_AGAIN, combine_of, flat, keep_undo, lost_between_db, note_of,
    same_rate, tap,
};
use crate::handover::changes::hertz;
use crate::voicing::fit_target;
use crate::workplace::WorkClock;

/// The way to take, and the other where there is one.
pub(super) struct Ways {
    pub way: Way,
    pub sums: Vec<Sum>,
    /// What undoes them: a channel for each, of the same name.
    pub undo: Vec<ChannelTune>,
    pub remarks: Vec<String>,
    /// As [`Finding::lost_between_db`].
    pub lost_between_db: Option<f64>,
    pub other: Option<OtherWay>,
}

impl Ways {
    /// Works out every way that the limits allow.
    pub fn of(
        heard: &Explained,
        facts: &[factory::Finding],
        outputs: &[OutputFinding],
        limits: &Limits,
        watch: &Watch,
    ) -> Result<Self, JobError> {
        let (plans_of_bands, mut remarks) = plans(heard, facts, limits, Way::Bands);
        let mut bands = undone(heard, &plans_of_bands, limits, watch)?;
        if (1..FEWEST_TAPS).contains(&limits.fir_taps) {
            remarks.push(format!(
                "The processor's {} taps are too few to undo anything that bands do not; from {FEWEST_TAPS} on they would be used.",
                limits.fir_taps
            ));
        }
        let mut taps = None;
        if limits.fir_taps >= FEWEST_TAPS {
            let (plans_of_taps, said) = plans(heard, facts, limits, Way::Taps);
            let mut with = if plans_of_taps == plans_of_bands {
                bands.clone()
            } else {
                undone(heard, &plans_of_taps, limits, watch)?
            };
            with.remarks = said;
            for (sum, channel) in with.sums.iter_mut().zip(&mut with.undo) {
                if watch.stopping() {
                    return Err(JobError::Stopped);
                }
                tap(sum, channel, limits)?;
            }
            if with.undo.iter().any(|channel| channel.fir.is_some()) {
                with.remarks.extend(reach_words(&with.sums, limits));
            }
            settle(&mut with, outputs, limits);
            taps = has_taps(&with).then_some(with);
            if taps.is_none() {
                remarks.push("Taps would bring nothing that the bands do not: none are filled.".into());
            }
        }
        bands.remarks = remarks;
        settle(&mut bands, outputs, limits);
        let Some(taps) = taps else { return Ok(Self::taken(Way::Bands, bands, None)) };
        Ok(match weighed(Figures::of_other(&bands), Figures::of_other(&taps)).better {
            Way::Bands => Self::taken(Way::Bands, bands, Some(taps)),
            Way::Taps => Self::taken(Way::Taps, taps, Some(bands)),
        })
    }

    fn taken(way: Way, taken: OtherWay, other: Option<OtherWay>) -> Self {
        let OtherWay { sums, undo, remarks, lost_between_db } = taken;
        Self { way, sums, undo, remarks, lost_between_db, other }
    }
}

fn has_taps(way: &OtherWay) -> bool {
    let in_parts = way.sums.iter().flat_map(|sum| &sum.parts).any(|part| part.fir.is_some());
    in_parts || way.undo.iter().any(|channel| channel.fir.is_some())
}

/// Below this taps resolve nothing, as [`dsp::system::taps`] makes them; worth a word where it is inside the band.
fn reach_words(sums: &[Sum], limits: &Limits) -> Option<String> {
    let from_hz = 2.0 * limits.sample_rate_hz / limits.fir_taps as f64;
    let band_hz = sums.iter().filter_map(|sum| Some(sum.flatness?.from_hz)).fold(f64::INFINITY, f64::min);
    (from_hz > 2.0 * band_hz).then(|| {
        format!(
            "{} taps at {} Hz reach down to {}; below, the bands alone undo.",
            limits.fir_taps,
            limits.sample_rate_hz,
            hertz(from_hz)
        )
    })
}

/// Each signal with bands that undo it.
fn undone(heard: &Explained, plans: &[Named], limits: &Limits, watch: &Watch) -> Result<OtherWay, JobError> {
    let limits = Limits { fir_taps: 0, ..limits.clone() };
    let mut way = OtherWay { sums: Vec::new(), undo: Vec::new(), remarks: Vec::new(), lost_between_db: None };
    for (name, plan, is_joined) in plans {
        if watch.stopping() {
            return Err(JobError::Stopped);
        }
        let joined = heard.undo(plan.clone(), &flat(), &limits)?;
        let parts = if *is_joined { combine_of(&joined.plan, &heard.names) } else { Vec::new() };
        let flatness = Some(flatness(&joined));
        let Joined { before, proposal, .. } = joined;
        let (name, predicted) = (name.clone(), Some(proposal.curve));
        way.undo.push(ChannelTune {
            name: name.clone(),
            sections: proposal.sections,
            ..ChannelTune::default()
        });
        way.sums.push(Sum { name, parts, before, predicted, measured: None, flatness });
    }
    Ok(way)
}

/// What a way costs and gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Mean over the signals of how far from flat each is expected, rms.
    pub off_db: f64,
    /// What is lost of music that both sides carry alike, rms; 0 where there are no two sides.
    pub lost_between_db: f64,
    /// What taps delay everything by.
    pub delay_ms: f64,
}

impl Figures {
    fn of_other(way: &OtherWay) -> Self {
        Self::of(&way.sums, way.lost_between_db)
    }

    /// Both distances as one.
    fn whole_db(&self) -> f64 {
        self.off_db.hypot(self.lost_between_db)
    }

    fn of(sums: &[Sum], lost_between_db: Option<f64>) -> Self {
        let off_db = sums.iter().filter_map(|sum| Some(sum.flatness?.rms_db_after)).sum::<f64>();
        let taps = sums.iter().flat_map(|sum| &sum.parts).filter_map(|part| part.fir.as_ref());
        Self {
            off_db: off_db / sums.len().max(1) as f64,
            lost_between_db: lost_between_db.unwrap_or(0.0),
            delay_ms: taps.map(|fir| fir.delay_ms()).fold(0.0, f64::max),
        }
    }
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
    let other = Figures::of_other(finding.other_way.as_ref()?);
    let taken = Figures::of(&finding.sums, finding.lost_between_db);
    Some(match finding.way {
        Way::Bands => weighed(taken, other),
        Way::Taps => weighed(other, taken),
    })
}

fn weighed(bands: Figures, taps: Figures) -> Weighed {
    let won_db = bands.whole_db() - taps.whole_db();
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
    let OtherWay { sums, undo: channels, remarks, lost_between_db } = *other;
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
    kept.remarks.splice(0..0, headline(&kept));
    (kept.way, kept.other_way, kept.made_at) = (way, Some(Box::new(left)), clock.now());
    kept.tune =
        Some(keep_undo(folder, &mut undo, note_of(kept.made_at, Some(number), kept.simulated), &kept)?);
    folder.save_finding(&kept)?;
    Ok(kept)
}

/// Keeps the balance, and says what the sides lose between them.
fn settle(way: &mut OtherWay, outputs: &[OutputFinding], limits: &Limits) {
    keep_the_balance(way, limits);
    way.lost_between_db = lost_between_db(outputs, &way.sums, &way.undo, limits.sample_rate_hz);
}

/// Undoing lifts one signal more than another, since only its shape counts; the others are turned down by the difference,
/// so that the signals keep their balance.
fn keep_the_balance(way: &mut OtherWay, limits: &Limits) {
    let lifted_db = |sum: &Sum| {
        let flatness = sum.flatness?;
        let level = |curve: &Curve| fit_target(curve, &flat(), flatness.from_hz, flatness.to_hz);
        Some(level(sum.predicted.as_ref()?)?.0 - level(&sum.before)?.0)
    };
    let lifted: Vec<f64> = way.sums.iter().map(|sum| lifted_db(sum).unwrap_or(0.0)).collect();
    let least = lifted.iter().copied().fold(f64::INFINITY, f64::min);
    for ((sum, channel), lifted) in way.sums.iter_mut().zip(&mut way.undo).zip(lifted) {
        channel.gain_db = limits.gain_db.on_step(least - lifted);
        if let Some(predicted) = &mut sum.predicted {
            predicted.level_db.iter_mut().for_each(|db| *db += channel.gain_db);
        }
    }
}

fn flatness(joined: &Joined) -> Flatness {
    let (from_hz, to_hz) = joined.band_hz;
    let predicted = &joined.proposal.predicted;
    Flatness {
        from_hz,
        to_hz,
        rms_db_before: predicted.rms_error_db_before,
        rms_db_after: predicted.rms_error_db_after,
        rms_db_measured: None,
    }
}

/// How [`headline`] begins.
const HEADLINE: &str = "The factory signal is";

/// How far from flat the whole is, and will be.
pub(super) fn headline(finding: &Finding) -> Option<String> {
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
