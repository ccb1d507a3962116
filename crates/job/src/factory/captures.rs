//! Reading the recordings onto one time base.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use dsp::factory::LineResponse;
use dsp::factory::channel::PER_OCTAVE;
use dsp::factory::link::{self, Wall};
use dsp::measure::MeasureError;
use dsp::spectrum::Plans;
use dsp::stimulus::{Recipe, Signal};
use dsp::verdict::Verdict;
use garage::formats::stimulus_sidecar;
use rustfft::num_complex::Complex64;

use super::recording::{Recording, channel_of, is_clipped, recording};
use super::reference::same_reference;
use super::sides::{self, Sided};
use super::spectrum::{LEAK, Spectrum};
use crate::error::JobError;
use crate::judged::Judged;

/// One input channel of one file, under a name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CaptureRef {
    /// The output's name, or the volume step's label.
    pub name: String,
    /// The recording.
    pub path: PathBuf,
    /// Input channel, counted from 1.
    pub channel: usize,
}

/// An output that carries less than this under the loudest is called silent.
const SILENT_DB: f64 = -70.0;

/// One output as measured.
pub(crate) struct Output {
    pub name: String,
    pub response: LineResponse,
    pub skew_ppm: Option<f64>,
    /// One standard deviation of it; infinite where it is not known.
    pub skew_sigma_ppm: f64,
    /// What the doubt in the clock may move it by against another output, one standard deviation: what is far up in the sweep
    /// comes later than what is far down.
    pub clock_within_s: f64,
    /// What the sides alone tell, where the stimulus has them.
    pub sided: Option<Sided>,
    /// Whether it ends in a wall.
    wall: Wall,
    /// From where to where noise follows the signal.
    pub follows_hz: Option<(f64, f64)>,
    /// Its delay over all that is clearly heard.
    delay_s: f64,
    bins: Vec<Complex64>,
    /// Power of the noise in each bin.
    noise: Vec<f64>,
    spacing_hz: f64,
}

impl Output {
    /// `H` at frequencies, straight between bins after its delay has been taken out.
    pub fn on_grid(&self, grid_hz: &[f64]) -> Vec<Complex64> {
        let turn = |k: usize| Complex64::cis(2.0 * PI * k as f64 * self.spacing_hz * self.delay_s);
        grid_hz
            .iter()
            .map(|&f| {
                let place = f / self.spacing_hz;
                let k = (place as usize).min(self.bins.len().saturating_sub(2));
                let share = place - k as f64;
                let straight =
                    self.bins[k] * turn(k) * (1.0 - share) + self.bins[k + 1] * turn(k + 1) * share;
                straight * Complex64::cis(-2.0 * PI * f * self.delay_s)
            })
            .collect()
    }
}

impl Output {
    /// Power of the noise at frequencies.
    pub fn noise_on(&self, grid_hz: &[f64]) -> Vec<f64> {
        let at = |f: &f64| self.noise.get((f / self.spacing_hz) as usize).or(self.noise.last());
        grid_hz.iter().map(|f| at(f).copied().unwrap_or(0.0)).collect()
    }
}

/// Group delay over all that noise leaves clear, each pair of neighbouring bins counting alike: high frequencies, whose
/// phase turns the most, must turn slowly once it is taken out.
fn bulk_delay_s(bins: &[Complex64], noise: &[f64], spacing_hz: f64) -> f64 {
    let loudest = bins.iter().map(|h| h.norm_sqr()).fold(0.0, f64::max);
    let clear = |k: usize| bins[k].norm_sqr() > (CLEAR * noise[k]).max(LEAK * LEAK * CLEAR * loudest);
    let turned = |k: usize| bins[k + 1] * bins[k].conj();
    let pairs = (1..bins.len().min(noise.len()).saturating_sub(1)).filter(|&k| clear(k) && clear(k + 1));
    let turn: Complex64 = pairs.map(|k| turned(k) / turned(k).norm()).sum();
    -turn.arg() / (2.0 * PI * spacing_hz)
}

/// Times the power of its noise from which a bin is clear.
const CLEAR: f64 = 10.0;

/// All outputs, with what is known of their common time.
pub(crate) struct Outputs {
    pub rate_hz: f64,
    pub channels: Vec<Output>,
    /// False where delays between outputs mean nothing.
    pub one_clock: bool,
    /// Where the link or the player ends, where it does before the sweep.
    pub ends_hz: Option<f64>,
}

