//! How loud it is where the microphone stands.

use std::path::{Path, PathBuf};

use audio::wav::{self, WavError};
use dsp::calibration::MicCalibration;
use dsp::exposure::{LIMIT_DBA, safe_hours};
use dsp::noise::{FLOOR_DB, NoiseError, NoiseLevels, measure};
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::formats::mic_calibration;
use serde::Serialize;

use crate::judged::Judged;

/// What is known about how a recording was made.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NoiseOrder {
    /// The recording.
    pub capture: PathBuf,
    /// Input in the file, counted from 1.
    pub input_channel: usize,
    /// Microphone calibration file.
    pub mic_calibration: Option<PathBuf>,
    /// Where digital full scale is, as the sound pressure level of a full-scale sine.
    pub full_scale: FullScale,
}

/// How levels get their reference.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum FullScale {
    /// Nobody knows: levels are relative to full scale.
    #[default]
    Unknown,
    /// Sound pressure level of a full-scale sine.
    Known {
        /// In dB SPL.
        db_spl: f64,
    },
    /// A recording of an acoustic calibrator through the same input at the same gain.
    Calibrator {
        /// The recording.
        recording: PathBuf,
        /// What the calibrator gives, 94 or 114 dB SPL as a rule (IEC 60942).
        db_spl: f64,
    },
}

/// Levels of a recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Noise {
    /// `dB SPL`, or `dBFS` where the reference is not known.
    pub unit: &'static str,
    /// Length of the recording.
    pub seconds: f64,
    /// Sound pressure level of a full-scale sine, where known.
    pub full_scale_db_spl: Option<f64>,
    /// The levels.
    #[serde(flatten)]
    pub levels: NoiseLevels,
    /// Hours in which this level uses up a day's limit (NIOSH), for sound pressure levels.
    pub safe_hours: Option<f64>,
}

