//! `cabinwright measure`

use std::path::{Path, PathBuf};
use std::time::Duration;

use audio::rig::Watch;
use dsp::verdict::Verdict;
use job::measure::{HeadUnitOrder, MeasureOrder, RigChange, measure, record_head_unit};
use job::source::{Following, Line, Probe};

use crate::face::{Face, Failure, Outcome};

/// Plays a sweep through one channel, records it at one position, and keeps the take in a visit.
///
/// The sweep stays inside the channel's safe band, starts quietly, and never passes the ceiling. Park the car with the
/// engine off, keep the doors and windows as the visit's conditions say, and start at a low level: whoever sits in the
/// car should have hearing protection within reach. Ctrl-C stops the sound at once.
///
/// With --head-unit nothing is played: the named output of the factory head unit is recorded while that plays the file
/// given with --stimulus from a stick, a disc or a phone. Start the command, then press play; it waits for the first marker
/// and ends by itself after the last. Amplifiers off. Speaker-level outputs are bridge-tied: never ground either side, use an
/// isolating, attenuating probe, and leave wiring to a qualified technician. `source` takes the recordings from the visit's
/// folder of takes. With --tone a steady tone plays instead, and you turn the volume up a step at a time, holding each for a
/// second or longer; it ends two seconds after the tone does.
///
/// Devices, rate, inputs and level are kept in the visit, so they need to be given only once. The take is kept even when
/// its verdict is that it should be made again (exit 3); a later take of the same channel and position replaces it.
#[derive(clap::Args)]
pub struct Args {
    /// Folder of the visit, as `garage list` shows it.
    #[arg(long, value_name = "DIR")]
    visit: PathBuf,
    /// Channel to play, by its name in the car's channel map.
    #[arg(long, value_name = "NAME", required_unless_present = "head_unit")]
    channel: Option<String>,
    /// Where the microphone is: P1 is the middle of the head, P2 to P9 lie around it.
    #[arg(long, value_name = "P1..P9", required_unless_present = "head_unit")]
    position: Option<String>,
    /// Output of the head unit to record while that plays, in your own words.
    #[arg(long, value_name = "NAME", conflicts_with_all = ["channel", "position", "seconds", "repeats"])]
    head_unit: Option<String>,
    /// Input that the probe on that output is on, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 2, requires = "head_unit")]
    line_input: u16,
    /// The output that stays on an input of its own in every recording and gives them one time; K is that input, 1 when
    /// left out.
    #[arg(long, value_name = "NAME[:K]", requires = "head_unit", value_parser = stays)]
    stays: Option<(String, u16)>,
    /// The file that the head unit plays, its sidecar beside it; kept in the visit, so needed only once.
    #[arg(long, value_name = "S.wav", requires = "head_unit")]
    stimulus: Option<PathBuf>,
    /// Another step of the volume control than everything else is measured at, as the head unit shows it.
    #[arg(long, value_name = "STEP", requires = "head_unit")]
    volume: Option<String>,
    /// A steady tone of this frequency plays while the volume is turned up a step at a time: 1000, and 40 for the bass.
    #[arg(long, value_name = "HZ", requires_all = ["from", "head_unit"],
        conflicts_with_all = ["volume", "stimulus"], value_parser = tone)]
    tone: Option<f64>,
    /// The step of the volume control at which the tone begins.
    #[arg(long, value_name = "STEP", requires = "tone")]
    from: Option<u32>,
    /// What is recorded is the joined signal of that name, with the undoing typed into the processor: the proof.
    #[arg(long, requires = "head_unit", conflicts_with_all = ["volume", "tone"])]
    undone: bool,
    /// Output device, as `devices` names it.
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
    /// Input device, as `devices` names it.
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// Sample rate of both devices, in Hz.
    #[arg(long, value_name = "HZ")]
    rate: Option<u32>,
    /// Input the microphone is on, counted from 1.
    #[arg(long, value_name = "K")]
    microphone_input: Option<u16>,
    /// Input that hears the output directly (a loopback cable) and gives time zero, counted from 1.
    #[arg(long, value_name = "K")]
    reference_input: Option<u16>,
    /// Peak of the sweep in dB below full scale; raise it in steps.
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    level_dbfs: Option<f64>,
    /// No sample leaves the output above this, in dB below full scale.
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    ceiling_dbfs: Option<f64>,
    /// Length of one sweep; longer hears deeper into the noise.
    #[arg(long, value_name = "SECONDS")]
    seconds: Option<f64>,
    /// Sweeps in the take; two or more let a disturbed one be left out.
    #[arg(long, value_name = "N")]
    repeats: Option<usize>,
}