/// A stimulus's recipe, from the sidecar beside it.
pub(super) fn recipe_beside(stimulus: &Path) -> Result<Recipe, JobError> {
    let sidecar = stimulus_sidecar::path_beside(stimulus);
    let value = stimulus_sidecar::read(&sidecar)?;
    let recipe: Recipe = serde_json::from_value(value).map_err(|error| {
        JobError::Input(format!(
            "{}: {error}; make the stimulus again with `cabinwright stimulus`",
            sidecar.display()
        ))
    })?;
    match recipe.signal {
        Signal::Sweep(_) => Ok(recipe),
        _ => Err(JobError::Input(format!(
            "{} is no sweep; make one with `cabinwright stimulus sweep --low-hz 5 --markers --repeats 2`",
            stimulus.display()
        ))),
    }
}

/// Reads `captures`, in which `recipe` was played; `reference` is the input of every file that carries the time.
pub(super) fn read(
    recipe: &Recipe,
    captures: &[CaptureRef],
    reference: Option<usize>,
    judged: &mut Judged<()>,
    progress: &mut dyn FnMut(&str),
) -> Result<Outputs, JobError> {
    let plans = Plans::default();
    let mut files: BTreeMap<&Path, Vec<usize>> = BTreeMap::new();
    for capture in captures {
        files.entry(&capture.path).or_default().push(capture.channel);
    }
    progress(&format!("finding the stimulus in {} recording(s)", files.len()));
    let found = in_parallel(files.iter(), |(path, channels)| {
        recording(&plans, recipe, path, channels, reference).map(|read| (*path, read))
    });
    let mut recordings: BTreeMap<&Path, Recording> = BTreeMap::new();
    for read in found {
        let (path, (recording, remarks)) = read?;
        remarks.into_iter().for_each(|(verdict, words)| judged.note(verdict, words));
        recordings.insert(path, recording);
    }
    let rates: Vec<u32> = recordings.values().map(|r| r.wav.rate_hz).collect();
    if let Some(other) = rates.iter().find(|&&rate| rate != rates[0]) {
        return Err(JobError::Input(format!(
            "the recordings have different sample rates, {} and {other} Hz; record them all at one rate",
            rates[0]
        )));
    }
    let rate = rates.first().copied().unwrap_or(recipe.rate_hz);

    // With a reference in every file, each file's time is moved onto the first one's.
    let mut moves_s: BTreeMap<&Path, f64> = BTreeMap::new();
    if let (Some(reference), true) = (reference, recordings.len() > 1) {
        let heard = in_parallel(recordings.iter(), |(path, recording)| {
            let samples = channel_of(&recording.wav, reference, path)?;
            Ok((*path, Spectrum::heard(&plans, &recording.played, samples, rate)))
        });
        let references: Vec<(&Path, Spectrum)> = heard.into_iter().collect::<Result<_, _>>()?;
        same_reference(captures, &plans, &recordings, &references, rate, judged)?;
        if let Some((_, first)) = references.first() {
            moves_s = references.iter().map(|(path, own)| (*path, first.lag_s(own))).collect();
        }
    }

    progress(&format!("measuring {} output(s)", captures.len()));
    let measured = in_parallel(captures.iter(), |capture| {
        let path = capture.path.as_path();
        let recording = recordings
            .get(path)
            .ok_or_else(|| JobError::Input(format!("{}: {} was not read", capture.name, path.display())))?;
        let samples = channel_of(&recording.wav, capture.channel, path)?;
        let clipped = is_clipped(samples);
        let moved_s = moves_s.get(path).copied().unwrap_or(0.0);
        Ok((clipped, output(&plans, recipe, capture, recording, samples, rate, moved_s)?))
    });
    let mut channels: Vec<Output> = Vec::new();
    for measured in measured {
        let (clipped, output): (bool, Output) = measured?;
        if clipped {
            judged.note(
                Verdict::Retake,
                format!("{}: the recording is clipped; turn the input down and record it again", output.name),
            );
        }
        channels.push(output);
    }
    // Of a wall that all share nothing is left in what is explained.
    let walls: Vec<Wall> = channels.iter().map(|c| c.wall).collect();
    let ends_hz = link::ends_hz(&walls);
    if let Some(ends_hz) = ends_hz {
        for channel in &mut channels {
            channel.response = channel.response.up_to(ends_hz);
        }
        judged.note(
            Verdict::Good,
            format!(
                "the link or player ends at {:.1} kHz; nothing above is judged or corrected",
                ends_hz / 1_000.0
            ),
        );
    }
    let follows = channels.iter().filter_map(|c| c.follows_hz);
    if let Some((from_hz, to_hz)) = follows.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))) {
        judged.note(
            Verdict::Usable,
            format!(
                "from {from_hz:.0} to {to_hz:.0} Hz the repeats differ by more than the noise while nothing plays: the link or player adds noise that follows the signal, as wireless links and compressed files do; play an uncompressed file from a stick, or use a cable, before relying on slopes, delays and the sum"
            ),
        );
    }
    // Delays count from the earliest output's strongest part, so that phases turn slowly.
    let common_s = channels.iter().map(|c| c.delay_s).fold(f64::INFINITY, f64::min);
    let channels: Vec<Output> = channels
        .into_iter()
        .map(|c| Output { response: c.response.clone().delayed(c.delay_s - common_s), ..c })
        .collect();
    let loudest = channels.iter().map(peak_db).fold(f64::NEG_INFINITY, f64::max);
    for channel in &channels {
        if peak_db(channel) < loudest + SILENT_DB {
            judged
                .note(Verdict::Usable, format!("{}: next to nothing comes out of this output", channel.name));
        }
    }
    let one_clock = recordings.len() == 1 || reference.is_some();
    if !one_clock {
        judged.note(
            Verdict::Usable,
            "the recordings share neither a file nor a reference, so delays between outputs are unknown: keep one output on the first input of every recording and name that input as the reference",
        );
    }
    Ok(Outputs { rate_hz: f64::from(rate), channels, one_clock, ends_hz })
}

