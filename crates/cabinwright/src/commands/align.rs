//! `cabinwright align`

use std::fmt::Write;
use std::path::PathBuf;

use job::align::{ImpulseFile, align_files};

use crate::face::{Face, Failure, Outcome};

/// Works out delays, polarity and levels from impulse responses.
///
/// Give one impulse response for each channel, all measured at one place and on one time base (with a loopback or
/// markers, so that sample 0 is the same instant in all). Give a NAME again for the next position, in the same order for
/// every channel. Drivers are aligned by the phase beyond their minimum phase, a subwoofer by the level of its sum with
/// the midbass. What comes out is what to set in the processor: the delay to add, the gain, and which channels to turn
/// over.
#[derive(clap::Args)]
pub struct Args {
    /// A channel's impulse response, mono WAV. More than once.
    #[arg(long = "impulse", required = true, value_name = "NAME=IR.wav", value_parser = named)]
    impulses: Vec<ImpulseFile>,
    /// The processor's limits; delays land on its steps and stay within its range.
    #[arg(long, value_name = "L.json")]
    limits: Option<PathBuf>,
    /// Air in the cabin, for distances; 20 when left out.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    temperature_c: Option<f64>,
    /// Where to write `alignment.json`.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

fn named(text: &str) -> Result<ImpulseFile, String> {
    match text.split_once('=') {
        Some((name, path)) if !name.trim().is_empty() && !path.is_empty() => {
            Ok(ImpulseFile { name: name.trim().into(), path: path.into() })
        }
        _ => Err("write the channel's name, an equals sign and its file, such as tweeter-left=tl.wav".into()),
    }
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let file = args.out.as_ref().map(|dir| dir.join("alignment.json"));
    if let Some(file) = &file {
        face.may_write(file)?;
    }
    let judged = align_files(&args.impulses, args.limits.as_deref(), args.temperature_c)?;
    let mut words =
        String::from("channel               arrival      delay to add                gain   turn over  sure");
    for c in &judged.result.channels {
        write!(
            words,
            "\n{:<20} {:>6.2} ms  {:>6.2} ms {:>6.1} cm {:>7.1} smp  {:>6.1} dB  {:<9}  {}",
            c.name,
            c.arrival_ms,
            c.delay_ms,
            c.delay_cm,
            c.delay_samples,
            c.gain_db,
            if c.invert { "yes" } else { "no" },
            format!("{:?}", c.confidence).to_lowercase()
        )?;
    }
    for remark in &judged.remarks {
        write!(words, "\n  {remark}")?;
    }
    if let Some(file) = &file {
        if let Some(dir) = file.parent() {
            std::fs::create_dir_all(dir).map_err(|e| {
                Failure::new(format_args!(
                    "{}: cannot be made ({e}); give a folder that may be written",
                    dir.display()
                ))
            })?;
        }
        let mut text = serde_json::to_string_pretty(&judged)?;
        text.push('\n');
        garage::atomic::write(file, text.as_bytes())?;
        write!(words, "\nWritten to {}.", file.display())?;
    }
    face.answer(words, &judged)?;
    Ok(Outcome::Done)
}
