//! A subwoofer joined to the midbass by what they add up to.

use std::f64::consts::TAU;

use super::band::{active, gated};
use crate::curve::log_grid_hz;
use crate::spectrum::{Complex, response_at};

/// The region over which the sum is judged.
pub const REGION_HZ: (f64, f64) = (40.0, 160.0);
/// Half the window of delays around the excess-phase estimate: a rival a half-period away (5.8 ms at 86 Hz) with the
/// other polarity loses only tenths of a decibel, so the sum alone cannot choose between them.
pub const WINDOW_S: f64 = 0.006;

/// Complex responses over the region, `[position][frequency]`.
#[derive(Debug, Clone)]
pub struct Region {
    grid_hz: Vec<f64>,
    responses: Vec<Vec<Complex>>,
}

impl Region {
    /// The responses of one channel at all positions.
    pub fn new<'a>(impulses: impl Iterator<Item = &'a [f64]>, rate_hz: f64) -> Self {
        let grid_hz = log_grid_hz(REGION_HZ.0, REGION_HZ.1, 24.0);
        let responses = impulses
            .map(|impulse| {
                let heard = gated(impulse, &active(impulse));
                grid_hz.iter().map(|&f| response_at(&heard, rate_hz, f)).collect()
            })
            .collect();
        Self { grid_hz, responses }
    }

    /// Adds another channel, delayed and scaled (negative inverts). Both have the same positions.
    pub fn add(&mut self, other: &Self, delay_s: f64, scale: f64) {
        let turns: Vec<Complex> =
            self.grid_hz.iter().map(|f| Complex::from_polar(scale, -TAU * f * delay_s)).collect();
        for (mine, theirs) in self.responses.iter_mut().zip(&other.responses) {
            for ((m, o), turn) in mine.iter_mut().zip(theirs).zip(&turns) {
                *m += o * turn;
            }
        }
    }

    /// A channel without sound at `self`'s positions, to add others to.
    pub fn silent(&self) -> Self {
        let mut out = self.clone();
        out.responses.iter_mut().flatten().for_each(|h| *h = Complex::new(0.0, 0.0));
        out
    }

    /// Level over the region: half from the mean power, half from the mean level, so that neither a filled dip nor
    /// the energy as a whole is bought with the other; mean over positions.
    pub fn level_db(&self) -> f64 {
        let per_position = self.responses.iter().map(|position| {
            let n = position.len() as f64;
            let power = position.iter().map(Complex::norm_sqr);
            let mean_power = power.clone().sum::<f64>() / n;
            let floor = (1e-6 * mean_power).max(f64::MIN_POSITIVE);
            let mean_level = power.map(|p| 10.0 * p.max(floor).log10()).sum::<f64>() / n;
            0.5 * (10.0 * mean_power.max(f64::MIN_POSITIVE).log10() + mean_level)
        });
        per_position.sum::<f64>() / self.responses.len().max(1) as f64
    }

    fn level_with_db(&self, other: &Self, delay_s: f64, scale: f64) -> f64 {
        let mut sum = self.clone();
        sum.add(other, delay_s, scale);
        sum.level_db()
    }
}

/// One way to join.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Joint {
    /// To add to the subwoofer; negative: to take from it.
    pub delay_s: f64,
    /// Turn the subwoofer over.
    pub invert: bool,
    /// Level of the sum.
    pub level_db: f64,
}

/// The best joint, and the best of the others: another polarity, or a maximum of its own more than 2 ms away.
///
/// `main` is what is already aligned, `sub` the subwoofer at the same positions, `scale` its linear gain; delays within
/// [`WINDOW_S`] of `around_s` are tried, with both polarities.
pub fn join(main: &Region, sub: &Region, scale: f64, around_s: f64) -> (Joint, Option<Joint>) {
    const STEP_S: f64 = 0.000_1;
    let steps = (2.0 * WINDOW_S / STEP_S).round() as i32;
    let mut maxima = Vec::new();
    for invert in [false, true] {
        let signed = if invert { -scale } else { scale };
        let delay = |i: i32| around_s - WINDOW_S + STEP_S * f64::from(i);
        let levels: Vec<f64> = (0..=steps).map(|i| main.level_with_db(sub, delay(i), signed)).collect();
        for (i, &level_db) in levels.iter().enumerate() {
            let before = i.checked_sub(1).and_then(|j| levels.get(j));
            let after = levels.get(i + 1);
            if before.is_none_or(|b| *b <= level_db) && after.is_none_or(|a| *a < level_db) {
                // A parabola through three points; at an end of the window the end itself.
                let shift = match (before, after) {
                    (Some(b), Some(a)) if 2.0 * level_db - a - b > 0.0 => {
                        0.5 * (a - b) / (2.0 * level_db - a - b)
                    }
                    _ => 0.0,
                };
                let delay_s = delay(i as i32) + STEP_S * shift.clamp(-0.5, 0.5);
                maxima.push(Joint { delay_s, invert, level_db });
            }
        }
    }
    maxima.sort_by(|a, b| b.level_db.total_cmp(&a.level_db));
    let fallback =
        Joint { delay_s: around_s, invert: false, level_db: main.level_with_db(sub, around_s, scale) };
    let best = maxima.first().copied().unwrap_or(fallback);
    let rival = maxima
        .iter()
        .skip(1)
        .find(|j| j.invert != best.invert || (j.delay_s - best.delay_s).abs() > 0.002)
        .copied();
    (best, rival)
}
