//! What a head unit's own player plays: files for a stick, a disc or a phone.

use std::path::Path;

use audio::wav::IntegerBits;
use dsp::stimulus::{Recipe, Signal, Steps};
use garage::VisitFolder;

use super::TONES_HZ;
use crate::error::JobError;
use crate::plan::SweepPlan;
use crate::stimulus::{Encoding, Made, make};

/// How the files are stored; head units are picky.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StickFormat {
    /// 44 100 or 48 000.
    pub rate_hz: u32,
    /// Word length.
    pub bits: IntegerBits,
}

impl Default for StickFormat {
    /// What nearly every player takes.
    fn default() -> Self {
        Self { rate_hz: 44_100, bits: IntegerBits::Sixteen }
    }
}

/// The sweep begins below what is heard, so that the ends of the audible band are right, and ends where a file at
/// 44.1 kHz can still hold it: the same at either rate.
const BAND_HZ: (f64, f64) = (5.0, 19_800.0);
/// Peak of the sweep: with it a factory limiter is left alone at a usual volume.
const SWEEP_DBFS: f64 = -12.0;
/// Peak of a tone: as loud as the loudest music, less what dither needs.
const TONE_DBFS: f64 = -0.1;
/// How long a tone lasts, the longest there is; a player can repeat it.
const TONE_S: f64 = 30.0;

/// The sweep for a head unit: both sides, each alone, and quiet, with markers around them.
pub fn sweep(plan: &SweepPlan, rate_hz: u32) -> Recipe {
    plan.at_line_level().recipe_of_sides(BAND_HZ, rate_hz, SWEEP_DBFS)
}

/// A tone, on both sides as a file of one channel is played, for turning the volume up while it plays.
pub fn tone(frequency_hz: f64, rate_hz: u32) -> Recipe {
    let (on, step_db, fade_s, gap_s) = (1, 1.0, 0.05, 0.0);
    let steps = Steps { on, frequency_hz, from_dbfs: TONE_DBFS, step_db, tone_s: TONE_S, fade_s, gap_s };
    Recipe { rate_hz, channels: 1, level_dbfs: TONE_DBFS, signal: Signal::Steps(steps) }
}

/// Writes the sweep and the tones into `to`, each with its sidecar, and remembers in the visit what was written.
///
/// # Errors
/// A file that is already there, a folder that cannot be written, a busy garage.
pub fn save(folder: &mut VisitFolder, format: StickFormat, to: &Path) -> Result<Vec<Made>, JobError> {
    let StickFormat { rate_hz, bits } = format;
    let plan = if folder.record().simulated { SweepPlan::brisk() } else { SweepPlan::default() };
    let sweep = sweep(&plan, rate_hz);
    let tones = TONES_HZ.map(|hz| (format!("tone-{hz}-hz.wav"), tone(hz, rate_hz)));
    let files: Vec<_> = [("source-sweep.wav".to_owned(), sweep.clone())].into_iter().chain(tones).collect();
    if let Some((name, _)) = files.iter().find(|(name, _)| to.join(name).exists()) {
        return Err(JobError::Input(format!(
            "{} is already there; choose another folder, or move it away",
            to.join(name).display()
        )));
    }
    std::fs::create_dir_all(to).map_err(|cause| {
        JobError::Input(format!("{}: {cause}; choose a folder that may be written", to.display()))
    })?;
    let mut made = Vec::new();
    for (name, recipe) in &files {
        let file = make(recipe, &to.join(name), Encoding::Integer(bits));
        made.push(file.map_err(|error| JobError::Input(error.to_string()))?);
    }
    folder.update(|visit| visit.head_unit_stimulus = Some(sweep))?;
    Ok(made)
}