/// Why there are no levels.
#[derive(Debug, thiserror::Error)]
pub enum NoiseFailure {
    /// A WAV file cannot be read.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// The calibration cannot be read.
    #[error(transparent)]
    File(#[from] FormatError),
    /// The recording does not hold what was asked for.
    #[error("{}: {what}", path.display())]
    Recording {
        /// The file.
        path: PathBuf,
        /// What is wrong, and what would be right.
        what: String,
    },
    /// A reference that no microphone has.
    #[error("a level of {0} dB SPL cannot be right; give one between 60 and 200")]
    Reference(f64),
}

/// A recording this short leaves the lowest bands uncertain by more than a decibel.
const RIGHT_LENGTH_S: f64 = 10.0;
/// A third-octave band at 31.5 Hz, for saying how uncertain.
const LOW_BAND_WIDTH_HZ: f64 = 7.3;

/// Measures a recording.
///
/// # Errors
/// [`NoiseFailure`], naming the file.
pub fn measure_noise(order: &NoiseOrder) -> Result<Judged<Noise>, NoiseFailure> {
    let mic = match &order.mic_calibration {
        Some(path) => MicCalibration::from(mic_calibration::read(path)?),
        None => MicCalibration::default(),
    };
    let full_scale_db_spl = match &order.full_scale {
        FullScale::Unknown => None,
        FullScale::Known { db_spl } => Some(plausible(*db_spl)?),
        FullScale::Calibrator { recording, db_spl } => {
            let (signal, rate_hz, _) = input(recording, order.input_channel)?;
            let refuse = |what: String| NoiseFailure::Recording { path: recording.clone(), what };
            let levels =
                measure(&signal, rate_hz, |f| -mic.level_at_db(f)).map_err(|e| refuse(e.to_string()))?;
            // A calibrator is one tone; anything else in the file would set the reference wrong.
            let tone = levels.tones.first().filter(|t| levels.z_db - t.level_db < 0.5).ok_or_else(|| {
                refuse("no single tone stands out; record the running calibrator on the microphone".into())
            })?;
            Some(plausible(plausible(*db_spl)? - tone.level_db)?)
        }
    };
    let (signal, rate_hz, doubts) = input(&order.capture, order.input_channel)?;
    let levels = measure(&signal, rate_hz, |f| full_scale_db_spl.unwrap_or(0.0) - mic.level_at_db(f))
        .map_err(|error: NoiseError| NoiseFailure::Recording {
            path: order.capture.clone(),
            what: format!("{error}; record again"),
        })?;
    let seconds = signal.len() as f64 / rate_hz;
    let calibrated = full_scale_db_spl.is_some();
    let (a_db, c_db) = (levels.a_db, levels.c_db);
    let silent = signal.iter().all(|x| *x == 0.0);
    let mut judged = Judged::good(Noise {
        unit: if calibrated { "dB SPL" } else { "dBFS" },
        seconds,
        full_scale_db_spl,
        safe_hours: (calibrated && !silent).then(|| safe_hours(a_db)),
        levels,
    });
    for doubt in doubts {
        judged.note(Verdict::Usable, doubt);
    }
    if silent {
        judged.note(
            Verdict::Retake,
            "The recording is digital silence; check the input and its cable, and record again.",
        );
        return Ok(judged);
    }
    let clipped = signal.iter().filter(|x| x.abs() >= 0.999).count();
    if clipped > 2 {
        let words = format!(
            "{clipped} samples reach full scale, so the levels are too low; turn the input down and record again."
        );
        judged.note(Verdict::Retake, words);
    }
    if seconds < RIGHT_LENGTH_S {
        let words = format!(
            "{seconds:.1} s is short: the 31.5 Hz band is known to ±{:.1} dB (95 %); ten seconds or more are right.",
            1.96 * 4.343 / (LOW_BAND_WIDTH_HZ * seconds).sqrt()
        );
        judged.note(Verdict::Usable, words);
    }
    let tones: Vec<String> = judged
        .result
        .levels
        .tones
        .iter()
        .filter(|t| t.name.contains("hum") || t.level_db > judged.result.levels.z_db - 20.0)
        .map(|t| {
            let members: Vec<String> = t.members_hz.iter().map(|f| format!("{f:.0}")).collect();
            match members.len() {
                1 => format!("{} at {:.0} dB", t.name, t.level_db),
                _ => format!("{} ({} Hz) at {:.0} dB", t.name, members.join(", "), t.level_db),
            }
        })
        .collect();
    if !tones.is_empty() {
        judged.note(Verdict::Good, format!("Tones stand out of the noise: {}.", tones.join(", ")));
    }
    if tones.iter().any(|t| t.contains("hum")) {
        let words =
            "Hum comes from the mains: run the laptop from its battery and unplug chargers before measuring.";
        judged.note(Verdict::Usable, words);
    }
    if c_db - a_db > 20.0 && a_db > FLOOR_DB {
        let words = format!("C lies {:.0} dB above A: most of this noise is in the bass.", c_db - a_db);
        judged.note(Verdict::Good, words);
    }
    if !calibrated {
        judged.note(
            Verdict::Good,
            "Levels are relative to full scale; with the microphone's level at full scale, or a recorded calibrator, they become sound pressure levels.",
        );
    } else if a_db > LIMIT_DBA {
        let words = format!(
            "{a_db:.0} dB(A): stay no longer than {} a day at this level (NIOSH, 85 dB(A) for 8 h); wear protection or turn it down.",
            duration_words(safe_hours(a_db))
        );
        judged.note(Verdict::Good, words);
    }
    Ok(judged)
}

/// A length of time as a tuner would say it, rounded down: it is one that must not be passed.
pub fn duration_words(hours: f64) -> String {
    // A rounding error below a whole number is that number.
    let down = |value: f64| (value + 1e-9).floor();
    match hours {
        h if h >= 1.0 => format!("{:.1} h", down(10.0 * h) / 10.0),
        h if h * 60.0 >= 1.0 => format!("{:.0} min", down(h * 60.0)),
        h => format!("{:.0} s", down(h * 3600.0)),
    }
}

fn plausible(db_spl: f64) -> Result<f64, NoiseFailure> {
    if (60.0..=200.0).contains(&db_spl) { Ok(db_spl) } else { Err(NoiseFailure::Reference(db_spl)) }
}

/// One input of a recording, its rate, and what is doubtful about the file.
fn input(path: &Path, number: usize) -> Result<(Vec<f64>, f64, Vec<String>), NoiseFailure> {
    let wav = wav::read(path)?;
    let count = wav.channels.len();
    let signal =
        number.checked_sub(1).and_then(|i| wav.channels.get(i)).ok_or_else(|| NoiseFailure::Recording {
            path: path.to_path_buf(),
            what: format!("it has no input {number}; give one from 1 to {count}"),
        })?;
    let doubts = wav.doubts.iter().map(|d| format!("{}: {d}", path.display())).collect();
    Ok((signal.clone(), f64::from(wav.rate_hz), doubts))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(frequency_hz: f64, amplitude: f64, seconds: f64) -> Vec<f64> {
        (0..(seconds * 48_000.0) as usize)
            .map(|n| amplitude * (std::f64::consts::TAU * frequency_hz * n as f64 / 48_000.0).sin())
            .collect()
    }

    #[test]
    fn a_calibrator_sets_the_reference() {
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, channels: &[Vec<f64>]| {
            let path = dir.path().join(name);
            wav::write_f32(&path, 48_000, channels).unwrap();
            path
        };
        let calibrator = write("calibrator.wav", &[tone(1000.0, 0.1, 3.0)]);
        let capture = write("noise.wav", &[tone(1000.0, 0.01, 12.0), vec![0.0; 576_000]]);
        let order = |full_scale| NoiseOrder {
            capture: capture.clone(),
            input_channel: 1,
            mic_calibration: None,
            full_scale,
        };
        let by_calibrator = order(FullScale::Calibrator { recording: calibrator.clone(), db_spl: 94.0 });
        let judged = measure_noise(&by_calibrator).unwrap();
        assert!((judged.result.levels.a_db - 74.0).abs() < 0.05, "{judged:?}");
        assert!((judged.result.full_scale_db_spl.unwrap() - 114.0).abs() < 0.05);
        assert_eq!((judged.result.unit, judged.verdict), ("dB SPL", Verdict::Good));
        let loud = measure_noise(&order(FullScale::Known { db_spl: 140.0 })).unwrap();
        // 100 dB(A): a quarter of an hour, NIOSH 98-126.
        assert!((loud.result.safe_hours.unwrap() - 0.25).abs() < 0.005);
        assert!(loud.remarks.iter().any(|r| r.contains("15 min")), "{:?}", loud.remarks);
        let plain = measure_noise(&order(FullScale::Unknown)).unwrap();
        assert!((plain.result.levels.z_db + 40.0).abs() < 0.05 && plain.result.safe_hours.is_none());

        let silent = measure_noise(&NoiseOrder { input_channel: 2, ..order(FullScale::Unknown) }).unwrap();
        assert_eq!(silent.verdict, Verdict::Retake);
        let line = |order: &NoiseOrder| measure_noise(order).unwrap_err().to_string();
        assert!(line(&NoiseOrder { input_channel: 3, ..order(FullScale::Unknown) }).contains("from 1 to 2"));
        assert!(line(&order(FullScale::Known { db_spl: f64::NAN })).contains("between 60 and 200"));
        let bad =
            order(FullScale::Calibrator { recording: write("hush.wav", &[vec![0.0; 96_000]]), db_spl: 94.0 });
        assert!(line(&bad).contains("hush.wav"));
        let short =
            NoiseOrder { capture: write("short.wav", &[tone(50.0, 0.1, 0.2)]), ..order(FullScale::Unknown) };
        assert!(line(&short).contains("short.wav") && line(&short).contains("1 s"));
    }

    #[test]
    fn the_microphone_is_taken_out_and_clipping_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let capture = dir.path().join("c.wav");
        wav::write_f32(&capture, 48_000, &[tone(1000.0, 1.0, 12.0)]).unwrap();
        let mic = dir.path().join("mic.txt");
        std::fs::write(&mic, "20 3.0\n20000 3.0\n").unwrap();
        let order =
            NoiseOrder { capture, input_channel: 1, mic_calibration: Some(mic), ..NoiseOrder::default() };
        let judged = measure_noise(&order).unwrap();
        assert!((judged.result.levels.a_db + 3.0).abs() < 0.02);
        assert_eq!(judged.verdict, Verdict::Retake);
    }
}