fn stays(text: &str) -> Result<(String, u16), String> {
    let right = "write the output's name, and its input after a colon, such as \"front left:1\"";
    let (name, input) = match text.rsplit_once(':') {
        Some((name, digits)) => (name, digits.parse::<u16>().map_err(|_| right)?),
        None => (text, 1),
    };
    if name.trim().is_empty() || input == 0 { Err(right.into()) } else { Ok((name.trim().into(), input)) }
}

fn tone(text: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|hz| (10.0..=20_000.0).contains(hz))
        .ok_or_else(|| "give the tone's frequency in Hz, 10 to 20000; 1000 and 40 are usual".into())
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let rig = RigChange {
        output: args.output,
        input: args.input,
        rate_hz: args.rate,
        microphone_input: args.microphone_input,
        reference_input: args.reference_input,
        level_dbfs: args.level_dbfs,
        ceiling_dbfs: args.ceiling_dbfs,
    };
    if let Some(name) = args.head_unit {
        let line = match (args.volume, args.tone.zip(args.from)) {
            (Some(step), _) => Line::AtVolume { output: name, step },
            (None, Some((frequency_hz, from))) => Line::TurnedUp { output: name, frequency_hz, from },
            (None, None) if args.undone => Line::Joined(name),
            (None, None) => Line::Output(name),
        };
        let probe = Probe { input: args.line_input, reference: args.stays };
        return head_unit(&args.visit, &HeadUnitOrder { line, probe, stimulus: args.stimulus, rig }, face);
    }
    let order = MeasureOrder {
        channel: args.channel.unwrap_or_default(),
        position: args.position.unwrap_or_default(),
        rig,
        seconds: args.seconds,
        repeats: args.repeats,
    };
    let watch = Watch::default();
    let taken = watched(
        face,
        || measure(&args.visit, &order, &watch),
        || {
            let peak_dbfs = audio::safety::dbfs(f64::from(watch.peak()));
            format!("{:3.0} %  input {peak_dbfs:.0} dBFS", 100.0 * watch.progress())
        },
    )??;

    let mut words = format!(
        "take {} of {} at {}: {}",
        taken.result.id,
        taken.result.channel,
        taken.result.position,
        word(taken.verdict)
    );
    if let Some(arrival_ms) = taken.result.arrival_ms {
        words += &format!("\ndirect sound after {arrival_ms:.2} ms");
    }
    for remark in &taken.remarks {
        words += &format!("\n- {remark}");
    }
    face.answer(words, &taken)?;
    Ok(if taken.verdict == Verdict::Retake { Outcome::TakeAgain } else { Outcome::Done })
}

/// Does `work` while `progress` is shown.
fn watched<T: Send>(
    face: &Face,
    work: impl FnOnce() -> T + Send,
    progress: impl Fn() -> String,
) -> Result<T, Failure> {
    let done = std::thread::scope(|scope| {
        let work = scope.spawn(work);
        while !work.is_finished() {
            face.progress(progress());
            std::thread::sleep(Duration::from_millis(100));
        }
        work.join()
    });
    face.progress_done();
    done.map_err(|_| Failure::new("the measurement failed in a way that is our mistake; please report it"))
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Usable => "usable",
        Verdict::Retake => "take it again",
    }
}

fn head_unit(visit: &Path, order: &HeadUnitOrder, face: &Face) -> Result<Outcome, Failure> {
    let (following, watch) = (Following::default(), Watch::default());
    let taken = watched(
        face,
        || record_head_unit(visit, order, &following, &watch),
        || {
            let peak = |input| audio::safety::dbfs(f64::from(watch.peak_of(input)));
            let inputs = 0..1 + usize::from(order.probe.reference.is_some());
            let levels: Vec<String> = inputs.map(|input| format!("{:.0}", peak(input))).collect();
            format!("{}  inputs {} dBFS", following.progress().words(), levels.join(" and "))
        },
    )??;
    let mut words = format!("take {} of {}: {}", taken.result.id, order.line.name(), word(taken.verdict));
    for remark in &taken.remarks {
        words += &format!("\n- {remark}");
    }
    face.answer(words, &taken.result)?;
    Ok(if taken.verdict == Verdict::Retake { Outcome::TakeAgain } else { Outcome::Done })
}
