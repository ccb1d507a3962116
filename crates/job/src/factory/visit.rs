//! The findings of line-level recordings, kept in a visit; and the sum of the outputs as a hand changes the plan.

use dsp::correct::{Options, propose};
use dsp::curve::Curve;
use dsp::factory::channel::Sure;
use dsp::factory::clean::Step;
use dsp::factory::combine::{Plan, Use};
use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Tune};
use garage::finding::{CleanVolume, Combine, Finding as Kept, Flatness, OutputFinding, Sum, ToneStep};
use garage::{Reason, TuneNote, VisitFolder};
use rustfft::num_complex::Complex64;

use super::{CleanVolumeFinding, Finding, Worked, flat, level_db, plain_limits};
use crate::error::JobError;
use crate::handover::changes::hertz;
use crate::judged::Judged;
use crate::workplace::WorkClock;

/// What an undo is kept with.
pub(crate) fn note_of(made_at: jiff::Timestamp, based_on: Option<u32>, simulated: bool) -> TuneNote {
    let words = "What the factory did to the signal for its own speakers was taken back.".into();
    TuneNote {
        number: 1,
        made_at,
        title: "Undo of the factory, for the processor's inputs".into(),
        reasons: vec![Reason { subject: "whole car".into(), words }],
        based_on,
        takes: Vec::new(),
        simulated,
    }
}

/// A plan as a finding keeps it.
pub(crate) fn combine_of(plan: &Plan, names: &[String]) -> Vec<Combine> {
    let part = |used: &Use| Combine {
        name: names[used.output].clone(),
        gain_db: used.gain_db,
        delay_ms: used.delay_ms,
        invert: used.invert,
        all_pass: used.all_passes.clone(),
        fir: used.fir.clone(),
    };
    plan.uses.iter().map(part).collect()
}

/// What the one signal of a finding from outside is called.
const JOINED: &str = "joined";

/// Keeps what was worked out as the visit's finding, and the undo as a tune of its own number.
///
/// # Errors
/// A busy garage, the system's reason.
pub fn keep(folder: &VisitFolder, clock: &mut WorkClock, worked: Worked) -> Result<Judged<Kept>, JobError> {
    let made_at = clock.now();
    let simulated = folder.record().simulated;
    let mut undo = worked.undo;
    undo.channels.iter_mut().for_each(|channel| channel.name = JOINED.into());
    let number = folder.save_tune(&undo, note_of(made_at, None, simulated))?;
    let Judged { result: found, verdict, remarks } = worked.findings;
    let outputs = found.channels.iter().zip(worked.outputs).map(|(channel, curve)| OutputFinding {
        name: channel.name.clone(),
        sentence: sentence(channel),
        curve: Some(curve),
    });
    let parts = found.combine.into_iter().map(|it| Combine {
        name: it.name,
        gain_db: it.gain_db,
        delay_ms: it.delay_ms,
        invert: it.invert,
        all_pass: it.all_pass,
        fir: it.fir,
    });
    let sum = Sum {
        name: JOINED.into(),
        parts: parts.collect(),
        before: worked.before,
        predicted: Some(worked.predicted),
        measured: None,
        flatness: Some(found.flatness),
    };
    let tones = found.clean_volume.into_iter().chain(found.clean_volume_elsewhere);
    let kept = Kept {
        made_at,
        outputs: outputs.collect(),
        sums: vec![sum],
        tune: Some(number),
        loudness: found.loudness,
        clean_volume: tones.map(clean_volume).collect(),
        verdict,
        remarks,
        simulated,
    };
    folder.save_finding(&kept)?;
    Ok(Judged { result: kept.clone(), verdict: kept.verdict, remarks: kept.remarks })
}

/// Steps are counted in the order they were heard: what the dial said is not in a recording.
fn clean_volume(found: CleanVolumeFinding) -> CleanVolume {
    let step = |(place, step): (usize, &Step)| ToneStep {
        volume: (place + 1).to_string(),
        level_dbfs: step.level_dbfs,
        thd_percent: step.thd_percent,
        thd_n_percent: step.thd_n_percent,
    };
    CleanVolume {
        frequency_hz: found.frequency_hz,
        output: String::new(),
        limit_percent: found.limit_percent,
        highest: found.highest,
        next: found.next,
        steps: found.steps.iter().enumerate().map(step).collect(),
    }
}

/// A plan that was changed by hand, with an undo worked out for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Reworked {
    /// The signal as it then is.
    pub sum: Sum,
    /// What undoes it.
    pub undo: ChannelTune,
}

/// Works an undo out for the plan `parts` of the signal `name`, beginning at the one in `was`.
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
    let Some(before) = sum(finding, &parts) else {
        return Err(JobError::not_yet(
            "these outputs cannot be summed: their phase was not kept",
            "work the recordings out again",
        ));
    };
    let Some(sum) = finding.sum(name) else {
        return Err(JobError::Input(format!("no signal called \"{name}\" is joined here")));
    };
    let limits = Limits { fir_taps: 0, ..limits.cloned().unwrap_or_else(plain_limits) };
    let channel = was.and_then(|was| was.channels.iter().find(|channel| channel.name == name));
    let start = channel.map_or_else(Vec::new, |channel| channel.sections.clone());
    let (from_hz, to_hz) =
        passes(&before, sum.flatness.map_or((30.0, 16_000.0), |it| (it.from_hz, it.to_hz)));
    let options = Options { from_hz, to_hz, start, ..Options::default() };
    let proposal =
        propose(&before, &flat(), &limits, &options).map_err(|e| JobError::Analysis(e.to_string()))?;
    // The balance between the signals stays what it was.
    let gain_db = channel.map_or(0.0, |channel| channel.gain_db);
    let undo =
        ChannelTune { name: name.to_owned(), gain_db, sections: proposal.sections, ..ChannelTune::default() };
    let mut predicted = proposal.curve;
    predicted.level_db.iter_mut().for_each(|db| *db += gain_db);
    let flatness = Some(Flatness {
        from_hz,
        to_hz,
        rms_db_before: proposal.predicted.rms_error_db_before,
        rms_db_after: proposal.predicted.rms_error_db_after,
        rms_db_measured: None,
    });
    let sum =
        Sum { name: name.to_owned(), parts, before, predicted: Some(predicted), measured: None, flatness };
    Ok(Reworked { sum, undo })
}

