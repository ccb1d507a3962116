//! `cabinwright apply`

use std::path::PathBuf;

use job::apply::apply_files;

use crate::face::{Face, Failure, Outcome};

/// Runs a tune over a WAV file, to hear or measure what the processor would do.
///
/// The result is float32 at the input's rate, longer by the time the filters ring. A tune of one channel serves every
/// channel of the file; otherwise the counts must agree. A tune for another sample rate is refused.
#[derive(clap::Args)]
pub struct Args {
    /// The tune.
    #[arg(long, value_name = "T.json")]
    tune: PathBuf,
    /// The recording.
    #[arg(long = "in", value_name = "A.wav")]
    input: PathBuf,
    /// Where to write the result.
    #[arg(long, value_name = "B.wav")]
    out: PathBuf,
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    face.may_write(&args.out)?;
    let applied = apply_files(&args.tune, &args.input, &args.out)?;
    let mut words = format!(
        "{} channel{}, {:.2} s and {:.2} s of tail at {} Hz, written to {}.",
        applied.channels,
        if applied.channels == 1 { "" } else { "s" },
        applied.input_samples as f64 / f64::from(applied.sample_rate_hz),
        applied.tail_samples as f64 / f64::from(applied.sample_rate_hz),
        applied.sample_rate_hz,
        args.out.display()
    );
    if applied.peak_dbfs > 0.0 {
        words.push_str(&format!(
            "\nThe result peaks {:.1} dB above full scale: the file holds it, a device would clip. Turn the input down.",
            applied.peak_dbfs
        ));
    }
    face.answer(words, &applied)?;
    Ok(Outcome::Done)
}
