//! The band in which a channel stands clear of its own slopes and of the noise.

use std::ops::Range;

use super::AlignError;
use crate::curve::log_grid_hz;
use crate::spectrum::{RealTransform, fast_length, frequency_dependent, smooth_power};

/// The band of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Lower edge of what can be analysed.
    pub low_hz: f64,
    /// Upper edge of what can be analysed.
    pub high_hz: f64,
    /// Lower −6 dB point.
    pub core_low_hz: f64,
    /// Upper −6 dB point.
    pub core_high_hz: f64,
    /// Mean level between the −6 dB points, every octave counting the same.
    pub level_db: f64,
    /// Of the whole response over the noise of the recording, within the band.
    pub snr_db: f64,
}

/// Analysed down to this below the level of the band.
const EDGE_DB: f64 = 30.0;
/// And no closer than this to the noise.
const OVER_NOISE_DB: f64 = 10.0;

/// Finds the band of a channel from its impulse response.
///
/// # Errors
/// [`AlignError`] where the response is too short, silent, not finite, or nowhere above its noise.
pub fn usable_band(impulse: &[f64], rate_hz: f64) -> Result<Band, AlignError> {
    if impulse.len() < 256 {
        return Err(AlignError::TooShort { samples: impulse.len() });
    }
    if impulse.iter().any(|x| !x.is_finite()) {
        return Err(AlignError::NotFinite);
    }
    let peak_at = impulse
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .filter(|(_, peak)| **peak != 0.0)
        .map(|(n, _)| n)
        .ok_or(AlignError::Silent)?;
    let grid_hz = log_grid_hz(10.0, 0.46 * rate_hz, 24.0);
    let level_db = level_db(impulse, rate_hz, peak_at, &grid_hz);
    let noise_db = noise_db(impulse, rate_hz, &grid_hz);

    let clear = |i: &usize| level_db[*i] - noise_db[*i] > OVER_NOISE_DB;
    let all = 0..grid_hz.len();
    let loudest_db =
        all.clone().filter(clear).map(|i| level_db[i]).reduce(f64::max).ok_or(AlignError::NoBand)?;
    // The level of the band is the mean of its loud part, not one peak of the cabin.
    let loud: Vec<f64> =
        all.clone().filter(clear).map(|i| level_db[i]).filter(|l| *l > loudest_db - 10.0).collect();
    let reference_db = loud.iter().sum::<f64>() / loud.len() as f64;
    let above = |below_db: f64| {
        let levels = &level_db;
        move |i: &usize| clear(i) && levels[*i] > reference_db - below_db
    };
    let (first, last) = longest_run(all, above(EDGE_DB)).ok_or(AlignError::NoBand)?;
    let core = longest_run(first..last + 1, above(6.0)).unwrap_or((first, last));
    if last < first + 12 {
        return Err(AlignError::NoBand);
    }
    let mean_db = |(first, last): (usize, usize)| {
        level_db[first..=last].iter().sum::<f64>() / (last - first + 1) as f64
    };
    let snr_db =
        (core.0..=core.1).map(|i| level_db[i] - noise_db[i]).sum::<f64>() / (core.1 - core.0 + 1) as f64;
    Ok(Band {
        low_hz: grid_hz[first],
        high_hz: grid_hz[last],
        core_low_hz: grid_hz[core.0],
        core_high_hz: grid_hz[core.1],
        level_db: mean_db(core),
        snr_db,
    })
}

/// A dip narrower than this, half an octave, does not end a band.
const BRIDGE: usize = 12;

/// First and last of the longest run of points that hold, with gaps shorter than [`BRIDGE`] closed.
fn longest_run(points: Range<usize>, holds: impl Fn(&usize) -> bool) -> Option<(usize, usize)> {
    let length = |(first, last): (usize, usize)| last - first + 1;
    let mut best: Option<(usize, usize)> = None;
    let mut run: Option<(usize, usize)> = None;
    for i in points.filter(holds) {
        run = match run {
            Some((first, last)) if i - last <= BRIDGE => Some((first, i)),
            _ => Some((i, i)),
        };
        if run.map(length) > best.map(length) {
            best = run;
        }
    }
    best
}