/// Keeps a plan that was changed by hand, with an undo worked out for it: a new tune, in which the other sums keep theirs.
///
/// # Errors
/// No finding yet, no such sum, a plan whose outputs cannot be summed or undone, a busy garage, the system's reason.
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
    let reworked = rework(&kept, was.as_ref(), limits, name, parts)?;
    let mut undo = was.unwrap_or_else(|| Tune {
        sample_rate_hz: limits.map_or_else(|| plain_limits().sample_rate_hz, |it| it.sample_rate_hz),
        ..Tune::default()
    });
    match undo.channels.iter_mut().find(|channel| channel.name == name) {
        Some(channel) => *channel = reworked.undo,
        None => undo.channels.push(reworked.undo),
    }
    undo.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))?;
    kept.sums.iter_mut().filter(|sum| sum.name == name).for_each(|sum| *sum = reworked.sum.clone());
    let made_at = clock.now();
    kept.made_at = made_at;
    kept.tune = Some(folder.save_tune(&undo, note_of(made_at, kept.tune, kept.simulated))?);
    kept.remarks.retain(|words| !words.starts_with(RECORDED_AGAIN));
    let said = format!("The plan of {name} was changed by hand, and the undoing worked out again for it.");
    if !kept.remarks.contains(&said) {
        kept.remarks.push(said);
    }
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

/// How a remark about a second recording begins.
pub(crate) const RECORDED_AGAIN: &str = "A second recording";

/// The outputs of a finding summed by `combine`; nothing where an output's phase was not kept.
pub fn sum(finding: &Kept, combine: &[Combine]) -> Option<Curve> {
    let mut used = Vec::new();
    for part in combine {
        let curve = finding.outputs.iter().find(|it| it.name == part.name)?.curve.as_ref()?;
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
    let levels = summed.iter().map(|h| level_db(*h)).collect();
    Some(Curve::of_levels(grid, levels))
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

/// Bands that are named in a sentence; the others are counted.
const NAMED: usize = 3;

/// The strongest equaliser bands inside the output's own band.
fn bends(found: &Finding) -> String {
    let inside = |hz: f64| (0.7 * found.band_hz[0]..=1.4 * found.band_hz[1]).contains(&hz);
    let mut bands: Vec<_> = found.equalisation.iter().filter(|band| inside(band.frequency_hz)).collect();
    bands.sort_by(|a, b| b.gain_db.abs().total_cmp(&a.gain_db.abs()));
    let named: Vec<String> = bands
        .iter()
        .take(NAMED)
        .map(|band| {
            let gain = garage::entry::gain_words((band.gain_db * 10.0).round() / 10.0);
            format!("{gain} at {}", hertz(band.frequency_hz))
        })
        .collect();
    match bands.len().saturating_sub(NAMED) {
        _ if named.is_empty() => String::new(),
        0 => format!("; bent by {}", named.join(", ")),
        more => format!("; bent by {} and {more} more", named.join(", ")),
    }
}

/// What the factory did to one output, in a sentence.
pub fn sentence(found: &Finding) -> String {
    let mut words = format!(
        "{} to {}, {:+.1} dB, {}",
        hertz(found.band_hz[0]),
        hertz(found.band_hz[1]),
        found.level_db,
        match found.polarity {
            "normal" => "the right way round",
            "inverted" => "turned over",
            _ => "polarity unclear",
        }
    );
    if let Some(delay_ms) = found.delay_ms.filter(|ms| *ms > 0.0005) {
        words.push_str(&format!(", {delay_ms:.2} ms after the earliest"));
    }
    for slope in &found.slopes {
        let family = &slope.family;
        words.push_str(&format!("; {} edge {} dB/oct, {family}", slope.edge, slope.db_per_oct));
    }
    words.push_str(&bends(found));
    for all_pass in &found.all_pass {
        let order = if all_pass.order == 1 { "first" } else { "second" };
        words.push_str(&format!("; all-pass of {order} order at {}", hertz(all_pass.frequency_hz)));
    }
    if found.side != "unknown" {
        words.push_str(match found.side {
            "left" => "; fed by the left side",
            "right" => "; fed by the right side",
            "sum" => "; fed by both sides alike",
            "difference" => "; fed by the difference of the sides",
            _ => "; fed by a mix of the sides",
        });
    }
    if let Some(line) = found.quiet.as_ref().and_then(|quiet| quiet.hum.first()) {
        words.push_str(&format!("; hums at {}", hertz(line.frequency_hz)));
    }
    words.push_str(match found.sure {
        Sure::High => ". Sure.",
        Sure::Medium => ". Fairly sure.",
        Sure::Low => ". Not sure.",
    });
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use dsp::curve::log_grid_hz;
    use dsp::filter::ChannelFilter;
    use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass};

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
}
