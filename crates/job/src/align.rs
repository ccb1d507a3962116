//! Delays, polarity and levels from impulse responses in files.

use std::path::{Path, PathBuf};

use audio::wav::{self, WavError};
use dsp::align::{AlignError, AlignedChannel, Confidence, Options, Speaker, align};
use dsp::verdict::Verdict;
use garage::FormatError;
use garage::formats::limits;
use serde::Serialize;

use crate::judged::Judged;

/// Ten metres and the delay of a processor: more than any two speakers of a car lie apart.
const LONGEST_IN_A_CAR_MS: f64 = 50.0;

/// An impulse response of a channel at one position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImpulseFile {
    /// The channel; the same name again is the next position.
    pub name: String,
    /// A mono WAV file whose sample 0 is the same instant for all.
    pub path: PathBuf,
}

/// What to set on every channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Aligned {
    /// In the order in which the names first came.
    pub channels: Vec<AlignedChannel>,
}

/// Why nothing could be aligned.
#[derive(Debug, thiserror::Error)]
pub enum AlignFailure {
    /// A WAV file cannot be read.
    #[error(transparent)]
    Wav(#[from] WavError),
    /// The limits cannot be read.
    #[error(transparent)]
    File(#[from] FormatError),
    /// A file that is no impulse response of this set.
    #[error("{}: {what}", path.display())]
    Impulse {
        /// The file.
        path: PathBuf,
        /// What is wrong, and what would be right.
        what: String,
    },
    /// A temperature outside any car.
    #[error("a temperature of {0} °C cannot be right; give the air in the cabin, between -40 and 80")]
    Temperature(f64),
    /// The responses do not fit together.
    #[error(transparent)]
    Responses(#[from] AlignError),
}

/// Air in a cabin where nobody measured it.
const USUAL_TEMPERATURE_C: f64 = 20.0;

/// Reads impulse responses and works out the alignment.
///
/// # Errors
/// [`AlignFailure`], naming the file or channel.
pub fn align_files(
    files: &[ImpulseFile],
    limits_path: Option<&Path>,
    temperature_c: Option<f64>,
) -> Result<Judged<Aligned>, AlignFailure> {
    let air_c = temperature_c.unwrap_or(USUAL_TEMPERATURE_C);
    if !(-40.0..=80.0).contains(&air_c) {
        return Err(AlignFailure::Temperature(air_c));
    }
    let limits = limits_path.map(limits::read).transpose()?;
    let mut speakers: Vec<Speaker> = Vec::new();
    let mut paths: Vec<Vec<&Path>> = Vec::new();
    let mut rate_hz = None;
    let mut doubts = Vec::new();
    for file in files {
        let wav = wav::read(&file.path)?;
        let refuse = |what: String| AlignFailure::Impulse { path: file.path.clone(), what };
        let rate = *rate_hz.get_or_insert(wav.rate_hz);
        if wav.rate_hz != rate {
            return Err(refuse(format!(
                "its rate is {} Hz and that of the first file {rate} Hz; give responses of one rate",
                wav.rate_hz
            )));
        }
        let [impulse] = wav.channels.as_slice() else {
            return Err(refuse(format!(
                "it has {} channels; give a mono impulse response as `response` writes it",
                wav.channels.len()
            )));
        };
        doubts.extend(wav.doubts.iter().map(|doubt| format!("{}: {doubt}", file.path.display())));
        match speakers.iter().position(|s| s.name == file.name) {
            Some(i) => {
                speakers[i].impulses.push(impulse.clone());
                paths[i].push(&file.path);
            }
            None => {
                speakers.push(Speaker { name: file.name.clone(), impulses: vec![impulse.clone()] });
                paths.push(vec![&file.path]);
            }
        }
    }
    let rate_hz = f64::from(rate_hz.unwrap_or(48_000));
    let options = Options {
        rate_hz,
        processor_rate_hz: limits.as_ref().map_or(rate_hz, |l| l.sample_rate_hz),
        temperature_c: air_c,
        delay: limits.as_ref().and_then(|l| l.delay_ms),
        join_subwoofers: true,
    };
    let alignment = align(&speakers, options).map_err(|error| match &error {
        AlignError::Channel { name, position, fault } => {
            let at = speakers.iter().position(|s| s.name == *name);
            let path = at.and_then(|i| paths.get(i)?.get(position - 1).copied());
            path.map_or_else(
                || AlignFailure::Responses(error.clone()),
                |path| AlignFailure::Impulse { path: path.to_path_buf(), what: format!("{name}: {fault}") },
            )
        }
        _ => AlignFailure::Responses(error),
    })?;
    let mut judged = Judged::good(Aligned { channels: alignment.channels });
    for doubt in doubts {
        judged.note(Verdict::Usable, doubt);
    }
    let unsure = judged.result.channels.iter().any(|c| c.confidence == Confidence::Low);
    for remark in alignment.remarks {
        judged.note(if unsure { Verdict::Usable } else { Verdict::Good }, remark);
    }
    if let Some(far) = judged.result.channels.iter().find(|it| it.delay_ms > LONGEST_IN_A_CAR_MS) {
        let words = format!(
            "{} arrives {:.0} ms before another, {:.0} m of air: no car is that long. The responses share no time base; record \
             them with a reference channel.",
            far.name, far.delay_ms, far.distance_m
        );
        judged.note(Verdict::Retake, words);
    }
    if let [only] = judged.result.channels.as_slice() {
        let words = format!("{} is alone: there is nothing to align it with.", only.name);
        judged.note(Verdict::Usable, words);
    }
    if temperature_c.is_none() {
        let words = format!(
            "Distances assume {USUAL_TEMPERATURE_C:.0} °C in the cabin; 10 degrees change them by 1.7 %."
        );
        judged.note(Verdict::Good, words);
    }
    Ok(judged)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A decaying click through a one-pole high-pass, at a sample.
    fn click(at: usize, strength: f64) -> Vec<f64> {
        let mut x = vec![0.0; 4096];
        x[at] = strength;
        for (n, v) in x.iter_mut().enumerate().skip(at + 1) {
            *v = -0.02 * strength * 0.98f64.powi((n - at - 1) as i32);
        }
        x
    }

    #[test]
    fn files_are_aligned_and_faults_name_the_file() {
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, rate_hz: u32, channels: &[Vec<f64>]| {
            let path = dir.path().join(name);
            wav::write_f32(&path, rate_hz, channels).unwrap();
            path
        };
        let file = |name: &str, path: &PathBuf| ImpulseFile { name: name.into(), path: path.clone() };
        let near = write("near.wav", 48_000, &[click(480, 0.5)]);
        let far = write("far.wav", 48_000, &[click(528, -0.25)]);
        let judged = align_files(&[file("near", &near), file("far", &far)], None, Some(20.0)).unwrap();
        let [a, b] = &judged.result.channels[..] else { panic!("two channels went in") };
        assert!((a.delay_ms - 1.0).abs() < 0.002 && b.delay_ms == 0.0, "{a:?} {b:?}");
        assert!(!a.invert && b.invert);
        assert!((a.gain_db + 6.0).abs() < 0.1 && b.gain_db == 0.0);
        assert!((a.distance_m - 3.432).abs() < 0.001);

        let other_rate = write("other.wav", 44_100, &[click(480, 0.5)]);
        let stereo = write("stereo.wav", 48_000, &[click(480, 0.5), click(480, 0.5)]);
        let silent = write("silent.wav", 48_000, &[vec![0.0; 4096]]);
        let short = write("short.wav", 48_000, &[vec![1.0; 10]]);
        for (path, words) in
            [(&other_rate, "44100"), (&stereo, "2 channels"), (&silent, "silent"), (&short, "10 samples")]
        {
            let line =
                align_files(&[file("near", &near), file("odd", path)], None, None).unwrap_err().to_string();
            assert!(line.contains(words) && line.contains(&path.display().to_string()), "{line}");
        }
        let line = align_files(&[file("a", &near), file("a", &far), file("b", &near)], None, None)
            .unwrap_err()
            .to_string();
        assert!(line.contains("b 1, a 2"), "{line}");
        assert!(align_files(&[file("a", &near)], None, Some(f64::NAN)).is_err());
        assert!(align_files(&[], None, None).is_err());
    }
}
