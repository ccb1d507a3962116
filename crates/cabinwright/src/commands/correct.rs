//! `cabinwright correct`

use std::fmt::Write;
use std::path::{Path, PathBuf};

use audio::rig::Watch;
use dsp::correct::FirKind;
use dsp::tune::Tune;
use garage::entry::kind_word;
use job::correct::{Request, correct_files};
use job::voicing::{Made, VisitOrder, set_up_visit};

use crate::face::{Face, Failure, Outcome};

/// Proposes a correction towards a target within a processor's limits, for one curve or for a whole visit.
///
/// The response is a curve file as `response` or `average` writes it; the target's level is free, only its shape
/// counts. The bands that come out are settings the processor has. What equalisation cannot mend (noise, positions that
/// disagree, cancellations, what lies beyond the speaker's range) is left alone, with the reason.
///
/// With `--visit` every channel of a car is set up from the takes of a visit, as the window's one button does it:
/// crossovers, delays, polarity, levels and bands, refined together. `--other-seat` names a second visit, of the same car
/// at another seat: the tune is shared with the weight given, and each seat says what it gains and pays.
#[derive(clap::Args)]
pub struct Args {
    /// The measured curve.
    #[arg(long, value_name = "R.csv", required_unless_present = "visit", conflicts_with = "visit")]
    response: Option<PathBuf>,
    /// The target curve; ready-made ones are in `assets/targets`. A visit's own when left out with `--visit`.
    #[arg(long, value_name = "T.json", required_unless_present = "visit")]
    target: Option<PathBuf>,
    /// What the processor can do; examples are in `assets/limits`. A visit's own when left out with `--visit`.
    #[arg(long, value_name = "L.json", required_unless_present = "visit")]
    limits: Option<PathBuf>,
    /// A visit, GARAGE/cars/CAR/visits/DATE-N, whose channels are all set up.
    #[arg(long, value_name = "DIR")]
    visit: Option<PathBuf>,
    /// A visit of the same car with the takes of another seat, to share the tune with.
    #[arg(long, value_name = "DIR", requires = "visit", conflicts_with = "response")]
    other_seat: Option<PathBuf>,
    /// Weight of the first visit's seat in percent; 60 when left out.
    #[arg(long, value_name = "PERCENT", requires = "other_seat", conflicts_with = "response", value_parser = percent)]
    weight: Option<f64>,
    /// Leave the processor's taps empty; where the limits have any they are filled with what the bands leave.
    #[arg(long, requires = "visit", conflicts_with = "response")]
    no_taps: bool,
    /// Keep the tune in the visit under its next number.
    #[arg(long, requires = "visit", conflicts_with = "response")]
    keep: bool,
    /// Lower end of the range to correct; the curve's own, at least 20, when left out.
    #[arg(long, value_name = "HZ", value_parser = hertz, conflicts_with = "visit")]
    from_hz: Option<f64>,
    /// Upper end of the range to correct; the curve's own, at most 20000, when left out.
    #[arg(long, value_name = "HZ", value_parser = hertz, conflicts_with = "visit")]
    to_hz: Option<f64>,
    /// Fill the processor's taps with what the bands leave: `minimum` phase adds no delay, `linear` phase keeps the
    /// delay equal at all frequencies and rings at most 20 ms ahead of the sound.
    #[arg(long, value_enum, value_name = "PHASE", num_args = 0..=1, default_missing_value = "minimum", conflicts_with = "visit")]
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

fn percent(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(share) if (0.0..=100.0).contains(&share) => Ok(share),
        _ => Err("give 0 to 100, such as 60".into()),
    }
}

/// The driver hears the car every day.
const USUAL_WEIGHT_PERCENT: f64 = 60.0;

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    if let Some(out) = &args.out {
        face.may_write(out)?;
    }
    match args {
        Args {
            visit: Some(visit), target, limits, other_seat, weight, no_taps, keep, out, export, ..
        } => {
            let weight = weight.unwrap_or(USUAL_WEIGHT_PERCENT) / 100.0;
            let other_seat = other_seat.map(|other| (other, weight));
            whole_visit(&VisitOrder { visit, other_seat, target, limits, no_taps, keep }, out, export, face)
        }
        Args { response: Some(response), target: Some(target), limits: Some(limits), .. } => {
            let fir = args.fir.map(|phase| match phase {
                Phase::Minimum => FirKind::MinimumPhase,
                Phase::Linear => FirKind::LinearPhase,
            });
            let (from_hz, to_hz) = (args.from_hz, args.to_hz);
            let request = Request { response, target, limits, from_hz, to_hz, fir };
            one_curve(&request, args.out, args.export, face)
        }
        _ => Err(Failure::new("give --response with --target and --limits, or --visit")),
    }
}

