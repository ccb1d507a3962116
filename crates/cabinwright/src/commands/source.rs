//! `cabinwright source`

use std::fmt::Write;
use std::path::PathBuf;

use dsp::verdict::Verdict;
use garage::formats::limits::MOST_TAPS;
use garage::formats::{curve_csv, limits, tune};
use job::factory::{CLEAN_PERCENT, CaptureRef, CleanVolumeFinding, FactoryOrder, Worked, prove, work_out};

use crate::face::{Face, Failure, Outcome};

/// Finds out what the factory did to the signal, and how to undo it.
///
/// Play a sweep with markers and two repeats that begins at 5 Hz, on both sides and then on each alone
/// (`stimulus sweep --low-hz 5 --markers --repeats 2 --channels 2 --sides`), from a stick, a disc, a phone or an aux
/// lead, with every tone control at its centre, and record the head unit's outputs at line level. Keep one output on
/// the first input of every recording as the time reference and name it with --reference-channel; move the others
/// through the second input. Speaker-level outputs are bridge-tied: never ground either side, use an isolating,
/// attenuating probe, and leave wiring to a qualified technician.
///
/// Writes findings.json, undo.json (a tune for the combined signal), before.csv and predicted.csv. Once plan and undo are
/// typed into the processor, record its combined signal, give the same recordings again and that one with --proof: what
/// really became of it is written to proof.csv, held against the prediction, and a setting that was missed is named.
#[derive(clap::Args)]
pub struct Args {
    /// The stimulus that was played, with its sidecar beside it.
    #[arg(long, value_name = "S.wav")]
    stimulus: PathBuf,
    /// An output's recording; K is the input channel in the file, 1 when left out. More than once.
    #[arg(long = "capture", required = true, value_name = "NAME=C.wav[:K]", value_parser = named)]
    captures: Vec<CaptureRef>,
    /// Input that carries the time reference in every file, counted from 1.
    #[arg(long, value_name = "R")]
    reference_channel: Option<usize>,
    /// The same output at another volume step, under the step's label. More than once.
    #[arg(long = "volume", value_name = "LABEL=C.wav[:K]", value_parser = named)]
    volumes: Vec<CaptureRef>,
    /// A recording of one tone while the volume was turned up a step at a time, each held for a second or longer. More
    /// than once: at 1 kHz, and at 40 Hz, where limiters and bass cuts act.
    #[arg(long = "steps", value_name = "C.wav[:K]", value_parser = unnamed)]
    steps: Vec<CaptureRef>,
    /// A recording of the processor's combined signal with plan and undo typed in, played from the same stimulus.
    #[arg(long, value_name = "NAME=C.wav[:K]", value_parser = named)]
    proof: Option<CaptureRef>,
    /// THD in per cent up to which a volume step counts as clean.
    #[arg(long, value_name = "PERCENT", default_value_t = CLEAN_PERCENT, value_parser = percent)]
    clean_percent: f64,
    /// The processor's limits; ten parametric bands and all-passes when left out.
    #[arg(long, value_name = "L.json")]
    limits: Option<PathBuf>,
    /// FIR taps to use, where the limits do not say.
    #[arg(long, value_name = "N", value_parser = taps)]
    fir_taps: Option<usize>,
    /// What the undo aims at: `flat` or a target's file.
    #[arg(long, value_name = "flat|T.json", default_value = "flat")]
    target: String,
    /// Folder for the results.
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
}

fn named(text: &str) -> Result<CaptureRef, String> {
    let right =
        "write a name, an equals sign and the file, such as front-left=fl.wav or front-left=all.wav:2";
    let (name, place) = text.split_once('=').ok_or(right)?;
    // Only digits after the last colon are a channel; a drive letter's colon is part of the path.
    let (path, channel) = match place.rsplit_once(':') {
        Some((path, digits)) if !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()) => {
            (path, digits.parse::<usize>().map_err(|_| right)?)
        }
        _ => (place, 1),
    };
    if name.trim().is_empty() || path.is_empty() || channel == 0 {
        return Err(right.into());
    }
    Ok(CaptureRef { name: name.trim().into(), path: path.into(), channel })
}

