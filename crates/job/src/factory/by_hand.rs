//! The sum of the outputs as a hand changes the plan, and an undo worked out for it.

use dsp::correct::{Options, propose};
use dsp::curve::Curve;
use dsp::factory::combine::{Plan, Use};
use dsp::filter::ChannelFilter;
use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Tune};
use garage::VisitFolder;
use garage::finding::{Combine, Finding as Kept, Flatness, OutputFinding, Sum, Way};
use rustfft::num_complex::Complex64;

use super::visit::{RECORDED_AGAIN, keep_undo, note_of, same_rate};
use super::{flat, level_db, plain_limits, tap};
use crate::error::JobError;
use crate::workplace::WorkClock;

/// A plan that was changed by hand, with an undo worked out for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Reworked {
    /// The signal as it then is.
    pub sum: Sum,
    /// What undoes it.
    pub undo: ChannelTune,
}

/// Works an undo out for the plan `parts` of the signal `name`, beginning at the one in `was`, the way that the finding goes.
///
/// # Errors
/// No such signal, a plan whose outputs cannot be summed or undone.
pub fn rework(
    finding: &Kept,
    was: Option<&Tune>,
    limits: Option<&Limits>,
    name: &str,
    parts: Vec<Combine>,
) -> Result<Reworked, JobError> {
    let mut limits = limits.cloned().unwrap_or_else(plain_limits);
    if let Some(was) = was {
        limits.sample_rate_hz = was.sample_rate_hz;
    }
    let channel = was.and_then(|was| was.channels.iter().find(|channel| channel.name == name));
    undone(finding, finding.way, channel, &limits, name, parts)
}

/// The same for either way, beginning at the bands of `channel`.
fn undone(
    finding: &Kept,
    way: Way,
    channel: Option<&ChannelTune>,
    limits: &Limits,
    name: &str,
    parts: Vec<Combine>,
) -> Result<Reworked, JobError> {
    let Some(before) = sum(finding, &parts) else {
        return Err(JobError::not_yet(
            "these outputs cannot be summed: their phase was not kept",
            "work the recordings out again",
        ));
    };
    let Some(was) = finding.sums_of(way).iter().find(|sum| sum.name == name) else {
        return Err(JobError::Input(format!("no signal called \"{name}\" is joined here")));
    };
    let start = channel.map_or_else(Vec::new, |channel| channel.sections.clone());
    let (from_hz, to_hz) =
        passes(&before, was.flatness.map_or((30.0, 16_000.0), |it| (it.from_hz, it.to_hz)));
    let options = Options { from_hz, to_hz, start, ..Options::default() };
    let bands = Limits { fir_taps: 0, ..limits.clone() };
    let proposal =
        propose(&before, &flat(), &bands, &options).map_err(|e| JobError::Analysis(e.to_string()))?;
    let flatness = Some(Flatness {
        from_hz,
        to_hz,
        rms_db_before: proposal.predicted.rms_error_db_before,
        rms_db_after: proposal.predicted.rms_error_db_after,
        rms_db_measured: None,
    });
    let (name, predicted) = (name.to_owned(), Some(proposal.curve));
    let mut undo = ChannelTune { name: name.clone(), sections: proposal.sections, ..ChannelTune::default() };
    let mut sum = Sum { name, parts, before, predicted, measured: None, flatness };
    if way == Way::Taps {
        tap(&mut sum, &mut undo, limits)?;
    }
    // The balance between the signals stays what it was.
    undo.gain_db = channel.map_or(0.0, |channel| channel.gain_db);
    sum.predicted.iter_mut().flat_map(|it| &mut it.level_db).for_each(|db| *db += undo.gain_db);
    Ok(Reworked { sum, undo })
}

