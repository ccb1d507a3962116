//! The ways to undo the factory, by bands alone or by bands and taps, both worked out.

use audio::rig::Watch;
use dsp::curve::Curve;
use dsp::limits::Limits;
use dsp::system::FEWEST_TAPS;
use dsp::tune::ChannelTune;
use garage::finding::{OtherWay, OutputFinding, Sum, Way};

use super::plans::{Named, plans};
use crate::error::JobError;
use crate::factory::{self, Explained, combine_of, flat, lost_between_db, tap, weighed};
use crate::handover::changes::hertz;
use crate::voicing::fit_target;

/// The way to take, and the other where there is one.
pub(super) struct Ways {
    pub way: Way,
    pub sums: Vec<Sum>,
    /// What undoes them: a channel for each, of the same name.
    pub undo: Vec<ChannelTune>,
    pub remarks: Vec<String>,
    /// As [`garage::finding::Finding::lost_between_db`].
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
        Ok(match weighed(bands.figures(), taps.figures()).better {
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
        let (sum, channel) = joined.signal(name, parts);
        way.sums.push(sum);
        way.undo.push(channel);
    }
    Ok(way)
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
