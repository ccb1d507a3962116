//! `cabinwright stimulus`

use std::path::PathBuf;

use audio::wav::IntegerBits;
use dsp::stimulus::{Markers, Pink, Recipe, RollCall, Sides, Signal, Steps, Sweep};
use garage::formats::stimulus_sidecar;
use job::stimulus::{Encoding, make};

use crate::face::{Face, Failure, Outcome};

/// Writes a signal to play, and beside it how it was made.
///
/// Play it once softly, and turn the volume up between plays, never during one that is measured. A tweeter on its own
/// channel gets nothing below the frequency its maker allows: give that as --low-hz. The .json beside the .wav is needed
/// to analyse the recording, so keep the two together.
#[derive(clap::Args)]
pub struct Args {
    #[command(subcommand)]
    kind: Kind,
}

#[derive(clap::Subcommand)]
enum Kind {
    Sweep(SweepArgs),
    Pink(PinkArgs),
    Steps(StepsArgs),
    RollCall(RollCallArgs),
}

#[derive(clap::Args)]
struct FileArgs {
    /// The file to write; FILE.json beside it says how it was made.
    #[arg(long, value_name = "FILE.wav")]
    out: PathBuf,
    /// Sample rate in Hz, 8000 to 192000.
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    rate: u32,
    /// Channels in the file.
    #[arg(long, value_name = "N", default_value_t = 1)]
    channels: usize,
    /// How samples are stored; 16 and 24 bits are for head units that play nothing else.
    #[arg(long, value_enum, default_value_t = Bits::Float)]
    bits: Bits,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum Bits {
    Float,
    #[value(name = "16")]
    Sixteen,
    #[value(name = "24")]
    TwentyFour,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum MarkerPlaces {
    /// None: the sweep itself is searched for, and one sweep alone cannot tell the clock's error well.
    None,
    /// Before the first sweep and after the last.
    Ends,
    /// At both ends and between sweeps, for clocks that drift during the take.
    Between,
}

/// An exponential sweep: measures response, distortion, arrival and polarity at once.
#[derive(clap::Args)]
struct SweepArgs {
    #[command(flatten)]
    file: FileArgs,
    /// Where the sweep begins.
    #[arg(long, value_name = "HZ", default_value_t = 20.0)]
    low_hz: f64,
    /// Where it ends; 20000, or nine tenths of half the sample rate where that is lower.
    #[arg(long, value_name = "HZ")]
    high_hz: Option<f64>,
    /// Length of one sweep; the nearest synchronised length is taken. Twice as long is 3 dB less noise.
    #[arg(long, value_name = "S", default_value_t = 10.92)]
    seconds: f64,
    /// Peak level; 0 is full scale.
    #[arg(long, value_name = "DB", default_value_t = -12.0, allow_negative_numbers = true)]
    level_dbfs: f64,
    /// How often the sweep is played. Three or more let a disturbed one be told from the others.
    #[arg(long, value_name = "N", default_value_t = 1)]
    repeats: usize,
    /// Chirps that give the clock's error to a hundredth of a part per million.
    #[arg(long, value_enum, default_value_t = MarkerPlaces::Ends, num_args = 0..=1, default_missing_value = "ends")]
    markers: MarkerPlaces,
    /// The channel that carries the signal, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 1)]
    on: usize,
    /// For a head unit: sweeps on channels 1 and 2 together, then one on each alone, 12 dB softer, then two seconds of
    /// quiet. Tells which side feeds an output, whether it compresses, and its hum. Needs --channels 2.
    #[arg(long, conflicts_with = "on")]
    sides: bool,
}

/// Pink noise: equal power in every octave, for levels and for listening.
#[derive(clap::Args)]
struct PinkArgs {
    #[command(flatten)]
    file: FileArgs,
    /// Lower edge.
    #[arg(long, value_name = "HZ", default_value_t = 20.0)]
    low_hz: f64,
    /// Upper edge; 20000, or nine tenths of half the sample rate where that is lower.
    #[arg(long, value_name = "HZ")]
    high_hz: Option<f64>,
    /// Length.
    #[arg(long, value_name = "S", default_value_t = 30.0)]
    seconds: f64,
    /// Rms level, at most -14.
    #[arg(long, value_name = "DB", default_value_t = -20.0, allow_negative_numbers = true)]
    level_dbfs: f64,
    /// The channel that carries the signal, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 1)]
    on: usize,
    /// Another seed gives other noise.
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

/// One tone at rising levels: shows up to which level the signal stays clean.
#[derive(clap::Args)]
struct StepsArgs {
    #[command(flatten)]
    file: FileArgs,
    /// Frequency of the tone; one every speaker of the channel can take.
    #[arg(long, value_name = "HZ", default_value_t = 1000.0)]
    frequency_hz: f64,
    /// Level of the first, softest tone.
    #[arg(long, value_name = "DB", default_value_t = -36.0, allow_negative_numbers = true)]
    from_dbfs: f64,
    /// Level of the last, loudest tone.
    #[arg(long, value_name = "DB", default_value_t = 0.0, allow_negative_numbers = true)]
    level_dbfs: f64,
    /// From tone to tone.
    #[arg(long, value_name = "DB", default_value_t = 3.0)]
    step_db: f64,
    /// Length of each tone.
    #[arg(long, value_name = "S", default_value_t = 1.0)]
    seconds: f64,
    /// The channel that carries the signal, counted from 1.
    #[arg(long, value_name = "K", default_value_t = 1)]
    on: usize,
}

/// A short sweep on each channel in turn, never outside what its speaker can take.
#[derive(clap::Args)]
struct RollCallArgs {
    #[command(flatten)]
    file: FileArgs,
    /// A channel and the band that is safe for its speaker, as CHANNEL:LOW-HIGH in Hz, for example 3:2500-18000.
    /// Once for each channel to be called.
    #[arg(long = "band", value_name = "K:LOW-HIGH", required = true, value_parser = band)]
    bands: Vec<(usize, f64, f64)>,
    /// Length of each call.
    #[arg(long, value_name = "S", default_value_t = 1.0)]
    seconds: f64,
    /// Peak level; 0 is full scale.
    #[arg(long, value_name = "DB", default_value_t = -20.0, allow_negative_numbers = true)]
    level_dbfs: f64,
}

fn band(text: &str) -> Result<(usize, f64, f64), String> {
    let parsed = text.split_once(':').and_then(|(channel, range)| {
        let (low, high) = range.split_once('-')?;
        Some((channel.trim().parse().ok()?, low.trim().parse().ok()?, high.trim().parse().ok()?))
    });
    parsed.ok_or_else(|| "give channel and band as 3:2500-18000".into())
}

/// Share of half the sample rate that signals stay below.
const HIGHEST_SHARE: f64 = 0.9;

impl FileArgs {
    fn high_hz(&self, asked_hz: Option<f64>) -> f64 {
        asked_hz.unwrap_or((HIGHEST_SHARE * f64::from(self.rate) / 2.0).min(20_000.0))
    }
}

/// Runs the command.
pub fn run(args: Args, face: &Face) -> Result<Outcome, Failure> {
    let (file, level_dbfs, signal) = match args.kind {
        Kind::Sweep(a) => {
            let markers = match a.markers {
                MarkerPlaces::None => Markers::None,
                MarkerPlaces::Ends => Markers::Ends,
                MarkerPlaces::Between => Markers::Between,
            };
            let high_hz = a.file.high_hz(a.high_hz);
            check_band(a.low_hz, high_hz, a.file.rate)?;
            if !(0.05..=120.0).contains(&a.seconds) {
                return Err(Failure::new(format_args!(
                    "--seconds is {}; it must be from 0.05 to 120",
                    a.seconds
                )));
            }
            let plan = Sweep::usual(a.low_hz, high_hz, a.seconds, a.repeats, markers);
            (
                a.file,
                a.level_dbfs,
                Signal::Sweep(Sweep { on: a.on, sides: a.sides.then_some(Sides::USUAL), ..plan }),
            )
        }
        Kind::Pink(a) => {
            let high_hz = a.file.high_hz(a.high_hz);
            let fade_s = (a.seconds / 4.0).min(0.1);
            let pink = Pink { on: a.on, low_hz: a.low_hz, high_hz, seconds: a.seconds, fade_s, seed: a.seed };
            (a.file, a.level_dbfs, Signal::Pink(pink))
        }
        Kind::Steps(a) => {
            let steps = Steps {
                on: a.on,
                frequency_hz: a.frequency_hz,
                from_dbfs: a.from_dbfs,
                step_db: a.step_db,
                tone_s: a.seconds,
                fade_s: (a.seconds / 4.0).min(0.02),
                gap_s: 0.5,
            };
            (a.file, a.level_dbfs, Signal::Steps(steps))
        }
        Kind::RollCall(a) => {
            for &(_, low_hz, high_hz) in &a.bands {
                check_band(low_hz, high_hz, a.file.rate)?;
            }
            (a.file, a.level_dbfs, Signal::RollCall(RollCall::usual(&a.bands, a.seconds)))
        }
    };
    face.may_write(&file.out)?;
    face.may_write(&stimulus_sidecar::path_beside(&file.out))?;
    let recipe = Recipe { rate_hz: file.rate, channels: file.channels, level_dbfs, signal };
    let encoding = match file.bits {
        Bits::Float => Encoding::Float32,
        Bits::Sixteen => Encoding::Integer(IntegerBits::Sixteen),
        Bits::TwentyFour => Encoding::Integer(IntegerBits::TwentyFour),
    };
    let made = make(&recipe, &file.out, encoding)?;
    let words = format!(
        "{} ({:.1} s); how it was made is in {}.\nStart with the volume low; record from before it begins until after it ends.",
        made.stimulus.display(),
        made.seconds,
        made.sidecar.display()
    );
    face.answer(words, &made)?;
    Ok(Outcome::Done)
}

/// A band that is upside down would make a plan of no meaning before its numbers are checked.
fn check_band(low_hz: f64, high_hz: f64, rate_hz: u32) -> Result<(), Failure> {
    let half_hz = f64::from(rate_hz) / 2.0;
    if low_hz >= 1.0 && high_hz >= 1.2 * low_hz && high_hz <= half_hz {
        return Ok(());
    }
    Err(Failure::new(format_args!(
        "the band {low_hz} to {high_hz} Hz cannot be swept at {rate_hz} Hz; it must rise, by a fifth at least, between 1 and {half_hz} Hz"
    )))
}