/// Keeps a plan that was changed by hand, with an undo worked out for it: a new tune, in which the other sums keep theirs.
/// Where the way that was not taken has the same plan, that is changed as well.
///
/// # Errors
/// No finding yet, no such sum, a plan whose outputs cannot be summed or undone, limits that have come to another rate, a
/// busy garage, the system's reason.
pub fn keep_plan(
    folder: &VisitFolder,
    clock: &mut WorkClock,
    name: &str,
    parts: Vec<Combine>,
) -> Result<(), JobError> {
    let Some(mut kept) = folder.finding()? else {
        return Err(JobError::not_yet("nothing was found out about the source yet", "work it out first"));
    };
    let limits = folder.record().limits.as_ref();
    let was = kept.tune.map(|number| folder.tune(number)).transpose()?.map(|was| was.tune);
    was.iter().try_for_each(|was| same_rate(was, limits))?;
    let reworked = rework(&kept, was.as_ref(), limits, name, parts.clone())?;
    let said = format!("The plan of {name} was changed by hand, and the undoing worked out again for it.");
    let say = |remarks: &mut Vec<String>| {
        if !remarks.contains(&said) {
            remarks.push(said.clone());
        }
    };
    if let Some(mut other) = kept.other_way.take() {
        let plan = |sums: &[Sum]| sums.iter().find(|sum| sum.name == name).map(|sum| sum.parts.clone());
        if plan(&other.sums) == plan(&kept.sums) {
            let limits = limits.cloned().unwrap_or_else(plain_limits);
            let (way, finding) = (kept.way.other(), Kept { other_way: Some(other.clone()), ..kept.clone() });
            let channel = other.undo.iter().find(|channel| channel.name == name);
            let Reworked { sum, undo } = undone(&finding, way, channel, &limits, name, parts)?;
            other.sums.iter_mut().filter(|it| it.name == name).for_each(|it| *it = sum.clone());
            other.undo.iter_mut().filter(|it| it.name == name).for_each(|it| *it = undo.clone());
            let rate_hz = limits.sample_rate_hz;
            other.lost_between_db = lost_between_db(&kept.outputs, &other.sums, &other.undo, rate_hz);
            say(&mut other.remarks);
        }
        kept.other_way = Some(other);
    }
    let mut undo = was.unwrap_or_else(|| Tune {
        sample_rate_hz: limits.map_or_else(|| plain_limits().sample_rate_hz, |it| it.sample_rate_hz),
        ..Tune::default()
    });
    match undo.channels.iter_mut().find(|channel| channel.name == name) {
        Some(channel) => *channel = reworked.undo,
        None => undo.channels.push(reworked.undo),
    }
    kept.sums.iter_mut().filter(|sum| sum.name == name).for_each(|sum| *sum = reworked.sum.clone());
    kept.lost_between_db = lost_between_db(&kept.outputs, &kept.sums, &undo.channels, undo.sample_rate_hz);
    let made_at = clock.now();
    kept.made_at = made_at;
    kept.tune = Some(keep_undo(folder, &mut undo, note_of(made_at, kept.tune, kept.simulated), &kept)?);
    kept.remarks.retain(|words| !words.starts_with(RECORDED_AGAIN));
    say(&mut kept.remarks);
    say(&mut kept.way_remarks);
    Ok(folder.save_finding(&kept)?)
}

/// Below most of its band by this much a signal passes nothing.
const PASSES_DB: f64 = 10.0;

/// The part of `band_hz` that a changed plan still passes, so that nothing is boosted beyond it.
fn passes(curve: &Curve, band_hz: (f64, f64)) -> (f64, f64) {
    let points = curve.frequency_hz.iter().zip(&curve.level_db);
    let inside: Vec<(f64, f64)> =
        points.filter(|(hz, _)| (band_hz.0..=band_hz.1).contains(*hz)).map(|(hz, db)| (*hz, *db)).collect();
    let mut levels: Vec<f64> = inside.iter().map(|it| it.1).collect();
    levels.sort_by(f64::total_cmp);
    // Four fifths up: a plan may have lost most of the band.
    let Some(loud_db) = levels.get(levels.len() * 4 / 5) else { return band_hz };
    let mut heard = inside.iter().filter(|(_, db)| *db > loud_db - PASSES_DB).map(|it| it.0);
    let first_hz = heard.next().unwrap_or(band_hz.0);
    (first_hz, heard.next_back().unwrap_or(band_hz.1))
}

/// The outputs of a finding summed by `combine`; nothing where an output's phase was not kept.
pub fn sum(finding: &Kept, combine: &[Combine]) -> Option<Curve> {
    let (grid, summed) = joined(&finding.outputs, combine)?;
    let levels = summed.iter().map(|h| level_db(*h)).collect();
    Some(Curve::of_levels(grid, levels))
}

/// The grid of the outputs, and what they sum to on it.
fn joined(outputs: &[OutputFinding], combine: &[Combine]) -> Option<(Vec<f64>, Vec<Complex64>)> {
    let mut used = Vec::new();
    for part in combine {
        let curve = outputs.iter().find(|it| it.name == part.name)?.curve.as_ref()?;
        used.push((curve, curve.phase_deg.as_ref()?));
    }
    let grid = used.first()?.0.frequency_hz.clone();
    if used.iter().any(|(curve, _)| curve.frequency_hz != grid) {
        return None;
    }
    let at = |output: usize, k: usize| {
        let (curve, phase_deg): &(&Curve, &Vec<f64>) = &used[output];
        Complex64::from_polar(dsp::decibel::amplitude_of(curve.level_db[k]), phase_deg[k].to_radians())
    };
    let summed = sum_at(combine, &grid, at);
    Some((grid, summed))
}

/// A point at which nothing is left counts as this.
const ALL_LOST_DB: f64 = -20.0;

