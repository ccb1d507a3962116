//! What a recording of a head unit is worth: too soft, clipped, cut short, or of something else.

use dsp::factory::clean::{CleanVolume, clean_volume};
use dsp::measure::{MeasureError, locate};
use dsp::spectrum::Plans;
use dsp::stimulus::{Recipe, Signal};
use dsp::verdict::Verdict;
use garage::TakeRecord;
use garage::take::Heard;

use super::following::Progress;
use super::listen::without_probe;
use crate::analysis::recipe_of;
use crate::error::JobError;
use crate::factory::CLEAN_PERCENT;
use crate::gates::{self, Gate};
use crate::judged::Judged;
use crate::workplace::{Taken, Workplace};

/// Softer than this an input holds mostly its own noise.
const FAINT_DBFS: f64 = -60.0;
/// Softer than this there is room for more.
const SOFT_DBFS: f64 = -40.0;
/// What more is good for: this peak leaves room and hides no noise.
const WANTED_DBFS: f64 = -12.0;

/// Judges a fresh recording and keeps it.
pub(super) fn judge(
    place: &Workplace,
    mut taken: Taken,
    progress: Progress,
) -> Result<Judged<TakeRecord>, JobError> {
    let mut judged = Judged::good(());
    for finding in gates::recording(&taken.facts, 0).into_iter().filter(|it| it.gate == Gate::Gap) {
        judged.note(finding.verdict, finding.words);
    }
    levels(&taken, &mut judged);
    let wav = audio::wav::read(&taken.open.recording)?;
    let recipe = recipe_of(&taken.record)?;
    match &recipe.signal {
        Signal::Sweep(_) => {
            taken.record.clock.skew_ppm = sweeps(&recipe, &wav.channels, wav.rate_hz, progress, &mut judged);
        }
        _ => tone(wav.channels.last().map_or(&[], Vec::as_slice), wav.rate_hz, &mut judged),
    }
    taken.record.verdict = judged.verdict;
    taken.record.remarks = judged.remarks;
    let record = if judged.verdict == Verdict::Retake {
        place.folder.finish_take(taken.open, taken.record)?
    } else {
        place.keep(taken)?.0
    };
    Ok(Judged { verdict: record.verdict, remarks: record.remarks.clone(), result: record })
}

/// Too soft or clipped, input by input.
fn levels(taken: &Taken, judged: &mut Judged<()>) {
    let levels = taken.facts.peak_dbfs.iter().zip(&taken.facts.clipped_samples);
    let alone = taken.record.recorded.len() == 1;
    for (recorded, (&peak_dbfs, &clipped)) in taken.record.recorded.iter().zip(levels) {
        let (name, input) = (without_probe(recorded.name.as_deref().unwrap_or_default()), recorded.input);
        if clipped > 0 {
            let words = format!(
                "{name} is clipped on input {input}: turn that input down by 6 dB, leave the volume where it is, and record it again."
            );
            judged.note(Verdict::Retake, words);
        } else if peak_dbfs < FAINT_DBFS && (alone || recorded.heard == Heard::Reference) {
            let words = format!(
                "{name} is next to silent on input {input} ({peak_dbfs:.0} dBFS): check the probe, the input's gain and the volume, and record it again."
            );
            judged.note(Verdict::Retake, words);
        } else if peak_dbfs < FAINT_DBFS {
            // With the reference heard this may be what there is to find.
            let words = format!(
                "Next to nothing comes out of {name} ({peak_dbfs:.0} dBFS on input {input}): if something should, check the probe and record it again."
            );
            judged.note(Verdict::Usable, words);
        } else if peak_dbfs < SOFT_DBFS {
            let words = format!(
                "{name} is soft on input {input} ({peak_dbfs:.0} dBFS): turn that input up by about {:.0} dB if it can be.",
                WANTED_DBFS - peak_dbfs
            );
            judged.note(Verdict::Usable, words);
        }
    }
}

/// Whether the stimulus is in it, and whole; the clock's error where it is known.
fn sweeps(
    recipe: &Recipe,
    channels: &[Vec<f64>],
    rate_hz: u32,
    progress: Progress,
    judged: &mut Judged<()>,
) -> Option<f64> {
    let plans = Plans::default();
    let mut why = None;
    // The reference comes first: it is the one that carries the time.
    for samples in channels {
        match locate(&plans, recipe, samples, rate_hz) {
            Ok(base) => {
                for (verdict, words) in base.remarks {
                    judged.note(verdict, words);
                }
                if progress == Progress::Overdue {
                    judged.note(
                        Verdict::Retake,
                        "The last marker did not come: the player stopped or skipped. Play the whole file and record it again.",
                    );
                }
                return base.skew_ppm;
            }
            Err(error) => {
                if why.is_none() || matches!(error, MeasureError::WrongRate { .. }) {
                    why = Some(error);
                }
            }
        }
    }
    let words = match why {
        Some(MeasureError::Silent) | None => {
            "Nothing was heard: check the probes, the inputs and the volume, and record it again.".to_owned()
        }
        Some(error @ MeasureError::WrongRate { .. }) => sentence(&error),
        Some(_) if matches!(progress, Progress::Waiting | Progress::Unmarked) => {
            "No marker was heard: something else played, or nothing. Play the file that was saved for this car from its beginning, and record it again.".to_owned()
        }
        Some(_) => {
            "It broke off before a sweep was whole: play the file to its end and record it again.".to_owned()
        }
    };
    judged.note(Verdict::Retake, words);
    None
}

fn sentence(error: &MeasureError) -> String {
    let words = error.to_string();
    let mut letters = words.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_uppercase).collect();
    format!("{first}{}.", letters.as_str())
}

/// Whether there is a tone whose steps can be told apart.
fn tone(samples: &[f64], rate_hz: u32, judged: &mut Judged<()>) {
    match clean_volume(samples, f64::from(rate_hz), CLEAN_PERCENT) {
        None => judged.note(
            Verdict::Retake,
            "No steady tone is heard: play the tone, hold each volume step for a second or longer, and record it again.",
        ),
        Some(heard) if heard.steps.len() == 1 => judged.note(
            Verdict::Retake,
            "Only one volume step is heard: turn the volume up a step at a time while the tone plays, and record it again.",
        ),
        Some(heard) => {
            judged.note(Verdict::Good, steps(&heard));
            if heard.limit_level_dbfs.is_none() {
                judged.note(
                    Verdict::Usable,
                    "Every step is clean: go on to the highest volume to learn where that ends.",
                );
            }
        }
    }
}

/// What was heard of a tone that was turned up.
fn steps(heard: &CleanVolume) -> String {
    let count = heard.steps.len();
    let highest = heard.highest.and_then(|at| Some((at, heard.steps.get(at)?)));
    let Some((at, step)) = highest else {
        return format!("{count} volume steps were heard, and even the first is distorted.");
    };
    format!(
        "{count} volume steps were heard; the last clean one is number {}, with {:.2} % THD.",
        at + 1,
        step.thd_percent
    )
}
