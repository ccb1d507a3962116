//! The band in which a channel stands clear of its own slopes and of the noise.

use std::ops::Range;

use super::AlignError;
use crate::curve::log_grid_hz;
use crate::spectrum::{RealTransform, fast_length, smooth_power};

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
    let peak = impulse.iter().fold(0.0f64, |most, x| most.max(x.abs()));
    if peak <= 0.0 {
        return Err(AlignError::Silent);
    }
    let active = active(impulse);
    let gated = gated(impulse, &active);
    let plan = RealTransform::new(fast_length(impulse.len().max(16_384)));
    let spacing_hz = rate_hz / plan.length() as f64;
    let grid_hz = log_grid_hz(10.0f64.max(2.0 * spacing_hz), 0.46 * rate_hz, 24.0);
    let smoothed = |signal: &[f64], per_octave: f64| -> Vec<f64> {
        let power: Vec<f64> = plan.forward(signal).iter().map(|h| h.norm_sqr()).collect();
        smooth_power(&power, spacing_hz, &grid_hz, per_octave)
            .iter()
            .map(|p| 10.0 * p.max(1e-300).log10())
            .collect()
    };
    let level_db = smoothed(&gated, 3.0);
    // The quietest of eight stretches holds noise alone, or the end of the decay: an upper bound either way.
    let stretch = impulse.len() / 8;
    let quiet =
        impulse.chunks_exact(stretch).min_by(|a, b| energy(a).total_cmp(&energy(b))).unwrap_or(impulse);
    let whole_db = 10.0 * (active.len() as f64 / stretch as f64).log10();
    let noise_db: Vec<f64> = smoothed(quiet, 1.0).iter().map(|n| n + whole_db).collect();

    let clear = |i: usize| level_db[i] - noise_db[i] > OVER_NOISE_DB;
    let loudest = (0..grid_hz.len())
        .filter(|&i| clear(i))
        .max_by(|&a, &b| level_db[a].total_cmp(&level_db[b]))
        .ok_or(AlignError::NoBand)?;
    // The level of the band is the mean around its loudest half, not one peak of the cabin.
    let span = |below_db: f64, reference_db: f64, noise_too: bool| {
        // A dip narrower than a third of an octave within the band does not end it.
        const BRIDGE: usize = 12;
        let inside = |i: usize| level_db[i] > reference_db - below_db && (!noise_too || clear(i));
        let (mut first, mut last) = (loudest, loudest);
        while let Some(next) = (first.saturating_sub(BRIDGE)..first).find(|&i| inside(i)) {
            first = next;
        }
        while let Some(next) = (last + 1..(last + 1 + BRIDGE).min(grid_hz.len())).rev().find(|&i| inside(i)) {
            last = next;
        }
        (first, last)
    };
    let mean_db = |(first, last): (usize, usize)| {
        level_db[first..=last].iter().sum::<f64>() / (last - first + 1) as f64
    };
    let reference_db = mean_db(span(10.0, level_db[loudest], true));
    let core = span(6.0, reference_db, true);
    let (first, last) = span(EDGE_DB, reference_db, true);
    if last < first + 12 {
        return Err(AlignError::NoBand);
    }
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
