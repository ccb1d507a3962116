//! One recording: its samples, and where in them the stimulus was heard.

use std::collections::BTreeMap;
use std::path::Path;

use audio::wav::{self, Wav};
use dsp::measure::{MeasureError, Played, TimeBase, locate};
use dsp::spectrum::Plans;
use dsp::stimulus::Recipe;
use dsp::verdict::Verdict;

use super::spectrum::AFTER_S;
use crate::error::JobError;

/// One file's samples and clock.
pub(super) struct Recording {
    pub wav: Wav,
    pub base: TimeBase,
    pub played: Played,
}

/// The samples of a file's channel, counted from 1.
pub(super) fn channel_of<'a>(wav: &'a Wav, channel: usize, path: &Path) -> Result<&'a [f64], JobError> {
    wav.channels.get(channel.wrapping_sub(1)).map(Vec::as_slice).ok_or_else(|| {
        JobError::Input(format!(
            "{} has {} channels, so there is no channel {channel}; count from 1",
            path.display(),
            wav.channels.len()
        ))
    })
}

/// True where a recording touches full scale more often than chance lets it.
pub(super) fn is_clipped(samples: &[f64]) -> bool {
    samples.iter().filter(|x| x.abs() >= 0.999).count() > 3
}

/// What there is to say about a recording, and how much it matters.
pub(super) type Remarks = Vec<(Verdict, String)>;

/// A clock known to this needs no second opinion.
const CLOCK_KNOWN_PPM: f64 = 0.005;

/// Reads a file and finds the stimulus in the channel that shows its clock best.
pub(super) fn recording(
    plans: &Plans,
    recipe: &Recipe,
    path: &Path,
    channels: &[usize],
    reference: Option<usize>,
) -> Result<(Recording, Remarks), JobError> {
    let wav = wav::read(path)?;
    let mut remarks: Remarks =
        wav.doubts.iter().map(|doubt| (Verdict::Usable, format!("{}: {doubt}", path.display()))).collect();
    let (lasts_s, played_s) =
        (wav.frames() as f64 / f64::from(wav.rate_hz), recipe.frames() as f64 / f64::from(recipe.rate_hz));
    let mut order: Vec<usize> = reference.into_iter().chain(channels.iter().copied()).collect();
    let mut brightness = BTreeMap::new();
    for &channel in &order {
        brightness.insert(channel, brightness_of(channel_of(&wav, channel, path)?));
    }
    // The markers and the top of the sweep, which tell the time best, are heard in what is brightest.
    order.sort_by(|a, b| brightness[b].total_cmp(&brightness[a]));
    order.dedup();
    let mut best: Option<TimeBase> = None;
    let mut why = None;
    for channel in order {
        let samples = channel_of(&wav, channel, path)?;
        match locate(plans, recipe, samples, wav.rate_hz) {
            Ok(base) => {
                let better = best.as_ref().is_none_or(|b| {
                    (base.sweeps.len(), -base.skew_sigma_ppm) > (b.sweeps.len(), -b.skew_sigma_ppm)
                });
                if better {
                    best = Some(base);
                }
                if best.as_ref().is_some_and(|b| b.skew_sigma_ppm < CLOCK_KNOWN_PPM) {
                    break;
                }
            }
            // The reference carries the most, so its reason counts; but a wrong rate says more than "not found".
            Err(error) => {
                let wrong_rate = |it: &MeasureError| matches!(it, MeasureError::WrongRate { .. });
                let says_more = why.is_none() || Some(channel) == reference;
                if wrong_rate(&error) || (says_more && !why.as_ref().is_some_and(wrong_rate)) {
                    why = Some(error);
                }
            }
        }
    }
    // Half a second of silence at its end may be missing without harm.
    let stopped = (lasts_s < played_s - 1.0).then(|| {
        format!(
            "{} stops half-way: it lasts {lasts_s:.1} s and the stimulus {played_s:.1} s; record from before it begins until it has ended",
            path.display()
        )
    });
    match (best, stopped) {
        (Some(base), stopped) => {
            remarks.extend(stopped.map(|words| (Verdict::Retake, words)));
            remarks
                .extend(base.remarks.iter().map(|(v, words)| (*v, format!("{}: {words}", path.display()))));
            let played = Played::new(plans, recipe, &base, AFTER_S)
                .map_err(|error| JobError::Analysis(format!("{}: {error}", path.display())))?;
            Ok((Recording { wav, base, played }, remarks))
        }
        (None, _) if matches!(why, Some(MeasureError::WrongRate { .. } | MeasureError::Silent)) => {
            Err(nothing_in(path, why))
        }
        (None, Some(words)) => Err(JobError::Analysis(words)),
        (None, None) => Err(nothing_in(path, why)),
    }
}

/// How much an input holds at high frequencies: the power of its differences from sample to sample.
fn brightness_of(samples: &[f64]) -> f64 {
    samples.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum()
}

fn nothing_in(path: &Path, why: Option<MeasureError>) -> JobError {
    match why {
        Some(MeasureError::Silent) => JobError::Analysis(format!(
            "{} is silent; check which output was recorded, its lead and the gain of the input, and record it again",
            path.display()
        )),
        Some(error @ MeasureError::WrongRate { .. }) => {
            JobError::Input(format!("{}: {error}", path.display()))
        }
        Some(error) => JobError::Analysis(format!("{}: {error}", path.display())),
        None => JobError::Input(format!("{}: no channel to look at", path.display())),
    }
}
