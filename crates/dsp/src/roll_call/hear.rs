//! Dividing each call out of the recording.

use super::{Answer, Call};
use crate::align::arrival_within;
use crate::curve::log_grid_hz;
use crate::spectrum::{Complex, RealTransform, fast_length, hann};

/// Why a roll call cannot be judged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RollCallError {
    /// Nothing was called.
    #[error("the stimulus calls no channel; make one with `stimulus roll-call`")]
    NoCalls,
    /// A call is no sweep.
    #[error("the call of \"{name}\" is {samples} samples long; a sweep of 0.1 s or more is needed")]
    ShortCall {
        /// The channel.
        name: String,
        /// What there is.
        samples: usize,
    },
    /// The recording ends too early.
    #[error(
        "the recording is {recorded_s:.1} s long, the stimulus {needed_s:.1} s; record until the last call has ended"
    )]
    TooShort {
        /// Length of the recording.
        recorded_s: f64,
        /// Length of the stimulus.
        needed_s: f64,
    },
    /// No call was found.
    #[error(
        "none of the calls can be found in the recording; check that it is of this stimulus and not silent"
    )]
    NothingHeard,
}

/// An answer and what the judge needs besides.
pub(super) struct Heard {
    pub answer: Answer,
    /// Third-octave centres within the call's band, and the level of the answer at each.
    pub levels: Vec<(f64, f64)>,
    /// How far each of them stands above the noise.
    pub clear_db: Vec<f64>,
    /// The impulse response around the arrival, for comparing two answers: sample 0 lies 20 ms before the stimulus.
    pub impulse: Vec<f64>,
    /// Arrival from sample 0 of `impulse`.
    pub arrival_s: Option<f64>,
    /// Sample rate of `impulse`.
    pub rate_hz: f64,
}

/// Kept before a call's own time, for clocks and for the band edge's ringing.
const BEFORE_S: f64 = 0.02;
/// Kept after a call: the longest delay of a processor and a cabin's ringing.
const AFTER_S: f64 = 0.2;
/// A call stands out of a recording when its answer exceeds the noise by this.
pub(super) const AUDIBLE_DB: f64 = 10.0;
/// A sample at full scale, less the last bit of 16.
const FULL_SCALE: f64 = 1.0 - 1.0 / 32_768.0;

pub(super) fn hear(calls: &[Call], capture: &[f64], rate_hz: f64) -> Result<Vec<Heard>, RollCallError> {
    let end = calls.iter().map(|call| call.start + call.sweep.len()).max().ok_or(RollCallError::NoCalls)?;
    if let Some(short) = calls.iter().find(|call| (call.sweep.len() as f64) < 0.1 * rate_hz) {
        return Err(RollCallError::ShortCall { name: short.name.clone(), samples: short.sweep.len() });
    }
    if capture.len() < end {
        return Err(RollCallError::TooShort {
            recorded_s: capture.len() as f64 / rate_hz,
            needed_s: end as f64 / rate_hz,
        });
    }
    let offset = offset(calls, capture, end).ok_or(RollCallError::NothingHeard)?;
    let quiet = quiet(calls, capture, offset, rate_hz);
    let mut heard: Vec<Heard> =
        calls.iter().map(|call| answer(call, capture, offset, &quiet, rate_hz)).collect();
    if heard.iter().all(|it| it.answer.snr_db < AUDIBLE_DB) {
        return Err(RollCallError::NothingHeard);
    }
    let earliest_s = heard.iter().filter_map(|it| it.arrival_s).fold(f64::INFINITY, f64::min);
    for it in &mut heard {
        it.answer.arrival_ms = it.arrival_s.map(|time_s| 1e3 * (time_s - earliest_s));
    }
    Ok(heard)
}

/// Where in the recording sample 0 of the stimulus was heard: the lag at which all calls together fit best, every
/// frequency counting the same so that a loud subwoofer does not blur it.
fn offset(calls: &[Call], capture: &[f64], end: usize) -> Option<usize> {
    let transform = RealTransform::new(fast_length(capture.len() + end));
    let mut stimulus = vec![0.0; end];
    for call in calls {
        stimulus[call.start..].iter_mut().zip(&call.sweep).for_each(|(sum, sample)| *sum += sample);
    }
    let played = transform.forward(&stimulus);
    let recorded = transform.forward(capture);
    let ratio = divide(&recorded, &played);
    let fit = transform.inverse(&ratio);
    let lags = capture.len() - end + 1;
    let (at, peak) =
        fit[..lags.min(fit.len())].iter().enumerate().fold((0, 0.0), |best: (usize, f64), (lag, x)| {
            if x.abs() > best.1 { (lag, x.abs()) } else { best }
        });
    (peak > 0.0).then_some(at)
}

