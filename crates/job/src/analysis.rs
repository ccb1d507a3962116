//! From a take to its response, with what was worked out kept beside the visit so that it need not be worked out again.
//!
//! Recordings are the truth: the cache may be deleted at any time, and holds only for the very recording, calibration
//! and method it was made from.

use std::path::PathBuf;

use dsp::align::{Confidence, arrival};
use dsp::calibration::MicCalibration;
use dsp::curve::Curve;
use dsp::measure::{Capture, Facts, MeasureError, Options, Played, Transfer, analyse, locate};
use dsp::spectrum::{Complex, Plans, continue_beyond};
use dsp::stimulus::{Recipe, Signal};
use garage::take::Heard;
use garage::{Side, TakeRecord, VisitFolder};
use serde::{Deserialize, Serialize};

use crate::error::JobError;
use crate::voicing::{Bins, SMOOTHING_PER_OCTAVE, curve_grid_hz, inner_band};

/// Raised whenever what is worked out from the same recording changes.
const METHOD: u32 = 4;
/// Kept of each impulse response: longer than any cabin rings.
const WINDOW_MS: f64 = 400.0;
/// An electrical path has no cabin in it.
const LINE_WINDOW_S: f64 = 0.2;

/// What one recorded channel of a take tells.
#[derive(Debug, Clone)]
pub(crate) struct Analysis {
    pub curve: Curve,
    pub facts: Facts,
    /// From time zero on.
    pub impulse: Vec<f64>,
    pub rate_hz: f64,
    /// At [`Bins::standard`], calibration taken out, zero outside the band of the sweep.
    pub response: Vec<Complex>,
    /// Direct sound by its excess phase, where that is sure.
    pub sharp_arrival_ms: Option<f64>,
    /// True when time zero comes from a reference, so that arrivals of different takes can be compared.
    pub timed: bool,
}

#[derive(Serialize, Deserialize)]
struct Cached {
    key: String,
    curve: Curve,
    facts: Facts,
    response: Vec<(f64, f64)>,
    sharp_arrival_ms: Option<f64>,
    timed: bool,
}

/// The microphone's response in a take, from the cache or the recording.
pub(crate) fn of_take(folder: &VisitFolder, record: &TakeRecord) -> Result<Analysis, JobError> {
    if let Some(cached) = from_cache(folder, record) {
        return Ok(cached);
    }
    let analysis = of_recording(folder, record, &folder.recording(&record.id))?;
    // A cache that cannot be written costs time, nothing else.
    let _ = to_cache(folder, record, &analysis);
    Ok(analysis)
}

/// The same from a recording whose take is not kept yet.
pub(crate) fn of_recording(
    folder: &VisitFolder,
    record: &TakeRecord,
    recording: &std::path::Path,
) -> Result<Analysis, JobError> {
    let recipe = recipe_of(record)?;
    let wav = audio::wav::read(recording)?;
    let channel = |heard: Heard| {
        let index = record.recorded.iter().position(|it| it.heard == heard)?;
        wav.channels.get(index).map(Vec::as_slice)
    };
    let microphone = channel(Heard::Microphone)
        .ok_or_else(|| JobError::Analysis(format!("take {} holds no microphone channel", record.id)))?;
    let reference = channel(Heard::Reference);
    let capture = Capture { rate_hz: wav.rate_hz, microphone, reference };
    let options = Options { smoothing: SMOOTHING_PER_OCTAVE, window_ms: Some(WINDOW_MS), microphone: None };
    let measured = analyse(&recipe, &capture, &options).map_err(|error| failed(record, &error))?;
    let calibration = calibration_of(folder);
    let band_hz = band_of(&recipe);
    let mut response = at_bins(&measured.transfer, band_hz);
    let mut curve = measured.curve;
    if let Some(calibration) = &calibration {
        curve = calibration.correct_curve(&curve);
        for (value, &hz) in response.iter_mut().zip(&Bins::standard().frequency_hz) {
            let gain = dsp::decibel::amplitude_of(-calibration.level_at_db(hz));
            *value *= Complex::from_polar(gain, -calibration.phase_at_deg(hz).to_radians());
        }
    }
    continue_beyond(&Bins::standard().frequency_hz, &mut response, band_hz, measured.transfer.strongest_s);
    Ok(Analysis {
        curve: on_the_grid(&curve, inner_band(band_hz)),
        facts: measured.facts,
        sharp_arrival_ms: sharp_arrival_ms(&measured.impulse, f64::from(wav.rate_hz)),
        impulse: measured.impulse,
        rate_hz: f64::from(wav.rate_hz),
        response,
        timed: reference.is_some(),
    })
}