fn unnamed(text: &str) -> Result<CaptureRef, String> {
    named(&format!("steps={text}"))
        .map_err(|_| "write the file, and its channel after a colon, such as steps.wav:2".into())
}

fn taps(text: &str) -> Result<usize, String> {
    let count = text.parse().ok().filter(|count| *count <= MOST_TAPS);
    count.ok_or_else(|| format!("give a whole number from 0 to {MOST_TAPS}"))
}

fn percent(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "write a number of per cent, such as 1")?;
    if (0.01..=30.0).contains(&value) { Ok(value) } else { Err("give from 0.01 to 30 per cent".into()) }
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let file = |name: &str| args.out.join(name);
    let files = ["findings.json", "undo.json", "before.csv", "predicted.csv"].map(file);
    let proof_file = args.proof.is_some().then(|| file("proof.csv"));
    for path in files.iter().chain(&proof_file) {
        face.may_write(path)?;
    }
    let order = FactoryOrder {
        stimulus: args.stimulus,
        captures: args.captures,
        reference_channel: args.reference_channel,
        volumes: args.volumes,
        steps: args.steps,
        clean_percent: args.clean_percent,
        limits: args.limits.map(|path| limits::read(&path)).transpose()?,
        target: (args.target != "flat").then(|| args.target.clone().into()),
        fir_taps: args.fir_taps,
        both_ways: false,
    };
    let mut worked = work_out(&order, &mut |words| face.progress(words))?;
    let proved = args.proof.map(|capture| prove(&order, &capture, &mut worked)).transpose()?;
    face.progress_done();
    std::fs::create_dir_all(&args.out).map_err(|e| {
        Failure::new(format_args!(
            "{}: cannot be made ({e}); give a folder that may be written",
            args.out.display()
        ))
    })?;
    let [findings, undo, before, predicted] = &files;
    let mut text = serde_json::to_string_pretty(&worked.findings)?;
    text.push('\n');
    garage::atomic::write(findings, text.as_bytes())?;
    tune::write(undo, &worked.undo)?;
    curve_csv::write(before, &worked.before)?;
    curve_csv::write(predicted, &worked.predicted)?;
    if let (Some(path), Some(curve)) = (&proof_file, &proved) {
        curve_csv::write(path, curve)?;
    }
    face.answer(words(&worked)?, &worked.findings)?;
    Ok(if worked.findings.verdict == Verdict::Retake { Outcome::TakeAgain } else { Outcome::Done })
}

fn words(worked: &Worked) -> Result<String, std::fmt::Error> {
    let found = &worked.findings.result;
    let mut words = String::new();
    for c in &found.channels {
        writeln!(words, "{}: {}", c.name, job::factory::sentence(c))?;
    }
    for c in &found.combine {
        writeln!(
            words,
            "combine {}: {:+.2} dB, delay {:.3} ms{}",
            c.name,
            c.gain_db,
            c.delay_ms,
            if c.invert { ", turned over" } else { "" }
        )?;
    }
    for clean in found.clean_volume.iter().chain(&found.clean_volume_elsewhere) {
        writeln!(words, "{}", clean_words(clean))?;
    }
    let f = &found.flatness;
    write!(
        words,
        "the sum is {:.2} dB rms off the target from {:.0} to {:.0} Hz, and {:.2} dB with the undo (predicted)",
        f.rms_db_before, f.from_hz, f.to_hz, f.rms_db_after
    )?;
    for remark in &worked.findings.remarks {
        write!(words, "\n  {remark}")?;
    }
    Ok(words)
}

fn clean_words(clean: &CleanVolumeFinding) -> String {
    let tone = format!("at {:.0} Hz", clean.frequency_hz);
    let upper = match (&clean.next, clean.next_thd_percent) {
        (Some(next), Some(thd)) => format!("step {next} has {thd:.2} %"),
        _ => "no step beyond it was heard".into(),
    };
    match (&clean.highest, clean.thd_percent, clean.level_dbfs) {
        (Some(highest), Some(thd), Some(level)) => format!(
            "{tone} volume step {highest} of {} is the highest clean one ({thd:.2} % THD, {level:.1} dBFS); {upper}",
            clean.steps.len()
        ),
        _ => format!("{tone} no volume step is clean; {upper}"),
    }
}