/// `a / b`, faded out where the sweeps `b` have nothing.
///
/// A sweep's power falls in proportion to the frequency. What is added to the divisor follows the same law 30 dB below,
/// so that noise outside the band of the sweep is not raised.
fn divide(a: &[Complex], b: &[Complex]) -> Vec<Complex> {
    let most = b.iter().enumerate().map(|(k, bin)| bin.norm_sqr() * k as f64).fold(0.0, f64::max);
    let divided = |(k, (a, b)): (usize, (&Complex, &Complex))| {
        a * b.conj() / (b.norm_sqr() + 1e-3 * most / (k as f64).max(1.0) + f64::MIN_POSITIVE)
    };
    a.iter().zip(b).enumerate().map(divided).collect()
}

/// The longest stretch before the first call, or the whole recording's quietest part where there is none.
fn quiet(calls: &[Call], capture: &[f64], offset: usize, rate_hz: f64) -> Vec<f64> {
    let first = calls.iter().map(|call| call.start).min().unwrap_or(0);
    let margin = (0.03 * rate_hz) as usize;
    let lead = &capture[..(offset + first).saturating_sub(margin).min(capture.len())];
    let wanted = (0.2 * rate_hz) as usize;
    if lead.len() >= wanted {
        return lead.to_vec();
    }
    let energy = |piece: &[f64]| piece.iter().map(|x| x * x).sum::<f64>();
    let pieces = capture.chunks_exact(wanted.max(1)).min_by(|a, b| energy(a).total_cmp(&energy(b)));
    pieces.unwrap_or(capture).to_vec()
}

fn answer(call: &Call, capture: &[f64], offset: usize, quiet: &[f64], rate_hz: f64) -> Heard {
    let before = (BEFORE_S * rate_hz) as usize;
    let after = (AFTER_S * rate_hz) as usize;
    let transform = RealTransform::new(fast_length(call.sweep.len() + before + 2 * after));
    let begin = offset + call.start;
    // What lies before the recording is silence.
    let mut slice = vec![0.0; before.saturating_sub(begin)];
    let stop = (begin + call.sweep.len() + after).min(capture.len());
    slice.extend_from_slice(&capture[begin.saturating_sub(before).min(stop)..stop]);
    let played = transform.forward(&call.sweep);
    // What comes later than any answer is noise, and what lies before is harmonics.
    let mut impulse = transform.inverse(&divide(&transform.forward(&slice), &played));
    let kept = (before + after).min(impulse.len());
    close(&mut impulse, kept, after / 4);
    let response = transform.forward(&impulse);
    let spacing_hz = rate_hz / transform.length() as f64;
    let noise = noise_density(quiet, rate_hz);
    let band = band_of(&played, spacing_hz);
    let mut levels = Vec::new();
    let mut ratios_db = Vec::new();
    let thirds = ((band.1 / band.0).log2() * 3.0).max(1.0);
    for centre in log_grid_hz(band.0, band.1, thirds.round() / (band.1 / band.0).log2()) {
        let bins = bins_around(centre, spacing_hz, response.len());
        let power = mean(bins.clone().map(|k| response[k].norm_sqr()));
        let density = mean(bins.clone().map(|k| at(&noise, k as f64 * spacing_hz, rate_hz)));
        let drive = mean(bins.map(|k| played[k].norm_sqr()));
        let floor = density * slice.len() as f64 / drive.max(1e-30) * kept as f64 / impulse.len() as f64;
        ratios_db.push(10.0 * (power / floor.max(1e-30)).log10());
        levels.push((centre, 10.0 * power.max(1e-30).log10()));
    }
    // The upper quartile: one third-octave of noise is 10 dB above its mean now and then.
    let clear_db = ratios_db.clone();
    ratios_db.sort_by(f64::total_cmp);
    let snr_db = ratios_db.get(ratios_db.len() * 3 / 4).copied().unwrap_or(f64::NEG_INFINITY);
    let audible = snr_db >= AUDIBLE_DB;
    let found = audible
        .then(|| {
            arrival_within(&impulse[..(before + after).min(impulse.len())], rate_hz, band.0, band.1).ok()
        })
        .flatten();
    let level_db = levels.iter().map(|(_, db)| db).sum::<f64>() / levels.len().max(1) as f64;
    Heard {
        answer: Answer {
            name: call.name.clone(),
            level_db,
            snr_db,
            band_hz: audible.then(|| answered_band(&levels)).flatten(),
            arrival_ms: None,
            polarity: found.map(|it| (it.polarity, it.confidence)),
            clipped: slice.iter().any(|sample| sample.abs() >= FULL_SCALE),
            rattle_db: rattle_db(call, &slice[before..], quiet, rate_hz),
        },
        levels,
        clear_db,
        impulse,
        arrival_s: found.map(|it| it.time_s),
        rate_hz,
    }
}

/// Silences what comes after the first `kept` samples, over the last `fade` of them.
fn close(impulse: &mut [f64], kept: usize, fade: usize) {
    for (n, x) in impulse.iter_mut().enumerate().skip(kept.saturating_sub(fade)) {
        let share = (n as f64 - (kept - fade) as f64) / fade.max(1) as f64;
        *x *= 0.5 + 0.5 * (std::f64::consts::PI * share.min(1.0)).cos();
    }
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0usize), |(sum, count), x| (sum + x, count + 1));
    sum / count.max(1) as f64
}

