//! `cabinwright entry-check`

use std::fmt::Write;
use std::path::PathBuf;

use job::entry_check::{NamedCurve, entry_check_files};

use crate::face::{Face, Failure, Outcome};

/// Tells whether a tune was typed in right.
///
/// After typing, take each channel once, at the processor's output with a cable or at the seat with the microphone, and
/// give the curves here. Each is held against what the tune predicts; a wrong sign, a slipped decimal point, a missing
/// band, a wrong Q, swapped channels, wrong polarity, delay or slope is named, but only where the take is good enough to
/// tell. A take at the seat needs the same take without the tune (--before); an electrical one does not.
#[derive(clap::Args)]
pub struct Args {
    /// The tune as it should be.
    #[arg(long, value_name = "T.json")]
    tune: PathBuf,
    /// A channel's response with the tune typed in. More than once.
    #[arg(long = "take", required = true, value_name = "NAME=R.csv", value_parser = named)]
    takes: Vec<NamedCurve>,
    /// The same channel's response without the tune, from the same place. More than once.
    #[arg(long = "before", value_name = "NAME=R.csv", value_parser = named)]
    before: Vec<NamedCurve>,
}

fn named(text: &str) -> Result<NamedCurve, String> {
    match text.split_once('=') {
        Some((name, path)) if !name.trim().is_empty() && !path.is_empty() => {
            Ok(NamedCurve { name: name.trim().into(), path: path.into() })
        }
        _ => {
            Err("write the channel's name, an equals sign and its file, such as \"front left=fl.csv\"".into())
        }
    }
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let judged = entry_check_files(&args.tune, &args.takes, &args.before)?;
    let mut words = String::new();
    for channel in &judged.result.channels {
        writeln!(words, "{}", channel.sentence)?;
    }
    for remark in &judged.result.remarks {
        writeln!(words, "{remark}")?;
    }
    face.answer(words.trim_end(), &judged)?;
    Ok(Outcome::Done)
}
