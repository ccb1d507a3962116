//! Reading the recordings onto one time base.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use audio::wav::{self, Wav};
use dsp::factory::LineResponse;
use dsp::factory::channel::PER_OCTAVE;
use dsp::measure::{TimeBase, locate, transfer};
use dsp::stimulus::{Recipe, Signal};
use dsp::verdict::Verdict;
use garage::formats::stimulus_sidecar;
use rustfft::num_complex::Complex64;

use super::FactoryOrder;
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

/// Length of response that is looked at after the direct sound: a 10 Hz all-pass rings for a while.
const AFTER_S: f64 = 1.0;
/// What leaks from an output's strongest part into its stop-bands (gate, converters, the player's rounding), as a ratio:
/// 86 dB down. A fit must not explain it by filters.
const LEAK: f64 = 5e-5;
/// An output that carries less than this under the loudest is called silent.
const SILENT_DB: f64 = -70.0;

/// One output as measured.
pub(super) struct Output {
    pub name: String,
    pub response: LineResponse,
    pub skew_ppm: Option<f64>,
    /// Delay of its strongest part.
    delay_s: f64,
    bins: Vec<Complex64>,
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

/// Group delay of the strongest part, from neighbouring bins weighted by power.
fn bulk_delay_s(bins: &[Complex64], spacing_hz: f64) -> f64 {
    let turn: Complex64 = bins.windows(2).skip(1).map(|pair| pair[1] * pair[0].conj()).sum();
    -turn.arg() / (2.0 * PI * spacing_hz)
}

/// All outputs, with what is known of their common time.
pub(super) struct Outputs {
    pub rate_hz: f64,
    pub channels: Vec<Output>,
    /// False where delays between outputs mean nothing.
    pub one_clock: bool,
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

/// One file's samples and clock.
struct Recording {
    wav: Wav,
    base: TimeBase,
}

pub(super) fn read(
    order: &FactoryOrder,
    judged: &mut Judged<()>,
    progress: &mut dyn FnMut(&str),
) -> Result<Outputs, JobError> {
    let recipe = recipe_beside(&order.stimulus)?;
    let mut files: BTreeMap<&Path, Vec<usize>> = BTreeMap::new();
    for capture in &order.captures {
        files.entry(&capture.path).or_default().push(capture.channel);
    }
    let mut recordings: BTreeMap<&Path, Recording> = BTreeMap::new();
    for (path, channels) in &files {
        progress(&format!("finding the stimulus in {}", path.display()));
        recordings.insert(path, recording(&recipe, path, channels, order.reference_channel, judged)?);
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
    if let (Some(reference), true) = (order.reference_channel, recordings.len() > 1) {
        let mut first: Option<Vec<Complex64>> = None;
        for (path, recording) in &recordings {
            let samples = channel_of(recording, reference, path)?;
            let heard = transfer(&recipe, &recording.base, samples, rate, AFTER_S, None)
                .map_err(|e| JobError::Analysis(format!("{}: {e}", path.display())))?;
            let bins = common_bins(&heard.impulse, heard.zero_at_s, rate);
            let moved = first.as_ref().map_or(0.0, |first| lag_s(first, &bins, spacing_of(rate)));
            first.get_or_insert(bins);
            moves_s.insert(path, moved);
        }
    }

    let mut channels: Vec<Output> = Vec::new();
    for capture in &order.captures {
        progress(&format!("measuring {}", capture.name));
        let path = capture.path.as_path();
        let Some(recording) = recordings.get(path) else { continue };
        let samples = channel_of(recording, capture.channel, path)?;
        if samples.iter().filter(|x| x.abs() >= 0.999).count() > 3 {
            judged.note(
                Verdict::Retake,
                format!(
                    "{}: the recording is clipped; turn the input down and record it again",
                    capture.name
                ),
            );
        }
        let moved_s = moves_s.get(path).copied().unwrap_or(0.0);
        channels.push(output(&recipe, capture, recording, samples, rate, moved_s)?);
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
    let one_clock = recordings.len() == 1 || order.reference_channel.is_some();
    if !one_clock {
        judged.note(
            Verdict::Usable,
            "the recordings share neither a file nor a reference, so delays between outputs are unknown: keep one output on the first input of every recording and name it with --reference-channel",
        );
    }
    Ok(Outputs { rate_hz: f64::from(rate), channels, one_clock })
}

fn peak_db(output: &Output) -> f64 {
    output.response.level_db().into_iter().fold(f64::NEG_INFINITY, f64::max)
}

fn channel_of<'a>(recording: &'a Recording, channel: usize, path: &Path) -> Result<&'a [f64], JobError> {
    recording.wav.channels.get(channel.wrapping_sub(1)).map(Vec::as_slice).ok_or_else(|| {
        JobError::Input(format!(
            "{} has {} channels, so there is no channel {channel}; count from 1",
            path.display(),
            recording.wav.channels.len()
        ))
    })
}

/// Reads a file and finds the stimulus in the channel that shows its clock best.
fn recording(
    recipe: &Recipe,
    path: &Path,
    channels: &[usize],
    reference: Option<usize>,
    judged: &mut Judged<()>,
) -> Result<Recording, JobError> {
    let wav = wav::read(path)?;
    for doubt in &wav.doubts {
        judged.note(Verdict::Usable, format!("{}: {doubt}", path.display()));
    }
    let mut best: Option<TimeBase> = None;
    let mut why = None;
    for channel in channels.iter().copied().chain(reference) {
        let samples = wav.channels.get(channel.wrapping_sub(1)).ok_or_else(|| {
            JobError::Input(format!(
                "{} has {} channels, so there is no channel {channel}; count from 1",
                path.display(),
                wav.channels.len()
            ))
        })?;
        match locate(recipe, samples, wav.rate_hz) {
            Ok(base) => {
                let better = best.as_ref().is_none_or(|b| {
                    (base.sweeps.len(), -base.skew_sigma_ppm) > (b.sweeps.len(), -b.skew_sigma_ppm)
                });
                if better {
                    best = Some(base);
                }
            }
            Err(error) => why = Some(error),
        }
    }
    match (best, why) {
        (Some(base), _) => {
            for remark in &base.remarks {
                judged.note(remark.0, format!("{}: {}", path.display(), remark.1));
            }
            Ok(Recording { wav, base })
        }
        (None, Some(error)) => Err(JobError::Analysis(format!("{}: {error}", path.display()))),
        (None, None) => Err(JobError::Input(format!("{}: no channel to look at", path.display()))),
    }
}

fn spacing_of(rate: u32) -> f64 {
    f64::from(rate) / common_length(rate) as f64
}

fn common_length(rate: u32) -> usize {
    dsp::spectrum::fast_length(4 * f64::from(rate) as usize)
}

/// A spectrum whose phase counts from the stimulus's own start, on bins common to all outputs.
fn common_bins(impulse: &[f64], zero_at_s: f64, rate: u32) -> Vec<Complex64> {
    let length = common_length(rate);
    let mut bins = dsp::spectrum::RealTransform::new(length).forward(impulse);
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= Complex64::cis(2.0 * PI * k as f64 * spacing_of(rate) * zero_at_s);
    }
    bins
}

/// How much later `second` is than `first`: two responses of the same thing, so nothing but a delay lies between them.
fn lag_s(first: &[Complex64], second: &[Complex64], spacing_hz: f64) -> f64 {
    let cross: Vec<Complex64> = first.iter().zip(second).map(|(a, b)| b * a.conj()).collect();
    // First to a sample by the peak of the correlation: neighbouring bins alone would be wrong by many samples in noise,
    // and the phase at the top would then be taken a turn off.
    let length = 2 * (cross.len() - 1);
    let alike = dsp::spectrum::RealTransform::new(length).inverse(&cross);
    let peak = (0..length).max_by(|&i, &j| alike[i].total_cmp(&alike[j])).unwrap_or(0);
    let samples = if peak > length / 2 { peak as f64 - length as f64 } else { peak as f64 };
    let mut lag = samples / (spacing_hz * length as f64);
    // Then by least squares of the phase that is left, weighted by power.
    for _ in 0..4 {
        let (mut up, mut down) = (0.0, 0.0);
        for (k, c) in cross.iter().enumerate().skip(1) {
            let w = 2.0 * PI * k as f64 * spacing_hz;
            let left = (c * Complex64::cis(w * lag)).arg();
            up -= c.norm() * w * left;
            down += c.norm() * w * w;
        }
        lag += up / down.max(1e-300);
    }
    lag
}

/// Response of one output, its noise from how its repeats differ.
fn output(
    recipe: &Recipe,
    capture: &CaptureRef,
    recording: &Recording,
    samples: &[f64],
    rate: u32,
    moved_s: f64,
) -> Result<Output, JobError> {
    let failed = |e: dsp::measure::MeasureError| {
        JobError::Analysis(format!("{} ({}): {e}", capture.name, capture.path.display()))
    };
    let heard = transfer(recipe, &recording.base, samples, rate, AFTER_S, None).map_err(failed)?;
    let spacing_hz = spacing_of(rate);
    let mut bins = common_bins(&heard.impulse, heard.zero_at_s, rate);
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= Complex64::cis(2.0 * PI * k as f64 * spacing_hz * moved_s);
    }
    let noise_at = |k: usize| {
        let own = (k as f64 * spacing_hz / heard.spacing_hz) as usize;
        heard.noise.get(own).or(heard.noise.last()).copied().unwrap_or(0.0)
    };
    // Bins that lie closer than the gate tells apart share their noise: each counts for less than one.
    let shared = (1.0 / (spacing_hz * heard.independent_s)).max(1.0);
    let strongest = bins.iter().map(|h| h.norm()).fold(0.0, f64::max);
    let leak = LEAK * strongest;
    let sigma: Vec<f64> = (0..bins.len()).map(|k| (noise_at(k) * shared).sqrt()).collect();
    let Signal::Sweep(sweep) = &recipe.signal else {
        return Err(JobError::Input("the stimulus is no sweep".into()));
    };
    // Beyond these the fades leave more than a hundredth of a decibel of doubt.
    let band = (sweep.shape.low_hz * 2.2, (sweep.shape.high_hz / 1.08).min(0.45 * f64::from(rate)));
    let delay_s = bulk_delay_s(&bins, spacing_hz);
    let response = LineResponse::from_bins(&bins, (&sigma, leak), spacing_hz, delay_s, band, PER_OCTAVE);
    Ok(Output {
        name: capture.name.clone(),
        response,
        delay_s,
        skew_ppm: recording.base.skew_ppm,
        bins,
        spacing_hz,
    })
}