/// Every channel of a visit, for its seat or for two.
fn whole_visit(
    order: &VisitOrder,
    out: Option<PathBuf>,
    export: Option<PathBuf>,
    face: &Face,
) -> Result<Outcome, Failure> {
    face.progress("reading the takes and setting up");
    let judged = set_up_visit(order, &Watch::default());
    face.progress_done();
    let judged = judged?;
    let tune = judged.result.made.tune();
    may_export(tune, STEM, export.as_deref(), face)?;
    let mut words = String::new();
    if judged.result.simulated {
        words.push_str("SIMULATED. ");
    }
    match &judged.result.made {
        Made::OneSeat(made) => write!(
            words,
            "{:.1} dB off the target with crossovers only, {:.1} dB expected with the tune.",
            made.start_db,
            made.taps.as_ref().map_or(made.refined_db, |taps| taps.after_db)
        )?,
        Made::TwoSeats(made) => write!(
            words,
            "Expected, this seat: {}.\nExpected, the other seat: {}.",
            made.first.words(),
            made.second.words()
        )?,
    }
    words.push('\n');
    for reason in &judged.result.reasons {
        write!(words, "\n  {}: {}", reason.subject, reason.words)?;
    }
    for left in &tune.left_alone {
        write!(words, "\nLeft alone, {:.0} to {:.0} Hz: {}.", left.from_hz, left.to_hz, left.reason)?;
    }
    for remark in &judged.remarks {
        write!(words, "\n{remark}")?;
    }
    match judged.result.number {
        Some(number) => write!(words, "\nKept in the visit as tune {number}.")?,
        None if out.is_none() && export.is_none() => {
            words.push_str(
                "\nNothing was written; --keep keeps the tune in the visit, --out FILE.json writes it.",
            );
        }
        None => {}
    }
    write_out(tune, STEM, out, export, &mut words)?;
    face.answer(words, &judged)?;
    Ok(Outcome::Done)
}

/// What the files of a whole tune are called.
const STEM: &str = "tune";

fn may_export(tune: &Tune, stem: &str, folder: Option<&Path>, face: &Face) -> Result<(), Failure> {
    let Some(folder) = folder else { return Ok(()) };
    job::export::names(tune, stem).iter().try_for_each(|name| face.may_write(&folder.join(name)))
}

fn write_out(
    tune: &Tune,
    stem: &str,
    out: Option<PathBuf>,
    export: Option<PathBuf>,
    words: &mut String,
) -> Result<(), Failure> {
    if let Some(out) = &out {
        garage::formats::tune::write(out, tune)?;
        write!(words, "\nWritten to {}.", out.display())?;
    }
    if let Some(folder) = &export {
        for path in job::export::write_all(tune, folder, stem)? {
            write!(words, "\nWritten to {}.", path.display())?;
        }
    }
    Ok(())
}

fn one_curve(
    request: &Request,
    out: Option<PathBuf>,
    export: Option<PathBuf>,
    face: &Face,
) -> Result<Outcome, Failure> {
    face.progress("looking for the bands");
    let judged = correct_files(request);
    face.progress_done();
    let judged = judged?;
    let tune = &judged.result.tune;
    let stem = tune.channels.first().map_or("tune", |channel| channel.name.as_str());
    may_export(tune, stem, export.as_deref(), face)?;

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
            let kind = kind_word(s.kind);
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
    if out.is_none() && export.is_none() {
        words.push_str("\nNothing was written; --out FILE.json keeps the tune, --json prints it.");
    }
    write_out(tune, stem, out, export, &mut words)?;
    face.answer(words, &judged)?;
    Ok(Outcome::Done)
}
