//! A tune run over a recording.

use std::path::{Path, PathBuf};

use audio::wav::{self, WavError};
use garage::FormatError;
use garage::formats::tune;
use serde::Serialize;

/// What was written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Applied {
    /// Channels in the file.
    pub channels: usize,
    /// Of the file in and out.
    pub sample_rate_hz: u32,
    /// Length of the input.
    pub input_samples: usize,
    /// Added so that the filters ring out.
    pub tail_samples: usize,
    /// Largest sample of the output in dBFS; above 0 the float file is whole, but a fixed-point device would clip.
    pub peak_dbfs: f64,
}

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum ApplyFailure {
    /// The tune cannot be read.
    #[error(transparent)]
    Tune(#[from] FormatError),
    /// The recording cannot be read, or the result not written.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// Tune and recording do not fit.
    #[error("{}: {words}", path.display())]
    Mismatch {
        /// The tune.
        path: PathBuf,
        /// What is wrong and what would be right.
        words: String,
    },
}

/// Runs the tune in `tune_path` over the WAV `input` into the float32 WAV `output`.
///
/// A tune of one channel serves every channel of the file; otherwise the counts must agree.
///
/// # Errors
/// [`ApplyFailure`], for files that cannot be used and for a tune of another sample rate or channel count.
pub fn apply_files(tune_path: &Path, input: &Path, output: &Path) -> Result<Applied, ApplyFailure> {
    let tune = tune::read(tune_path)?;
    let recording = wav::read(input)?;
    let mismatch = |words: String| ApplyFailure::Mismatch { path: tune_path.into(), words };
    if tune.sample_rate_hz != f64::from(recording.rate_hz) {
        return Err(mismatch(format!(
            "is a tune for {} Hz, but {} is sampled at {} Hz; bring the recording to {} Hz, or make the tune with limits for {} Hz",
            tune.sample_rate_hz,
            input.display(),
            recording.rate_hz,
            tune.sample_rate_hz,
            recording.rate_hz
        )));
    }
    let filters = tune.filters().map_err(|(name, error)| mismatch(format!("channel {name}: {error}")))?;
    let count = recording.channels.len();
    if filters.len() != 1 && filters.len() != count {
        return Err(mismatch(format!(
            "has {} channels, but {} has {count}; give a tune of one channel for all, or of {count}",
            filters.len(),
            input.display()
        )));
    }
    let tail_samples = filters.iter().map(|filter| filter.tail_samples()).max().unwrap_or(0);
    let out: Vec<Vec<f64>> = (recording.channels.iter())
        .zip(filters.iter().cycle())
        .map(|(samples, filter)| filter.apply(samples, tail_samples))
        .collect();
    let peak = out.iter().flatten().fold(0.0f64, |peak, x| peak.max(x.abs()));
    wav::write_f32(output, recording.rate_hz, &out)?;
    Ok(Applied {
        channels: count,
        sample_rate_hz: recording.rate_hz,
        input_samples: recording.frames(),
        tail_samples,
        // Silence has no level; the float file's own floor stands for it.
        peak_dbfs: 20.0 * peak.max(f64::from(f32::MIN_POSITIVE)).log10(),
    })
}