/// The largest sample may be a reflection; the excess phase says where the sound itself begins, and how sure.
fn sharp_arrival_ms(impulse: &[f64], rate_hz: f64) -> Option<f64> {
    let found = arrival(impulse, rate_hz).ok()?;
    (found.confidence == Confidence::High).then_some(found.time_s * 1000.0)
}

/// Complex responses, at [`Bins::standard`], of every line recorded in an electrical take, with the line's name: to
/// everything that played, or where the stimulus also has each side alone, to the side `alone`.
pub(crate) fn lines_of_take(
    folder: &VisitFolder,
    record: &TakeRecord,
    alone: Option<Side>,
) -> Result<Vec<(String, Vec<Complex>)>, JobError> {
    let recipe = recipe_of(record)?;
    let wav = audio::wav::read(folder.recording(&record.id))?;
    let reference = record.recorded.iter().position(|it| it.heard == Heard::Reference);
    let first_line = record.recorded.iter().position(|it| it.heard == Heard::Line);
    let timed_by = reference.or(first_line).and_then(|index| wav.channels.get(index)).ok_or_else(|| {
        JobError::Analysis(format!("take {} holds no line that could be analysed", record.id))
    })?;
    let plans = Plans::default();
    let mut base = locate(&plans, &recipe, timed_by, wav.rate_hz).map_err(|error| failed(record, &error))?;
    let mut louder = 1.0;
    if let (Some(side), Signal::Sweep(sweep)) = (alone, &recipe.signal)
        && let (line, Some(sides)) = (sweep.timeline(recipe.rate_hz), sweep.sides)
        && let Some(places) = &line.alone
    {
        let at = if side == Side::Right { places.right } else { places.left };
        base = base.with_the_sweep_at(&line, at).unwrap_or(base);
        louder = dsp::decibel::amplitude_of(-sides.alone_db);
    }
    let played =
        Played::new(&plans, &recipe, &base, LINE_WINDOW_S).map_err(|error| failed(record, &error))?;
    let mut lines = Vec::new();
    for (recorded, samples) in record.recorded.iter().zip(&wav.channels) {
        if recorded.heard != Heard::Line {
            continue;
        }
        let found = played.response(samples, wav.rate_hz, None);
        let name = recorded.name.clone().unwrap_or_else(|| format!("input {}", recorded.input));
        let mut response = at_bins(&found, band_of(&recipe));
        response.iter_mut().for_each(|value| *value *= louder);
        lines.push((name, response));
    }
    Ok(lines)
}

/// The calibration of the visit's microphone.
pub(crate) fn calibration_of(folder: &VisitFolder) -> Option<MicCalibration> {
    let calibration = folder.record().microphone.as_ref()?.calibration.as_ref()?;
    Some(MicCalibration::from(calibration.curve.clone()))
}

fn failed(record: &TakeRecord, error: &MeasureError) -> JobError {
    JobError::Analysis(format!("take {}: {error}", record.id))
}

pub(crate) fn recipe_of(record: &TakeRecord) -> Result<Recipe, JobError> {
    serde_json::from_value(record.stimulus.clone()).map_err(|error| {
        JobError::Analysis(format!("take {}: its stimulus recipe is damaged: {error}", record.id))
    })
}

fn band_of(recipe: &Recipe) -> (f64, f64) {
    match &recipe.signal {
        Signal::Sweep(sweep) => (sweep.shape.low_hz, sweep.shape.high_hz),
        _ => (0.0, f64::INFINITY),
    }
}

