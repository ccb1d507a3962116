//! Is the rig connected, loud enough, and quiet enough?

use audio::rig::Watch;
use dsp::verdict::Verdict;
use garage::TakeKind;
use garage::take::{Driven, Heard};
use garage::visit::{Check, CheckKind};
use serde::Serialize;

use crate::error::JobError;
use crate::gates;
use crate::judged::Judged;
use crate::plan::{SweepPlan, band_of, level_dbfs};
use crate::workplace::{Wish, Workplace};

/// What a short sweep on one channel, and the silence before it, show about the rig.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RigCheck {
    /// The channel that played.
    pub channel: String,
    /// Loudest sample at the microphone.
    pub microphone_peak_dbfs: f64,
    /// What the microphone hears of nothing, rms.
    pub microphone_silence_dbfs: f64,
    /// Loudest sample at the reference input, where there is one.
    pub reference_peak_dbfs: Option<f64>,
    /// What the reference input hears of nothing, rms.
    pub reference_silence_dbfs: Option<f64>,
    /// True when any input reached full scale.
    pub clipped: bool,
}

/// Half a second of sweep shows levels; nothing is measured with it.
const PLAN: SweepPlan =
    SweepPlan { seconds: 0.8, repeats: 1, gap_s: 0.3, pause_s: 0.2, marker_s: 0.5, tail_s: 0.3 };
/// A loop-back must stand this far above its own silence to give a time reference.
const REFERENCE_CLEAR_DB: f64 = 40.0;
/// A microphone must hear the sweep this far above the bay.
const MICROPHONE_CLEAR_DB: f64 = 12.0;

/// Plays a short quiet sweep on the first channel and records silence; keeps the outcome in the visit.
///
/// # Errors
/// No channel in the map, a rig that fails.
pub fn check_rig(place: &mut Workplace, watch: &Watch) -> Result<Judged<RigCheck>, JobError> {
    let Some(channel) = place.folder.car().channel_map.channels.first().cloned() else {
        return Err(JobError::not_yet("this car has no channels", "fill in the channel map"));
    };
    let rig = place.rig_record()?;
    let recipe = PLAN.recipe(band_of(&channel), rig.rate_hz, level_dbfs(rig));
    let recorded = place.ears()?;
    let wish = Wish {
        kind: TakeKind::RollCall,
        subject: Some("rig check".into()),
        position: None,
        label: None,
        recipe: Some(recipe),
        driven: vec![Driven { channel: channel.name.clone(), output: channel.output }],
        recorded: recorded.clone(),
        tune: None,
        tail_s: PLAN.tail_s,
    };
    let quiet_wish =
        Wish { recipe: None, driven: Vec::new(), label: Some("silence".into()), tail_s: 0.7, ..wish.clone() };
    let silence = place.record(quiet_wish, watch)?;
    let quiet = audio::wav::read(&silence.open.recording)?;
    place.folder.abandon_take(silence.open)?;
    let taken = place.record(wish, watch)?;
    let facts = taken.facts;
    place.folder.abandon_take(taken.open)?;

    let at = |heard: Heard| recorded.iter().position(|it| it.heard == heard);
    let peak = |index: Option<usize>| index.and_then(|i| facts.peak_dbfs.get(i).copied());
    let rms_dbfs =
        |index: Option<usize>| index.and_then(|i| quiet.channels.get(i)).map(|samples| rms_dbfs(samples));
    let (microphone, reference) = (at(Heard::Microphone), at(Heard::Reference));
    let mut judged = Judged::good(RigCheck {
        channel: channel.name,
        microphone_peak_dbfs: peak(microphone).unwrap_or(LOWEST_DBFS).max(LOWEST_DBFS),
        microphone_silence_dbfs: rms_dbfs(microphone).unwrap_or(LOWEST_DBFS),
        reference_peak_dbfs: peak(reference).map(|it| it.max(LOWEST_DBFS)),
        reference_silence_dbfs: rms_dbfs(reference),
        clipped: facts.clipped_samples.iter().any(|count| *count > 0),
    });
    for finding in gates::recording(&facts, microphone.unwrap_or(0)) {
        judged.note(finding.verdict, finding.words);
    }
    let found = judged.result.clone();
    if found.microphone_peak_dbfs < found.microphone_silence_dbfs + MICROPHONE_CLEAR_DB {
        judged.note(
            Verdict::Retake,
            format!("The microphone hardly hears {} above the bay; check its input, the amplifier, and the level.", found.channel),
        );
    }
    if let (Some(peak), Some(silence)) = (found.reference_peak_dbfs, found.reference_silence_dbfs)
        && peak < silence + REFERENCE_CLEAR_DB
    {
        judged.note(
            Verdict::Retake,
            "The loop-back is not heard; check its cable, or choose no reference input (delays then cannot be worked out).".to_owned(),
        );
    }
    if found.reference_peak_dbfs.is_none() {
        judged.note(
            Verdict::Usable,
            "There is no loop-back: curves are right, but delays between channels cannot be worked out."
                .to_owned(),
        );
    }
    keep(place, CheckKind::Rig, &judged)?;
    Ok(judged)
}

/// Written for nothing at all, because a record holds no infinity.
pub(super) const LOWEST_DBFS: f64 = -200.0;

pub(super) fn rms_dbfs(samples: &[f64]) -> f64 {
    let power = samples.iter().map(|x| x * x).sum::<f64>() / samples.len().max(1) as f64;
    dsp::decibel::of_power(power.max(1e-20))
}

/// Writes a check into the visit's record.
pub(super) fn keep<T: Serialize>(
    place: &mut Workplace,
    kind: CheckKind,
    judged: &Judged<T>,
) -> Result<(), JobError> {
    let check = Check {
        kind,
        made_at: place.clock.now(),
        verdict: judged.verdict,
        remarks: judged.remarks.clone(),
        figures: serde_json::to_value(&judged.result).map_err(|error| JobError::Input(error.to_string()))?,
        simulated: place.rig.is_simulated(),
    };
    Ok(place.folder.update(|visit| visit.checks.push(check))?)
}