fn peak_db(output: &Output) -> f64 {
    output.response.level_db().into_iter().fold(f64::NEG_INFINITY, f64::max)
}

/// Runs `work` on everything at once; the results keep the order.
pub(super) fn in_parallel<I: Send, T: Send>(
    items: impl IntoIterator<Item = I>,
    work: impl Fn(I) -> Result<T, JobError> + Sync,
) -> Vec<Result<T, JobError>> {
    std::thread::scope(|scope| {
        let work = &work;
        let running: Vec<_> = items.into_iter().map(|item| scope.spawn(move || work(item))).collect();
        let ended = running.into_iter().map(|thread| {
            thread.join().unwrap_or_else(|_| Err(JobError::Analysis("the analysis broke off".into())))
        });
        ended.collect()
    })
}

/// Response of one output, its noise from how its repeats differ.
fn output(
    plans: &Plans,
    recipe: &Recipe,
    capture: &CaptureRef,
    recording: &Recording,
    samples: &[f64],
    rate: u32,
    moved_s: f64,
) -> Result<Output, JobError> {
    let failed =
        |e: MeasureError| JobError::Analysis(format!("{} ({}): {e}", capture.name, capture.path.display()));
    let both = Spectrum::heard(plans, &recording.played, samples, rate);
    let mut sided = sides::look(plans, recipe, recording, samples, rate, &both).map_err(failed)?;
    let instead = sided.as_mut().and_then(|sided| sided.instead.take());
    let Spectrum { mut bins, noise, spacing_hz, shared, follows_hz } = instead.unwrap_or(both);
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= Complex64::cis(2.0 * PI * k as f64 * spacing_hz * moved_s);
    }
    // Bins that lie closer than the gate tells apart share their noise: each counts for less than one.
    let strongest = bins.iter().map(|h| h.norm()).fold(0.0, f64::max);
    let leak = LEAK * strongest;
    let sigma: Vec<f64> = noise.iter().map(|power| (power * shared).sqrt()).collect();
    let Signal::Sweep(sweep) = &recipe.signal else {
        return Err(JobError::Input("the stimulus is no sweep".into()));
    };
    // Beyond these the fades leave more than a hundredth of a decibel of doubt.
    let band = (sweep.shape.low_hz * 2.2, (sweep.shape.high_hz / 1.08).min(0.45 * f64::from(rate)));
    let delay_s = bulk_delay_s(&bins, &noise, spacing_hz);
    let response = LineResponse::from_bins(&bins, (&sigma, leak), spacing_hz, delay_s, band, PER_OCTAVE);
    let wall = link::wall(&bins, &noise, spacing_hz, band.1, f64::from(rate));
    Ok(Output {
        name: capture.name.clone(),
        response,
        wall,
        follows_hz,
        delay_s,
        skew_ppm: recording.base.skew_ppm.filter(|_| recording.base.skew_sigma_ppm.is_finite()),
        skew_sigma_ppm: recording.base.skew_sigma_ppm,
        clock_within_s: recording.base.skew_sigma_ppm * 1e-6 * sweep.shape.seconds,
        bins,
        noise,
        spacing_hz,
        sided,
    })
}
