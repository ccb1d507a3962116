//! From recordings of a stimulus to impulse responses, responses and facts, as files.

use std::path::{Path, PathBuf};

use audio::wav::{self, WavError};
use dsp::calibration::MicCalibration;
use dsp::measure::{Capture, Facts, MeasureError, Measured, Options, analyse};
use dsp::stimulus::Recipe;
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::formats::{curve_csv, mic_calibration};
use serde::Serialize;

use crate::stimulus::{StimulusFailure, recipe_of};

/// What to analyse and how.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseOrder {
    /// The stimulus that was played.
    pub stimulus: PathBuf,
    /// Its recordings.
    pub captures: Vec<PathBuf>,
    /// The microphone's channel in each recording, counted from 1.
    pub input_channel: usize,
    /// The loop-back's channel, counted from 1.
    pub reference_channel: Option<usize>,
    /// The microphone's calibration.
    pub mic_calibration: Option<PathBuf>,
    /// The curve is smoothed over 1/`smoothing` octave; 0 smooths nothing.
    pub smoothing: u32,
    /// Length of response kept after the direct sound.
    pub window_ms: Option<f64>,
    /// Folder for the files.
    pub out: PathBuf,
}

/// The files of one capture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Files {
    /// The curve.
    pub response: PathBuf,
    /// The impulse response.
    pub impulse: PathBuf,
    /// The facts.
    pub facts: PathBuf,
}

/// What came of one capture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CaptureResult {
    /// The recording.
    pub capture: PathBuf,
    /// Where the results are.
    pub files: Files,
    /// What was found.
    #[serde(flatten)]
    pub facts: Facts,
}

/// Why there is no response.
#[derive(Debug, thiserror::Error)]
pub enum ResponseFailure {
    /// The stimulus or its sidecar.
    #[error(transparent)]
    Stimulus(#[from] StimulusFailure),
    /// A recording that cannot be read.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// The calibration, or a result that cannot be written.
    #[error(transparent)]
    File(#[from] FormatError),
    /// A recording without a usable response.
    #[error("{}: {error}", path.display())]
    Capture {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        error: MeasureError,
    },
    /// An order that does not fit its files.
    #[error("{0}")]
    Order(String),
    /// The system's reason.
    #[error("cannot write {}: {cause}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// The system's words.
        cause: std::io::Error,
    },
}

/// Where the results of each capture go.
///
/// # Errors
/// A capture without a name, or two with the same one.
pub fn files(order: &ResponseOrder) -> Result<Vec<Files>, ResponseFailure> {
    let mut all: Vec<Files> = Vec::new();
    for capture in &order.captures {
        let stem = capture.file_stem().ok_or_else(|| {
            ResponseFailure::Order(format!("{} is no recording; give a WAV file", capture.display()))
        })?;
        let with = |ending: &str| {
            let mut name = stem.to_os_string();
            name.push(ending);
            order.out.join(name)
        };
        let these = Files {
            response: with(".response.csv"),
            impulse: with(".impulse.wav"),
            facts: with(".facts.json"),
        };
        if all.contains(&these) {
            return Err(ResponseFailure::Order(format!(
                "two captures are called {}, and their results would replace each other; give them different names",
                stem.display()
            )));
        }
        all.push(these);
    }
    Ok(all)
}

/// Analyses each capture and writes its files; `progress` is told what is being done.
///
/// All captures are analysed before anything is written, so a bad one leaves no half of a set behind.
///
/// # Errors
/// [`ResponseFailure`], naming the file.
pub fn work_out(
    order: &ResponseOrder,
    mut progress: impl FnMut(&str),
) -> Result<Vec<CaptureResult>, ResponseFailure> {
    if let Some(ms) = order.window_ms
        && !(1.0..=10_000.0).contains(&ms)
    {
        return Err(ResponseFailure::Order(format!("a window of {ms} ms cannot be used; give 1 to 10000")));
    }
    let targets = files(order)?;
    let recipe = recipe_of(&order.stimulus)?;
    let microphone = match &order.mic_calibration {
        Some(path) => Some(MicCalibration::from(mic_calibration::read(path)?)),
        None => None,
    };
    let options = Options { smoothing: f64::from(order.smoothing), window_ms: order.window_ms, microphone };
    let mut measured = Vec::new();
    for capture in &order.captures {
        progress(&format!("working out {}", capture.display()));
        measured.push(one(order, &recipe, capture, &options)?);
    }
    std::fs::create_dir_all(&order.out)
        .map_err(|cause| ResponseFailure::Disk { path: order.out.clone(), cause })?;
    let mut results = Vec::new();
    for ((capture, files), measured) in order.captures.iter().zip(targets).zip(measured) {
        write(&files, &measured)?;
        results.push(CaptureResult { capture: capture.clone(), files, facts: measured.facts });
    }
    Ok(results)
}

fn one(
    order: &ResponseOrder,
    recipe: &Recipe,
    path: &Path,
    options: &Options,
) -> Result<Measured, ResponseFailure> {
    let recording = wav::read(path)?;
    let channel = |number: usize, option: &str| {
        number.checked_sub(1).and_then(|i| recording.channels.get(i)).map(Vec::as_slice).ok_or_else(|| {
            ResponseFailure::Order(format!(
                "{} has {} channel(s), and {option} asks for {number}; give one from 1 to {}",
                path.display(),
                recording.channels.len(),
                recording.channels.len()
            ))
        })
    };
    let reference =
        order.reference_channel.map(|number| channel(number, "--reference-channel")).transpose()?;
    let capture = Capture {
        rate_hz: recording.rate_hz,
        microphone: channel(order.input_channel, "--input-channel")?,
        reference,
    };
    let mut measured = analyse(recipe, &capture, options)
        .map_err(|error| ResponseFailure::Capture { path: path.into(), error })?;
    // Another stimulus may look enough like this one to be found, and divides to nothing in places.
    let columns =
        [Some(&measured.curve.level_db), measured.curve.spread_db.as_ref(), measured.curve.snr_db.as_ref()];
    if columns.into_iter().flatten().flatten().any(|value| !value.is_finite()) {
        return Err(ResponseFailure::Capture { path: path.into(), error: MeasureError::NotFound });
    }
    for doubt in &recording.doubts {
        measured.facts.verdict = measured.facts.verdict.max(Verdict::Usable);
        measured.facts.remarks.push(doubt.to_string());
    }
    Ok(measured)
}

fn write(files: &Files, measured: &Measured) -> Result<(), ResponseFailure> {
    curve_csv::write(&files.response, &measured.curve)?;
    wav::write_f32(&files.impulse, measured.facts.sample_rate_hz, std::slice::from_ref(&measured.impulse))?;
    let text = serde_json::to_string_pretty(&measured.facts)
        .map_err(|error| ResponseFailure::Disk { path: files.facts.clone(), cause: error.into() })?;
    Ok(garage::atomic::write(&files.facts, text.as_bytes())?)
}