/// The spectrum at the standard bins: straight between its own bins once the delay is taken out, so that the
/// phase hardly turns from one to the next; nothing outside what was swept.
fn at_bins(found: &Transfer, (low_hz, high_hz): (f64, f64)) -> Vec<Complex> {
    let turn = |hz: f64| Complex::cis(std::f64::consts::TAU * hz * found.strongest_s);
    let still = |k: usize| found.bins.get(k).map(|bin| bin * turn(k as f64 * found.spacing_hz));
    Bins::standard()
        .frequency_hz
        .iter()
        .map(|&hz| {
            let at = hz / found.spacing_hz;
            let k = at as usize;
            let (Some(below), Some(above)) = (still(k), still(k + 1)) else { return Complex::default() };
            if !(low_hz..=high_hz).contains(&hz) {
                return Complex::default();
            }
            (below + (above - below) * (at - k as f64)) * turn(hz).conj()
        })
        .collect()
}

/// A curve on the grid that all curves of the job share, within `band_hz`.
fn on_the_grid(curve: &Curve, (low_hz, high_hz): (f64, f64)) -> Curve {
    let inside = |f: &f64| (low_hz..=high_hz).contains(f) && curve.level_at_db(*f).is_some();
    let hz: Vec<f64> = curve_grid_hz().into_iter().filter(inside).collect();
    let column = |values: &Option<Vec<f64>>| {
        let values = values.as_ref()?;
        hz.iter()
            .map(|&f| dsp::curve::interpolate_log(&curve.frequency_hz, values, f))
            .collect::<Option<Vec<f64>>>()
    };
    Curve {
        level_db: hz.iter().filter_map(|&f| curve.level_at_db(f)).collect(),
        phase_deg: None,
        spread_db: column(&curve.spread_db),
        snr_db: column(&curve.snr_db),
        frequency_hz: hz,
    }
}

fn cache_file(folder: &VisitFolder, record: &TakeRecord, ending: &str) -> PathBuf {
    folder.cache_folder().join(format!("{}.{ending}", record.id))
}

/// What the cached result depends on.
fn key(folder: &VisitFolder, record: &TakeRecord) -> Option<String> {
    let digest = record.recording_sha256.as_ref()?;
    let calibration = folder.record().microphone.as_ref().and_then(|it| it.calibration.as_ref());
    let calibration = serde_json::to_string(&calibration).ok()?;
    // Not for safety, only to notice another calibration: FNV-1a (G. Fowler, L. Noll, K.-P. Vo; from memory).
    let hash = calibration.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    Some(format!("{METHOD}-{digest}-{hash:016x}"))
}

fn from_cache(folder: &VisitFolder, record: &TakeRecord) -> Option<Analysis> {
    let text = std::fs::read(cache_file(folder, record, "json")).ok()?;
    let cached: Cached = serde_json::from_slice(&text).ok()?;
    if cached.key != key(folder, record)? || cached.response.len() != Bins::standard().frequency_hz.len() {
        return None;
    }
    let impulse = audio::wav::read(cache_file(folder, record, "impulse.wav")).ok()?;
    Some(Analysis {
        curve: cached.curve,
        facts: cached.facts,
        rate_hz: f64::from(impulse.rate_hz),
        impulse: impulse.channels.into_iter().next()?,
        response: cached.response.into_iter().map(|(re, im)| Complex::new(re, im)).collect(),
        sharp_arrival_ms: cached.sharp_arrival_ms,
        timed: cached.timed,
    })
}

/// Keeps `analysis` for the next time. `None` when that cannot be done.
pub(crate) fn to_cache(folder: &VisitFolder, record: &TakeRecord, analysis: &Analysis) -> Option<()> {
    let cached = Cached {
        key: key(folder, record)?,
        curve: analysis.curve.clone(),
        facts: analysis.facts.clone(),
        response: analysis.response.iter().map(|value| (value.re, value.im)).collect(),
        sharp_arrival_ms: analysis.sharp_arrival_ms,
        timed: analysis.timed,
    };
    std::fs::create_dir_all(folder.cache_folder()).ok()?;
    let impulse = [analysis.impulse.clone()];
    audio::wav::write_f32(cache_file(folder, record, "impulse.wav"), analysis.rate_hz as u32, &impulse)
        .ok()?;
    garage::atomic::write(&cache_file(folder, record, "json"), &serde_json::to_vec(&cached).ok()?).ok()
}
