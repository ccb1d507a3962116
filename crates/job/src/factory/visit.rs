//! The findings of line-level recordings, kept in a visit; and the sum of the outputs as a hand changes the plan.

use dsp::curve::Curve;
use dsp::factory::channel::Sure;
use dsp::factory::combine::{Plan, Use};
use dsp::verdict::Verdict;
use garage::finding::{Combine, Finding as Kept, OutputFinding};
use garage::{Reason, TuneNote, VisitFolder};
use rustfft::num_complex::Complex64;

use super::{Finding, Worked, level_db};
use crate::error::JobError;
use crate::handover::changes::hertz;
use crate::judged::Judged;
use crate::workplace::WorkClock;

/// Keeps what was worked out as the visit's finding, and the undo as a tune of its own number.
///
/// # Errors
/// A busy garage, the system's reason.
pub fn keep(folder: &VisitFolder, clock: &mut WorkClock, worked: Worked) -> Result<Judged<Kept>, JobError> {
    let made_at = clock.now();
    let simulated = folder.record().simulated;
    let words = "What the factory did to the signal for its own speakers was taken back.".into();
    let note = TuneNote {
        number: 1,
        made_at,
        title: "Undo of the factory, for the processor's inputs".into(),
        reasons: vec![Reason { subject: "whole car".into(), words }],
        based_on: None,
        takes: Vec::new(),
        simulated,
    };
    let number = folder.save_tune(&worked.undo, note)?;
    let Judged { result: found, verdict, remarks } = worked.findings;
    let outputs = found.channels.iter().zip(worked.outputs).map(|(channel, curve)| OutputFinding {
        name: channel.name.clone(),
        sentence: sentence(channel),
        curve: Some(curve),
    });
    let kept = Kept {
        made_at,
        outputs: outputs.collect(),
        combine: found
            .combine
            .into_iter()
            .map(|it| Combine {
                name: it.name,
                gain_db: it.gain_db,
                delay_ms: it.delay_ms,
                invert: it.invert,
                all_pass: it.all_pass,
            })
            .collect(),
        before: Some(worked.before),
        undone: Some(worked.predicted),
        tune: Some(number),
        flatness: Some(found.flatness),
        loudness: found.loudness,
        verdict,
        remarks,
        simulated,
    };
    folder.save_finding(&kept)?;
    Ok(Judged { result: kept.clone(), verdict: kept.verdict, remarks: kept.remarks })
}

/// Keeps a plan that was changed by hand; the undo stays that of the plan it was worked out for, and the finding says so.
///
/// # Errors
/// No finding yet, a plan whose outputs cannot be summed, a busy garage, the system's reason.
pub fn keep_plan(folder: &VisitFolder, combine: Vec<Combine>) -> Result<(), JobError> {
    const SAID: &str = "The plan was changed by hand: work it out again, or take the undoing with care.";
    let Some(mut kept) = folder.finding()? else {
        return Err(JobError::not_yet("nothing was found out about the source yet", "work it out first"));
    };
    let Some(before) = sum(&kept, &combine) else {
        return Err(JobError::not_yet(
            "these outputs cannot be summed: their phase was not kept",
            "work the recordings out again",
        ));
    };
    kept.before = Some(before);
    kept.combine = combine;
    kept.verdict = kept.verdict.max(Verdict::Usable);
    if kept.remarks.iter().all(|it| it != SAID) {
        kept.remarks.push(SAID.into());
    }
    Ok(folder.save_finding(&kept)?)
}

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
    let uses = combine.iter().enumerate().map(|(output, part)| Use {
        output,
        gain_db: part.gain_db,
        delay_ms: part.delay_ms,
        invert: part.invert,
        all_passes: part.all_pass.clone(),
    });
    let plan = Plan { uses: uses.collect(), left_out: Vec::new(), remarks: Vec::new() };
    let at = |output: usize, k: usize| {
        let (curve, phase_deg): &(&Curve, &Vec<f64>) = &used[output];
        Complex64::from_polar(dsp::decibel::amplitude_of(curve.level_db[k]), phase_deg[k].to_radians())
    };
    let summed = plan.sum(&grid, RATE_HZ, at);
    let levels = summed.iter().map(|h| level_db(*h)).collect();
    Some(Curve::of_levels(grid, levels))
}

/// A finding does not keep the rate of its recordings; it matters only to an all-pass near half of it.
const RATE_HZ: f64 = 48_000.0;

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
    for band in &found.equalisation {
        let gain = garage::entry::gain_words(band.gain_db);
        words.push_str(&format!("; {gain} at {}", hertz(band.frequency_hz)));
    }
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
