//! A subwoofer joined to the midbass by what they add up to.

use std::f64::consts::TAU;

use super::band::{active, gated};
use crate::curve::log_grid_hz;
use crate::spectrum::{Complex, response_at};
use crate::system::join::{Means, Meeting, Way};

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
}

/// One way to join.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Joint {
    /// To add to the subwoofer; negative: to take from it.
    pub delay_s: f64,
    /// Turn the subwoofer over.
    pub invert: bool,
    /// Level of the sum against drivers that add perfectly, 0 at most.
    pub level_db: f64,
}

/// The best joint, and the best of the others: another polarity, or a maximum of its own a good way off.
///
/// `main` is what is already aligned, `sub` the subwoofer at the same positions, `scale` its linear gain; delays within
/// [`WINDOW_S`] of `around_s` are tried, with both polarities ([`Meeting::join`]).
pub fn join(main: &Region, sub: &Region, scale: f64, around_s: f64) -> (Joint, Option<Joint>) {
    let scaled = |position: &Vec<Complex>| position.iter().map(|h| h * scale).collect();
    let meeting = Meeting {
        frequency_hz: main.grid_hz.clone(),
        fixed: main.responses.clone(),
        moved: sub.responses.iter().map(scaled).collect(),
    };
    let means = Means {
        home_s: around_s,
        window_s: WINDOW_S,
        all_passes: Vec::new(),
        into: Vec::new(),
        rate_hz: f64::INFINITY,
    };
    let joint = |way: &Way| Joint { delay_s: way.delay_s, invert: way.invert, level_db: -way.lost_db };
    match meeting.join(&means) {
        Some(found) => (joint(&found.best), found.runner_up.map(|(way, _)| joint(&way))),
        None => (Joint { delay_s: around_s, invert: false, level_db: 0.0 }, None),
    }
}
