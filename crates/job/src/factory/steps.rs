//! The highest clean volume, from recordings of a tone while the volume is turned up.

use audio::wav;
use dsp::factory::clean::{Step, clean_volume};
use dsp::verdict::Verdict;
use serde::Serialize;

use super::FactoryOrder;
use super::recording::{channel_of, is_clipped};
use crate::error::JobError;
use crate::judged::Judged;

/// What one recording of a stepped tone tells; steps are counted from 1 in the order they were heard.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CleanVolumeFinding {
    /// The tone.
    pub frequency_hz: f64,
    /// The last clean step; none when the first one is not clean.
    pub highest: Option<String>,
    /// Its distortion.
    pub thd_percent: Option<f64>,
    /// Its level, for setting gains downstream; 0 dBFS is a sine that just fills the recording's range.
    pub level_dbfs: Option<f64>,
    /// The step after it.
    pub next: Option<String>,
    /// Its distortion.
    pub next_thd_percent: Option<f64>,
    /// What counts as clean.
    pub limit_percent: f64,
    /// Level at which distortion comes to that limit.
    pub limit_level_dbfs: Option<f64>,
    /// Every step.
    pub steps: Vec<Step>,
}

pub(super) fn judge(
    order: &FactoryOrder,
    judged: &mut Judged<()>,
) -> Result<Vec<CleanVolumeFinding>, JobError> {
    let mut findings = Vec::new();
    for capture in &order.steps {
        let wav = wav::read(&capture.path)?;
        let shown = capture.path.display();
        let samples = channel_of(&wav, capture.channel, &capture.path)?;
        let heard = clean_volume(samples, f64::from(wav.rate_hz), order.clean_percent).ok_or_else(|| {
            JobError::Analysis(format!(
                "{shown}: no steady tone is heard; play one tone, and hold each volume step for a second or longer"
            ))
        })?;
        // The recording itself must not be what clips.
        if is_clipped(samples) {
            judged.note(
                Verdict::Retake,
                format!("{shown}: the recording is clipped, so the distortion may be its own; turn the input down and record it again"),
            );
        }
        if heard.steps.len() == 1 {
            judged.note(
                Verdict::Usable,
                format!("{shown}: only one volume step is heard; turn the volume up a step at a time while the tone plays"),
            );
        } else if heard.limit_level_dbfs.is_none() {
            judged.note(
                Verdict::Good,
                format!("{shown}: every step is clean; go on to the highest volume to learn where that ends"),
            );
        }
        let next = heard.highest.map_or(Some(0), |at| (at + 1 < heard.steps.len()).then_some(at + 1));
        let label = |at: usize| (at + 1).to_string();
        let step = |at: Option<usize>| at.and_then(|at| heard.steps.get(at));
        findings.push(CleanVolumeFinding {
            frequency_hz: heard.frequency_hz,
            highest: heard.highest.map(label),
            thd_percent: step(heard.highest).map(|s| s.thd_percent),
            level_dbfs: step(heard.highest).map(|s| s.level_dbfs),
            next: next.map(label),
            next_thd_percent: step(next).map(|s| s.thd_percent),
            limit_percent: order.clean_percent,
            limit_level_dbfs: heard.limit_level_dbfs,
            steps: heard.steps,
        });
    }
    Ok(findings)
}
