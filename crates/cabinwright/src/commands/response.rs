//! `cabinwright response`

use std::fmt::Write;
use std::path::PathBuf;

use dsp::measure::{Facts, HeardPolarity};
use dsp::verdict::Verdict;
use job::response::{CaptureResult, ResponseOrder, files, work_out};
use serde::Serialize;

use crate::face::{Face, Failure, Outcome};

/// Works out impulse response, response and facts from a stimulus and its recordings.
///
/// For each recording three files are written: NAME.response.csv (level, phase, 95 % half-width and signal-to-noise
/// ratio over frequency), NAME.impulse.wav and NAME.facts.json. Level is that of the recording relative to the stimulus.
///
/// With --reference-channel, time zero is where the stimulus lies in that channel: arrivals of different recordings can
/// be compared. Without it the direct sound is placed at 10 ms. Times are in the player's clock. Sweeps repeated within
/// the stimulus are averaged; several captures get files of their own.
#[derive(clap::Args)]
pub struct Args {
    /// The stimulus that was played, with its .json beside it.
    #[arg(long, value_name = "S.wav")]
    stimulus: PathBuf,
    /// A recording of it; may be given more than once.
    #[arg(long, value_name = "C.wav", required = true, num_args = 1..)]
    capture: Vec<PathBuf>,
    /// The microphone's channel in the recordings, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 1)]
    input_channel: usize,
    /// The channel that recorded the played signal itself (loop-back), counted from 1.
    #[arg(long, value_name = "K")]
    reference_channel: Option<usize>,
    /// The microphone's calibration file; its response is subtracted.
    #[arg(long, value_name = "FILE")]
    mic_cal: Option<PathBuf>,
    /// Smooth the curve over 1/N octave; 0 smooths nothing.
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u32).range(0..=96))]
    smoothing: u32,
    /// Keep this much of the response after the direct sound, 1 to 10000 ms; its last third fades out. 650 where not given.
    #[arg(long, value_name = "MS")]
    window_ms: Option<f64>,
    /// Folder for the files.
    #[arg(long, value_name = "DIR", default_value = ".")]
    out: PathBuf,
}

#[derive(Serialize)]
struct Answer<'a> {
    captures: &'a [CaptureResult],
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let order = ResponseOrder {
        stimulus: args.stimulus,
        captures: args.capture,
        input_channel: args.input_channel,
        reference_channel: args.reference_channel,
        mic_calibration: args.mic_cal,
        smoothing: args.smoothing,
        window_ms: args.window_ms,
        out: args.out,
    };
    for set in files(&order)? {
        for path in [&set.response, &set.impulse, &set.facts] {
            face.may_write(path)?;
        }
    }
    let results = work_out(&order, |words| face.progress(words));
    face.progress_done();
    let results = results?;
    let words: Vec<String> = results.iter().map(words_of).collect();
    face.answer(words.join("\n"), &Answer { captures: &results })?;
    let again = results.iter().any(|result| result.facts.verdict == Verdict::Retake);
    Ok(if again { Outcome::TakeAgain } else { Outcome::Done })
}

fn words_of(result: &CaptureResult) -> String {
    let Facts { verdict, arrival_ms, polarity, clock_skew_ppm, peak_dbfs, .. } = &result.facts;
    let verdict = match verdict {
        Verdict::Good => "good",
        Verdict::Usable => "usable",
        Verdict::Retake => "take it again",
    };
    let polarity = match polarity {
        HeardPolarity::Normal => "normal",
        HeardPolarity::Inverted => "inverted",
        HeardPolarity::Unclear => "unclear",
    };
    let clock = clock_skew_ppm.map_or_else(|| "unknown".into(), |ppm| format!("{ppm:+.2} ppm"));
    let mut words = format!(
        "{}: {verdict}. Direct sound at {arrival_ms:.3} ms, polarity {polarity}, clock {clock}, peak {peak_dbfs:.1} dBFS.",
        result.capture.display()
    );
    for remark in &result.facts.remarks {
        // Writing to a string does not fail.
        let _ = write!(words, "\n  {remark}");
    }
    let _ = write!(words, "\n  {}", result.files.response.display());
    words
}
