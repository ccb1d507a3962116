//! `cabinwright measure`

use std::path::PathBuf;
use std::time::Duration;

use audio::rig::Watch;
use dsp::verdict::Verdict;
use job::measure::{MeasureOrder, RigChange, measure};

use crate::face::{Face, Failure, Outcome};

/// Plays a sweep through one channel, records it at one position, and keeps the take in a visit.
///
/// The sweep stays inside the channel's safe band, starts quietly, and never passes the ceiling. Park the car with the
/// engine off, keep the doors and windows as the visit's conditions say, and start at a low level: whoever sits in the
/// car should have hearing protection within reach. Ctrl-C stops the sound at once.
///
/// Devices, rate, inputs and level are kept in the visit, so they need to be given only once. The take is kept even when
/// its verdict is that it should be made again (exit 3); a later take of the same channel and position replaces it.
#[derive(clap::Args)]
pub struct Args {
    /// Folder of the visit, as `garage list` shows it.
    #[arg(long, value_name = "DIR")]
    visit: PathBuf,
    /// Channel to play, by its name in the car's channel map.
    #[arg(long, value_name = "NAME")]
    channel: String,
    /// Where the microphone is: P1 is the middle of the head, P2 to P9 lie around it.
    #[arg(long, value_name = "P1..P9")]
    position: String,
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

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let order = MeasureOrder {
        channel: args.channel,
        position: args.position,
        rig: RigChange {
            output: args.output,
            input: args.input,
            rate_hz: args.rate,
            microphone_input: args.microphone_input,
            reference_input: args.reference_input,
            level_dbfs: args.level_dbfs,
            ceiling_dbfs: args.ceiling_dbfs,
        },
        seconds: args.seconds,
        repeats: args.repeats,
    };
    let watch = Watch::default();
    let taken = std::thread::scope(|scope| {
        let work = scope.spawn(|| measure(&args.visit, &order, &watch));
        while !work.is_finished() {
            let peak_dbfs = audio::safety::dbfs(f64::from(watch.peak()));
            face.progress(format_args!("{:3.0} %  input {peak_dbfs:.0} dBFS", 100.0 * watch.progress()));
            std::thread::sleep(Duration::from_millis(100));
        }
        work.join()
    });
    face.progress_done();
    let taken = taken.map_err(|_| {
        Failure::new("the measurement failed in a way that is our mistake; please report it")
    })??;

    let mut words = format!(
        "take {} of {} at {}: {}",
        taken.result.id,
        taken.result.channel,
        taken.result.position,
        match taken.verdict {
            Verdict::Good => "good",
            Verdict::Usable => "usable",
            Verdict::Retake => "take it again",
        }
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
