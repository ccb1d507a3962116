//! `cabinwright correct`

use std::fmt::Write;
use std::path::PathBuf;

use dsp::correct::FirKind;
use job::correct::{Request, correct_files};

use crate::face::{Face, Failure, Outcome};

/// Proposes a correction towards a target within a processor's limits.
///
/// The response is a curve file as `response` or `average` writes it; the target's level is free, only its shape
/// counts. The bands that come out are settings the processor has. What equalisation cannot mend (noise, positions that
/// disagree, cancellations, what lies beyond the speaker's range) is left alone, with the reason.
#[derive(clap::Args)]
pub struct Args {
    /// The measured curve.
    #[arg(long, value_name = "R.csv")]
    response: PathBuf,
    /// The target curve; ready-made ones are in `assets/targets`.
    #[arg(long, value_name = "T.json")]
    target: PathBuf,
    /// What the processor can do; examples are in `assets/limits`.
    #[arg(long, value_name = "L.json")]
    limits: PathBuf,
    /// Lower end of the range to correct; the curve's own, at least 20, when left out.
    #[arg(long, value_name = "HZ", value_parser = hertz)]
    from_hz: Option<f64>,
    /// Upper end of the range to correct; the curve's own, at most 20000, when left out.
    #[arg(long, value_name = "HZ", value_parser = hertz)]
    to_hz: Option<f64>,
    /// Fill the processor's taps with what the bands leave: `minimum` phase adds no delay, `linear` phase keeps the
    /// delay equal at all frequencies and rings at most 20 ms ahead of the sound.
    #[arg(long, value_enum, value_name = "PHASE", num_args = 0..=1, default_missing_value = "minimum")]
    fir: Option<Phase>,
    /// Where to write the tune.
    #[arg(long, value_name = "FILE.json")]
    out: Option<PathBuf>,
    /// A folder for the tune in other forms: a table, biquad coefficients in both sign conventions, taps.
    #[arg(long, value_name = "DIR")]
    export: Option<PathBuf>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum Phase {
    Minimum,
    Linear,
}

fn hertz(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(hz) if hz.is_finite() && hz > 0.0 => Ok(hz),
        _ => Err("give a frequency in hertz, such as 30".into()),
    }
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    if let Some(out) = &args.out {
        face.may_write(out)?;
    }
    let fir = args.fir.map(|phase| match phase {
        Phase::Minimum => FirKind::MinimumPhase,
        Phase::Linear => FirKind::LinearPhase,
    });
    face.progress("looking for the bands");
    let judged = correct_files(&Request {
        response: args.response,
        target: args.target,
        limits: args.limits,
        from_hz: args.from_hz,
        to_hz: args.to_hz,
        fir,
    });
    face.progress_done();
    let judged = judged?;
    let tune = &judged.result.tune;
    let stem = tune.channels.first().map_or("tune", |channel| channel.name.as_str());
    if let Some(folder) = &args.export {
        for name in job::export::names(tune, stem) {
            face.may_write(&folder.join(name))?;
        }
    }

    let mut words = format!(
        "{:.0} to {:.0} Hz: {:.2} dB rms from the target's shape now, {:.2} dB expected with the correction",
        judged.result.from_hz,
        judged.result.to_hz,
        tune.predicted.rms_error_db_before,
        tune.predicted.rms_error_db_after
    );
    if !tune.left_alone.is_empty() {
        write!(words, " ({:.2} dB where it can be mended)", judged.result.mendable.rms_error_db_after)?;
    }
    words.push_str(".\n");
    for channel in &tune.channels {
        for s in &channel.sections {
            let kind = format!("{:?}", s.kind);
            write!(
                words,
                "\n  {kind:<10} {:>9.1} Hz  {:>+6.1} dB  Q {:>5.2}",
                s.frequency_hz, s.gain_db, s.q
            )?;
        }
        if let Some(taps) = &channel.fir {
            write!(words, "\n  {} taps", taps.len())?;
        }
    }
    write!(words, "\n\nLeave {:.1} dB of headroom before the filters.", tune.headroom_db)?;
    for left in &tune.left_alone {
        write!(words, "\nLeft alone, {:.0} to {:.0} Hz: {}.", left.from_hz, left.to_hz, left.reason)?;
    }
    for remark in &judged.remarks {
        write!(words, "\n{remark}")?;
    }
    if let Some(out) = &args.out {
        garage::formats::tune::write(out, tune)?;
        write!(words, "\nWritten to {}.", out.display())?;
    }
    if let Some(folder) = &args.export {
        for path in job::export::write_all(tune, folder, stem)? {
            write!(words, "\nWritten to {}.", path.display())?;
        }
    }
    if args.out.is_none() && args.export.is_none() {
        words.push_str("\nNothing was written; --out FILE.json keeps the tune, --json prints it.");
    }
    face.answer(words, &judged)?;
    Ok(Outcome::Done)
}