/// A window of this many cycles to either side shows about a quarter of an octave, and lets in little noise where the
/// response is short.
const CYCLES: f64 = 6.0;

/// Level around the largest sample, in a window that shortens with frequency.
fn level_db(impulse: &[f64], rate_hz: f64, peak_at: usize, grid_hz: &[f64]) -> Vec<f64> {
    frequency_dependent(impulse, rate_hz, peak_at as f64 / rate_hz, CYCLES, grid_hz)
        .iter()
        .map(|h| 10.0 * h.norm_sqr().max(1e-300).log10())
        .collect()
}

/// Level of the noise in the same windows, from the quietest of eight stretches: noise alone or the end of the decay,
/// an upper bound either way.
fn noise_db(impulse: &[f64], rate_hz: f64, grid_hz: &[f64]) -> Vec<f64> {
    let stretch = impulse.len() / 8;
    let quiet =
        impulse.chunks_exact(stretch).min_by(|a, b| energy(a).total_cmp(&energy(b))).unwrap_or(impulse);
    let plan = RealTransform::new(fast_length(stretch.max(4096)));
    let power: Vec<f64> = plan.forward(quiet).iter().map(|h| h.norm_sqr() / stretch as f64).collect();
    let per_sample = smooth_power(&power, rate_hz / plan.length() as f64, grid_hz, 1.0);
    // A raised cosine of length L passes 3/8 L of the noise of one sample.
    let passed = |f: f64| (0.375 * 2.0 * CYCLES / f * rate_hz).min(impulse.len() as f64);
    per_sample.iter().zip(grid_hz).map(|(p, &f)| 10.0 * (p * passed(f)).max(1e-300).log10()).collect()
}

/// The samples in which the response stands above the noise around it, with a margin.
pub(super) fn active(impulse: &[f64]) -> Range<usize> {
    let block = (impulse.len() / 512).max(16);
    let blocks: Vec<f64> = impulse.chunks(block).map(energy).collect();
    let mut sorted = blocks.clone();
    sorted.sort_by(f64::total_cmp);
    let floor = sorted.get(sorted.len() / 4).copied().unwrap_or(0.0);
    // Blocks of noise scatter by √(2/16); three times the floor is out of their reach.
    let heard = |b: &usize| blocks.get(*b).is_some_and(|e| *e > 3.0 * floor);
    let loudest = (0..blocks.len()).max_by(|&a, &b| blocks[a].total_cmp(&blocks[b])).unwrap_or(0);
    // A pause of this many blocks ends the response.
    const PAUSE: usize = 12;
    let (mut first, mut last) = (loudest, loudest);
    while let Some(next) = (first.saturating_sub(PAUSE)..first).find(heard) {
        first = next;
    }
    while let Some(next) = (last + 1..=last + PAUSE).rev().find(heard) {
        last = next;
    }
    let margin = 8 + (last - first) / 4;
    first.saturating_sub(margin) * block..((last + 1 + margin) * block).min(impulse.len())
}

/// The response without what lies outside `active`, faded over its margins, on the same time base.
pub(super) fn gated(impulse: &[f64], active: &Range<usize>) -> Vec<f64> {
    let fade = (active.len() / 12).max(1);
    let weight = |n: usize| {
        if !active.contains(&n) {
            return 0.0;
        }
        let into = |edge_distance: usize, at_the_end: bool| {
            if at_the_end || edge_distance >= fade {
                1.0
            } else {
                0.5 - 0.5 * (std::f64::consts::PI * edge_distance as f64 / fade as f64).cos()
            }
        };
        into(n - active.start, active.start == 0) * into(active.end - n, active.end == impulse.len())
    };
    impulse.iter().enumerate().map(|(n, x)| x * weight(n)).collect()
}

fn energy(x: &[f64]) -> f64 {
    x.iter().map(|v| v * v).sum()
}
