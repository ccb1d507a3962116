//! `cabinwright roll-call`

use std::fmt::Write;
use std::path::PathBuf;

use garage::channels::Side;
use job::roll_call::{RollCallFiles, roll_call_files};

use crate::face::{Face, Failure, Outcome};

/// Tells which channel drives which speaker, and which does not.
///
/// Play a roll call (`stimulus roll-call`) with output n of the processor on channel n of the file, everything flat, and
/// record it with the microphone where the driver's head will be. It says which channels are silent, swapped, the wrong
/// way round, far too loud or too soft, or rattling, and what to check. It takes ten seconds and saves hours.
///
/// Start soft: it is there to find what is wired wrong before anything is played loud. Switch amplifiers off before
/// touching a wire; leave wiring to a qualified technician.
#[derive(clap::Args)]
pub struct Args {
    /// The channel map: names, outputs, roles, sides, safe bands.
    #[arg(long, value_name = "M.json")]
    map: PathBuf,
    /// What was played.
    #[arg(long, value_name = "S.wav")]
    stimulus: PathBuf,
    /// What the microphone recorded.
    #[arg(long, value_name = "C.wav")]
    capture: PathBuf,
    /// Channel of the recording with the microphone, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 1)]
    input_channel: usize,
    /// Side of the car on which the microphone stands. Without it the side is taken from the majority of left-right
    /// pairs; with one pair only, left and right are then not checked.
    #[arg(long, value_name = "SIDE", value_parser = side)]
    seat_side: Option<Side>,
}

fn side(text: &str) -> Result<Side, String> {
    match text {
        "left" => Ok(Side::Left),
        "right" => Ok(Side::Right),
        _ => Err("write left or right".into()),
    }
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let Args { map, stimulus, capture, input_channel, seat_side } = args;
    let judged = roll_call_files(&RollCallFiles { map, stimulus, capture, input_channel, seat_side })?;
    let mut words = String::from("channel                   level  above noise    arrival");
    for answer in &judged.result.answers {
        let arrival = answer.arrival_ms.map_or("-".into(), |ms| format!("{ms:.2} ms"));
        write!(
            words,
            "\n{:<22} {:>5.1} dB  {:>8.0} dB  {:>9}",
            answer.name, answer.level_db, answer.snr_db, arrival
        )?;
    }
    if judged.result.faults.is_empty() {
        words.push_str("\nEvery channel answers as the map says.");
    }
    for remark in &judged.remarks {
        write!(words, "\n{remark}")?;
    }
    face.answer(words, &judged)?;
    Ok(if judged.verdict == dsp::verdict::Verdict::Retake { Outcome::TakeAgain } else { Outcome::Done })
}
