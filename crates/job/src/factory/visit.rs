//! The findings of line-level recordings, kept in a visit.

use dsp::factory::channel::Sure;
use dsp::factory::clean::Step;
use dsp::factory::combine::{Plan, Use};
use dsp::limits::Limits;
use dsp::tune::Tune;
use garage::entry::joining_file;
use garage::finding::{CleanVolume, Combine, Finding as Kept, OutputFinding, Sum, ToneStep, Way};
use garage::{Reason, TuneNote, VisitFolder};

use super::choice::{change, weigh};
use super::{CleanVolumeFinding, Finding, Worked};
use crate::error::JobError;
use crate::export::{write_taps, write_taps_file};
use crate::handover::changes::hertz;
use crate::judged::Judged;
use crate::voicing::has_taps;
use crate::workplace::WorkClock;

/// What an undo is kept with.
pub(crate) fn note_of(made_at: jiff::Timestamp, based_on: Option<u32>, simulated: bool) -> TuneNote {
    let words = "What the factory did to the signal for its own speakers was taken back.".into();
    TuneNote {
        number: 1,
        made_at,
        title: TuneNote::UNDO.into(),
        reasons: vec![Reason { subject: "whole car".into(), words }],
        based_on,
        takes: Vec::new(),
        simulated,
    }
}

/// Keeps an undo under the next number, and writes the taps of `finding` beside the report, as files to load: those on the
/// signals as those of any tune, those of outputs that are joined as [`joining_file`] names them.
///
/// # Errors
/// A filter that cannot be, a busy garage, the system's reason.
pub(crate) fn keep_undo(
    folder: &VisitFolder,
    undo: &mut Tune,
    note: TuneNote,
    finding: &Kept,
) -> Result<u32, JobError> {
    undo.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))?;
    let number = folder.save_tune(undo, note)?;
    let (reports, stem) = (folder.report_folder(), format!("tune-{number}"));
    let parts = finding.tapped_parts().enumerate();
    let of_parts = parts.map(|(i, (.., fir))| (joining_file(i + 1), fir.rate_hz, &fir.taps));
    let written = write_taps(undo, &reports, &stem).and_then(|_| {
        of_parts
            .map(|(file, rate_hz, taps)| write_taps_file(&reports, &stem, &file, rate_hz, taps))
            .collect::<Result<Vec<_>, _>>()
    });
    written.map_err(|error| JobError::Input(format!("tune {number} is kept, but {error}")))?;
    Ok(number)
}

/// Taps and coefficients hold for one rate: refuses limits that have come to another since.
///
/// # Errors
/// Both rates, and what to do.
pub(crate) fn same_rate(undo: &Tune, limits: Option<&Limits>) -> Result<(), JobError> {
    match limits.map(|it| it.sample_rate_hz).filter(|hz| *hz != undo.sample_rate_hz) {
        Some(now_hz) => Err(JobError::not_yet(
            format!(
                "the undoing was worked out for a processor at {} Hz and the limits now say {now_hz} Hz",
                undo.sample_rate_hz
            ),
            "work the source out again",
        )),
        None => Ok(()),
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
pub(super) const JOINED: &str = "joined";

/// Keeps what was worked out as the visit's finding, and the undo as a tune of its own number.
///
/// # Errors
/// A busy garage, the system's reason.
pub fn keep(folder: &VisitFolder, clock: &mut WorkClock, worked: Worked) -> Result<Judged<Kept>, JobError> {
    let made_at = clock.now();
    let simulated = folder.record().simulated;
    let mut undo = worked.undo;
    undo.channels.iter_mut().for_each(|channel| channel.name = JOINED.into());
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
    let has_taps = sum.parts.iter().any(|part| part.fir.is_some()) || has_taps(&undo);
    let mut kept = Kept {
        made_at,
        outputs: outputs.collect(),
        sums: vec![sum],
        tune: None,
        way: if has_taps { Way::Taps } else { Way::Bands },
        way_remarks: worked.plan_remarks,
        lost_between_db: None,
        other_way: worked.bands.filter(|_| has_taps).map(Box::new),
        loudness: found.loudness,
        clean_volume: tones.map(clean_volume).collect(),
        verdict,
        remarks,
        simulated,
    };
    if weigh(&kept).is_some_and(|weighed| weighed.better != kept.way)
        && let Some(other) = kept.other_way.take()
    {
        change(&mut kept, *other, &mut undo);
    }
    kept.tune = Some(keep_undo(folder, &mut undo, note_of(made_at, None, simulated), &kept)?);
    folder.save_finding(&kept)?;
    Ok(Judged { verdict: kept.verdict, remarks: kept.remarks.clone(), result: kept })
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

/// How a remark about a second recording begins.
pub(crate) const RECORDED_AGAIN: &str = "A second recording";

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
