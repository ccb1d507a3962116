//! `cabinwright average`

use std::path::PathBuf;

use dsp::average::Method;
use garage::formats::curve_csv;

use crate::face::{Face, Failure, Outcome};

/// Averages responses over positions, with the uncertainty of the average.
///
/// Give one curve file for each microphone position in the head volume of one seat. The average comes with the
/// half-width of its 95 % interval (`spread_db`): how far the average over the whole volume may lie from it. Nine
/// positions are a good number; with one alone the interval is what a car usually shows.
#[derive(clap::Args)]
pub struct Args {
    /// Curve files as `response` writes them, one for each position.
    #[arg(required = true, value_name = "R.csv")]
    curves: Vec<PathBuf>,
    /// What is averaged: `power` is the mean energy, in which peaks count most; `db` the mean level, in which dips count
    /// as much.
    #[arg(long, value_enum, default_value_t = By::Power)]
    method: By,
    /// Where to write the average: `frequency_hz,level_db,spread_db`.
    #[arg(long, value_name = "FILE.csv")]
    out: Option<PathBuf>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum By {
    Power,
    Db,
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    if let Some(out) = &args.out {
        face.may_write(out)?;
    }
    let method = match args.method {
        By::Power => Method::Power,
        By::Db => Method::Db,
    };
    let judged = job::average::average_files(&args.curves, method)?;
    let average = &judged.result;
    let mut words = format!(
        "Average of {} position{}, {:.1} to {:.0} Hz, known to ±{:.1} dB (95 %, mean over the range).",
        average.positions,
        if average.positions == 1 { "" } else { "s" },
        average.from_hz,
        average.to_hz,
        average.mean_spread_db
    );
    for remark in &judged.remarks {
        words.push_str("\n  ");
        words.push_str(remark);
    }
    match &args.out {
        Some(out) => {
            curve_csv::write(out, &average.curve)?;
            words.push_str(&format!("\nWritten to {}.", out.display()));
        }
        None => words.push_str("\nNothing was written; --out FILE.csv keeps the curve, --json prints it."),
    }
    face.answer(words, &judged)?;
    Ok(Outcome::Done)
}