/// What is lost of music that both sides carry alike since the two do not turn alike, rms over the band that both pass, in
/// dB: 0 where their sum is as loud as both together. Nothing where there are no two joined sides.
pub(crate) fn lost_between_db(
    outputs: &[OutputFinding],
    sums: &[Sum],
    undo: &[ChannelTune],
    rate_hz: f64,
) -> Option<f64> {
    let [(a, of_a), (b, of_b)] = [sums.first().zip(undo.first())?, sums.get(1).zip(undo.get(1))?];
    let (grid, left) = joined(outputs, &a.parts)?;
    let (_, right) = joined(outputs, &b.parts)?;
    let filter = |channel: &ChannelTune| Some(ChannelFilter::new(channel, rate_hz).ok()?.responses(&grid));
    let (of_a, of_b) = (filter(of_a)?, filter(of_b)?);
    let (a, b) = (a.flatness?, b.flatness?);
    let band_hz = a.from_hz.max(b.from_hz)..=a.to_hz.min(b.to_hz);
    let lost: Vec<f64> = (0..grid.len())
        .filter(|&k| band_hz.contains(&grid[k]))
        .map(|k| (left[k] * of_a[k], right[k] * of_b[k]))
        .map(|(l, r)| level_db((l + r) / (l.norm() + r.norm()).max(f64::MIN_POSITIVE)).max(ALL_LOST_DB))
        .collect();
    (!lost.is_empty()).then(|| (lost.iter().map(|db| db * db).sum::<f64>() / lost.len() as f64).sqrt())
}

/// What `parts` sum to at `frequency_hz`; `response` gives part `p` at frequency `k`.
pub(crate) fn sum_at(
    parts: &[Combine],
    frequency_hz: &[f64],
    response: impl Fn(usize, usize) -> Complex64,
) -> Vec<Complex64> {
    let uses = parts.iter().enumerate().map(|(output, part)| Use {
        output,
        gain_db: part.gain_db,
        delay_ms: part.delay_ms,
        invert: part.invert,
        all_passes: part.all_pass.clone(),
        fir: part.fir.clone(),
    });
    let plan = Plan { uses: uses.collect(), left_out: Vec::new(), remarks: Vec::new() };
    plan.sum(frequency_hz, RATE_HZ, response)
}

/// A finding does not keep the rate of its recordings; it matters only to an all-pass near half of it.
const RATE_HZ: f64 = 48_000.0;

#[cfg(test)]
mod tests {
    use super::*;
    use dsp::curve::log_grid_hz;
    use dsp::tune::{Crossover, CrossoverFamily, Pass};

    fn half(name: &str, pass: Pass) -> OutputFinding {
        let family = CrossoverFamily::LinkwitzRiley;
        let crossovers = vec![Crossover { pass, family, order: 4, frequency_hz: 1000.0 }];
        let filter =
            ChannelFilter::new(&ChannelTune { crossovers, ..ChannelTune::default() }, RATE_HZ).unwrap();
        let grid = log_grid_hz(30.0, 18_000.0, 24.0);
        let response = filter.responses(&grid);
        let mut curve = Curve::of_levels(grid, response.iter().map(|h| level_db(*h)).collect());
        curve.phase_deg = Some(response.iter().map(|h| h.arg().to_degrees()).collect());
        OutputFinding { name: name.into(), sentence: String::new(), curve: Some(curve) }
    }

    #[test]
    fn two_halves_sum_flat_until_one_is_turned_over() {
        let mut finding: Kept = serde_json::from_value(serde_json::json!({
            "made_at": "2026-03-14T09:45:00Z", "outputs": [], "verdict": "good"
        }))
        .unwrap();
        finding.outputs = vec![half("low", Pass::Low), half("high", Pass::High)];
        let part = |name: &str| Combine { name: name.into(), ..Combine::default() };
        let mut combine = vec![part("low"), part("high")];
        let flat = sum(&finding, &combine).unwrap();
        // A fourth-order Linkwitz-Riley pair sums to an all-pass (Linkwitz 1976); the tolerance is rounding.
        assert!(flat.level_db.iter().all(|db| db.abs() < 1e-6), "{:?}", flat.level_db);
        combine[1].invert = true;
        let dip_db = sum(&finding, &combine).unwrap().level_at_db(1000.0).unwrap();
        assert!(dip_db < -20.0, "{dip_db}");
        finding.outputs[0].curve.as_mut().unwrap().phase_deg = None;
        assert_eq!(sum(&finding, &combine), None);
    }

    /// Two sides of which one is turned by a quarter lose 3 dB of what they share; alike they lose nothing (closed form).
    #[test]
    fn sides_that_turn_apart_lose_what_they_share() {
        let mut outputs = vec![half("low", Pass::Low), half("high", Pass::Low)];
        let sum = |name: &str, part: &str| Sum {
            name: name.into(),
            parts: vec![Combine { name: part.into(), ..Combine::default() }],
            flatness: Some(Flatness { from_hz: 40.0, to_hz: 400.0, ..Flatness::default() }),
            ..Sum::default()
        };
        let sums = [sum("left", "low"), sum("right", "high")];
        let undo = [ChannelTune::default(), ChannelTune::default()];
        let lost_db = |outputs: &[OutputFinding]| lost_between_db(outputs, &sums, &undo, RATE_HZ).unwrap();
        assert!(lost_db(&outputs) < 1e-9);
        let turned = outputs[1].curve.as_mut().unwrap().phase_deg.as_mut().unwrap();
        turned.iter_mut().for_each(|deg| *deg += 90.0);
        assert!((lost_db(&outputs) - 3.0103).abs() < 1e-3, "{}", lost_db(&outputs));
    }
}
