//! A stimulus as a file to play, with the recipe to make it again beside it.

use std::path::{Path, PathBuf};

use audio::wav::{self, IntegerBits, WavError};
use dsp::stimulus::{Recipe, RecipeError};
use garage::FormatError;
use garage::formats::stimulus_sidecar;
use serde::Serialize;

/// How the samples of a stimulus are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Encoding {
    /// 32-bit float, exact.
    #[default]
    Float32,
    /// Integers with dither, for head units that play nothing else.
    Integer(IntegerBits),
}

/// A stimulus on disk.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Made {
    /// The file to play.
    pub stimulus: PathBuf,
    /// How it was made.
    pub sidecar: PathBuf,
    /// Length.
    pub seconds: f64,
    /// The recipe.
    pub recipe: Recipe,
}

/// Why a stimulus cannot be made or read.
#[derive(Debug, thiserror::Error)]
pub enum StimulusFailure {
    /// A number that cannot be played.
    #[error(transparent)]
    Recipe(#[from] RecipeError),
    /// The WAV file.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// The sidecar.
    #[error(transparent)]
    File(#[from] FormatError),
    /// The sidecar's fields.
    #[error("{}: {what}", path.display())]
    Sidecar {
        /// The file.
        path: PathBuf,
        /// What is wrong, and what would be right.
        what: String,
    },
}

/// Renders `recipe` to `wav` with its sidecar beside it; existing files are replaced.
///
/// # Errors
/// [`StimulusFailure`] for a recipe that cannot be played, or the system's reason.
pub fn make(recipe: &Recipe, wav: &Path, encoding: Encoding) -> Result<Made, StimulusFailure> {
    let sidecar = stimulus_sidecar::path_beside(wav);
    if sidecar == wav {
        let what = "a stimulus needs a name of its own beside its .json; end it in .wav".into();
        return Err(StimulusFailure::Sidecar { path: wav.into(), what });
    }
    // Found out before the first of the two is written: one without the other is of no use.
    if sidecar.is_dir() {
        let what = "is a folder, and the recipe belongs there; give another name for the stimulus".into();
        return Err(StimulusFailure::Sidecar { path: sidecar, what });
    }
    let rendered = recipe.render()?;
    let document = serde_json::to_value(recipe)
        .map_err(|error| StimulusFailure::Sidecar { path: sidecar.clone(), what: error.to_string() })?;
    match encoding {
        Encoding::Float32 => wav::write_f32(wav, rendered.rate_hz, &rendered.channels)?,
        Encoding::Integer(bits) => wav::write_integer(wav, rendered.rate_hz, &rendered.channels, bits)?,
    }
    stimulus_sidecar::write(&sidecar, &document)?;
    Ok(Made {
        stimulus: wav.into(),
        sidecar,
        seconds: recipe.frames() as f64 / f64::from(recipe.rate_hz),
        recipe: recipe.clone(),
    })
}

/// The recipe of a stimulus file, after checking that the file is what its sidecar says.
///
/// # Errors
/// [`StimulusFailure`] naming the file that is missing, damaged, or does not belong to the other.
pub fn recipe_of(wav: &Path) -> Result<Recipe, StimulusFailure> {
    let sidecar = stimulus_sidecar::path_beside(wav);
    let refuse = |what: String| StimulusFailure::Sidecar { path: sidecar.clone(), what };
    let samples = wav::read(wav)?;
    if !sidecar.exists() {
        return Err(refuse(format!(
            "is not there; it says how {} was made and belongs beside it (`cabinwright stimulus` writes both)",
            wav.display()
        )));
    }
    let recipe: Recipe = serde_json::from_value(stimulus_sidecar::read(&sidecar)?).map_err(|error| {
        refuse(format!("{error}; it must be the sidecar that `cabinwright stimulus` wrote beside its WAV"))
    })?;
    recipe.check().map_err(|error| refuse(error.to_string()))?;
    let same = samples.rate_hz == recipe.rate_hz
        && samples.channels.len() == recipe.channels
        && samples.frames() == recipe.frames();
    if !same {
        return Err(refuse(format!(
            "describes {} channel(s), {} samples at {} Hz, but {} has {} channel(s), {} samples at {} Hz; make the stimulus again",
            recipe.channels,
            recipe.frames(),
            recipe.rate_hz,
            wav.display(),
            samples.channels.len(),
            samples.frames(),
            samples.rate_hz
        )));
    }
    Ok(recipe)
}
