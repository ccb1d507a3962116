//! What the factory did to each output, what the outputs are joined to, and a tune that undoes it.

use audio::rig::Watch;
use dsp::tune::Tune;
use dsp::verdict::Verdict;
use garage::VisitFolder;
use garage::finding::{Finding, OutputFinding};

use super::material::Material;
use super::ways::Ways;
use super::{limits_of, volume};
use crate::error::JobError;
use crate::factory::{self, Explained, NOISY, NOISY_DB, facts, headline, keep_undo, note_of};
use crate::judged::Judged;
use crate::workplace::WorkClock;

/// Works out what the factory did to each of its outputs and a tune that undoes it, and keeps both in the visit.
///
/// Outputs that carry a part of the band are joined, side by side, to one full-range signal each, with settings the
/// processor has; outputs that carry everything are undone one by one. Nothing is boosted where the factory passes nothing.
///
/// # Errors
/// No take of the source yet, no limits, a recording that cannot be read.
pub fn work_out(
    folder: &VisitFolder,
    clock: &mut WorkClock,
    watch: &Watch,
) -> Result<Judged<Finding>, JobError> {
    let limits = limits_of(folder)?;
    let takes = folder.takes()?.found;
    let mut judged = Judged::good(());
    let Material { recipe, captures, reference, silent } = Material::of(folder, &takes, &mut judged)?;
    for name in &silent {
        judged.note(Verdict::Usable, format!("{name}: next to nothing comes out of this output."));
    }
    let heard = Explained::of(&recipe, &captures, reference, &mut judged, &mut |_| {})?;
    let facts = facts(&heard.outputs, &heard.found);
    let mut remarks = factory::remarks(&heard.found, &heard.names, &heard.outputs);
    if heard.found.iter().any(|it| it.snr_db < NOISY_DB) {
        judged.note(Verdict::Usable, NOISY);
    }
    let made_at = clock.now();
    let simulated = takes.iter().any(|take| take.simulated);
    let sounding: Vec<OutputFinding> = facts
        .iter()
        .zip(heard.curves())
        .map(|(found, curve)| OutputFinding {
            name: found.name.clone(),
            sentence: factory::sentence(found),
            curve: Some(curve),
        })
        .collect();
    let worked = Ways::of(&heard, &facts, &sounding, limits, watch)?;
    let mut tune = Tune { sample_rate_hz: limits.sample_rate_hz, channels: worked.undo, ..Tune::default() };
    let dead = silent.iter().map(|name| OutputFinding {
        name: name.clone(),
        sentence: "Nothing comes out of it.".into(),
        curve: None,
    });
    let mut finding = Finding {
        made_at,
        outputs: sounding.into_iter().chain(dead).collect(),
        sums: worked.sums,
        tune: None,
        way: worked.way,
        way_remarks: worked.remarks,
        lost_between_db: worked.lost_between_db,
        other_way: worked.other.map(Box::new),
        loudness: Vec::new(),
        clean_volume: Vec::new(),
        verdict: Verdict::Good,
        remarks: Vec::new(),
        simulated,
    };
    finding.loudness = volume::loudness(folder, &takes, &finding, &mut judged)?;
    finding.clean_volume = volume::clean_volumes(folder, &takes, &mut judged)?;
    finding.verdict = judged.verdict;
    remarks.extend(finding.way_remarks.iter().cloned());
    finding.remarks = headline(&finding).into_iter().chain(judged.remarks).chain(remarks).collect();
    finding.tune = Some(keep_undo(folder, &mut tune, note_of(made_at, None, simulated), &finding)?);
    folder.save_finding(&finding)?;
    Ok(Judged { verdict: finding.verdict, remarks: finding.remarks.clone(), result: finding })
}
