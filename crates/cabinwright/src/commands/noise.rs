//! `cabinwright noise`

use std::fmt::Write;
use std::path::PathBuf;

use dsp::verdict::Verdict;
use job::noise::{FullScale, NoiseOrder, duration_words, measure_noise};

use crate::face::{Face, Failure, Outcome};

/// Measures the noise in a recording: levels, A-weighted, third-octave.
///
/// Record ten seconds or more with the microphone in place. Levels are relative to full scale (0 dBFS is a full-scale
/// sine) until the reference is given: either the sound pressure level of a full-scale sine, or a recording of an acoustic
/// calibrator made at the same gain. Tones such as mains hum are named. With a reference it also says how long one may
/// stay at this level (NIOSH: 85 dB(A) for 8 h, halved for every 3 dB).
#[derive(clap::Args)]
pub struct Args {
    /// The recording.
    #[arg(long, value_name = "C.wav")]
    capture: PathBuf,
    /// Which input in the file, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 1)]
    input_channel: usize,
    /// The microphone's calibration file; its response is taken out.
    #[arg(long, value_name = "FILE")]
    mic_cal: Option<PathBuf>,
    /// Sound pressure level of a full-scale sine through this microphone and gain.
    #[arg(long, value_name = "DB", conflicts_with = "calibrator")]
    full_scale_db_spl: Option<f64>,
    /// A recording of the running calibrator on the microphone, at the same gain.
    #[arg(long, value_name = "CAL.wav")]
    calibrator: Option<PathBuf>,
    /// What the calibrator gives.
    #[arg(long, value_name = "DB", default_value_t = 94.0, requires = "calibrator")]
    calibrator_db_spl: f64,
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let full_scale = match (args.full_scale_db_spl, args.calibrator) {
        (Some(db_spl), _) => FullScale::Known { db_spl },
        (None, Some(recording)) => FullScale::Calibrator { recording, db_spl: args.calibrator_db_spl },
        (None, None) => FullScale::Unknown,
    };
    let judged = measure_noise(&NoiseOrder {
        capture: args.capture,
        input_channel: args.input_channel,
        mic_calibration: args.mic_cal,
        full_scale,
    })?;
    let noise = &judged.result;
    let levels = &noise.levels;
    let mut words = format!(
        "A {:.1}   C {:.1}   Z {:.1}   A fast, highest {:.1}   {} over {:.1} s",
        levels.a_db, levels.c_db, levels.z_db, levels.a_fast_max_db, noise.unit, noise.seconds
    );
    if let Some(hours) = noise.safe_hours.filter(|h| *h < 24.0) {
        write!(words, "\nA day's limit is used up in {} (NIOSH).", duration_words(hours))?;
    }
    for band in &levels.third_octave {
        write!(words, "\n{:>8} Hz  {:>6.1}", band.band_hz, band.level_db)?;
    }
    for remark in &judged.remarks {
        write!(words, "\n  {remark}")?;
    }
    face.answer(words, &judged)?;
    Ok(if judged.verdict == Verdict::Retake { Outcome::TakeAgain } else { Outcome::Done })
}