fn bins_around(centre_hz: f64, spacing_hz: f64, count: usize) -> std::ops::RangeInclusive<usize> {
    let sixth = 2f64.powf(1.0 / 6.0);
    let low = ((centre_hz / sixth / spacing_hz).round() as usize).clamp(1, count - 1);
    low..=((centre_hz * sixth / spacing_hz).round() as usize).clamp(low, count - 1)
}

/// The band that a sweep covers: within 12 dB of a sweep's falling spectrum through its strongest octave.
fn band_of(played: &[Complex], spacing_hz: f64) -> (f64, f64) {
    // A sweep's power falls with the frequency: times the frequency it is flat.
    let flat = |k: usize| played[k].norm_sqr() * k as f64;
    let most = (1..played.len()).map(flat).fold(0.0, f64::max);
    let inside = |k: &usize| flat(*k) > 0.06 * most;
    let low = (1..played.len()).find(inside).unwrap_or(1) as f64 * spacing_hz;
    let high = (1..played.len()).rfind(inside).unwrap_or(1) as f64 * spacing_hz;
    (low * 1.05, (high / 1.05).max(low * 1.2))
}

/// Power of the noise per sample and bin, on a coarse spectrum.
fn noise_density(quiet: &[f64], rate_hz: f64) -> Vec<f64> {
    let length = ((0.05 * rate_hz) as usize / 2 * 2).max(64);
    let transform = RealTransform::new(length);
    let window: Vec<f64> = hann(length).collect();
    let scale = window.iter().map(|w| w * w).sum::<f64>();
    let mut sum = vec![0.0; transform.bins()];
    let mut pieces = 0.0;
    for piece in quiet.windows(length).step_by(length / 2) {
        let windowed: Vec<f64> = piece.iter().zip(&window).map(|(x, w)| x * w).collect();
        sum.iter_mut()
            .zip(transform.forward(&windowed))
            .for_each(|(total, bin)| *total += bin.norm_sqr() / scale);
        pieces += 1.0;
    }
    sum.iter_mut().for_each(|total| *total /= f64::max(pieces, 1.0));
    sum
}

fn at(density: &[f64], frequency_hz: f64, rate_hz: f64) -> f64 {
    let bin = frequency_hz / rate_hz * 2.0 * (density.len() - 1) as f64;
    density.get(bin.round() as usize).copied().unwrap_or(0.0)
}

/// The widest stretch of third-octaves around the middle level that stand within 18 dB of it.
fn answered_band(levels: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut sorted: Vec<f64> = levels.iter().map(|(_, db)| *db).collect();
    sorted.sort_by(f64::total_cmp);
    // The upper quartile: where half the band is missing, the median already lies on the slope.
    let middle = *sorted.get(sorted.len() * 3 / 4)?;
    let inside = |(_, db): &&(f64, f64)| *db > middle - 18.0;
    let low = levels.iter().find(inside)?.0;
    let high = levels.iter().rev().find(inside)?.0;
    Some((low, high))
}

/// Power far above the sweep's momentary frequency (beyond its fifth harmonic), against the sweep's own; `None` where
/// the sweep leaves no room for it or the room is as quiet as before.
fn rattle_db(call: &Call, slice: &[f64], quiet: &[f64], rate_hz: f64) -> Option<f64> {
    let length = ((0.03 * rate_hz) as usize / 2 * 2).max(64);
    let transform = RealTransform::new(length);
    let window: Vec<f64> = hann(length).collect();
    let spectrum = |piece: &[f64]| {
        let windowed: Vec<f64> = piece.iter().zip(&window).map(|(x, w)| x * w).collect();
        transform.forward(&windowed).iter().map(|bin| bin.norm_sqr()).collect::<Vec<f64>>()
    };
    let spacing_hz = rate_hz / length as f64;
    let bins = |low_hz: f64, high_hz: f64| (low_hz / spacing_hz) as usize..(high_hz / spacing_hz) as usize;
    let top_hz = (0.4 * rate_hz).min(12_000.0);
    let hush: Vec<Vec<f64>> = quiet.chunks_exact(length).map(spectrum).collect();
    let (mut strange, mut hushed, mut own) = (0.0, 0.0, 0.0);
    for (heard, sweep) in slice.chunks_exact(length).zip(call.sweep.chunks_exact(length)) {
        let played = spectrum(sweep);
        let strongest = (1..played.len()).max_by(|&a, &b| played[a].total_cmp(&played[b])).unwrap_or(1);
        // What is left of the sweep within the frame lies below an octave above.
        let from_hz = (8.0 * strongest as f64 * spacing_hz).max(1200.0);
        if from_hz > 0.5 * top_hz {
            continue;
        }
        let range = bins(from_hz, top_hz);
        let heard = spectrum(heard);
        strange += heard[range.clone()].iter().sum::<f64>();
        own += heard.iter().sum::<f64>();
        hushed += mean(hush.iter().map(|frame| frame[range.clone()].iter().sum::<f64>()));
    }
    // A margin of 6 dB over the noise before, since noise comes and goes.
    (strange > 4.0 * hushed && own > 0.0).then(|| 10.0 * ((strange - hushed) / own).log10())
}
