//! All settings of all channels refined together, on the sum as it is heard.
//!
//! Levels, delays and bands are moved by bounded Levenberg–Marquardt ([`crate::fit`]) with closed-form slopes: with
//! `S` the sum at a place and `H` one channel's share in it, a setting `x` of that channel moves the power by
//! `2 Re(S* H ∂ln g/∂x)`, so one pass over the places serves every setting of the channel. Then everything is put on
//! the processor's steps, levels and gains walking to where they help.

mod residuals;
mod settings;
mod tidy;

use nalgebra::DMatrix;

use self::residuals::residuals;
use self::settings::{Setting, get, on_steps, range, settings_of, with};
use self::tidy::{with_pairs_merged, without_idle_bands};
use super::{Aim, System};
use crate::fit::{Patience, Residuals, minimise};
use crate::limits::Limits;
use crate::tune::Tune;

/// How far the settings may move.
#[derive(Debug, Clone, PartialEq)]
pub struct Freedom {
    /// For each channel of the tune, whether any of its settings may move.
    pub free: Vec<bool>,
    /// For each channel of the tune, how far its delay may move either way; 0 holds it.
    pub delay_s: Vec<f64>,
    /// Steps of the search.
    pub iterations: usize,
    /// Take out bands that do next to nothing.
    pub prune: bool,
}

impl Freedom {
    /// Whether channel `c` of `tune` may be changed: one that is free, and that the system hears.
    fn of(&self, system: &System, tune: &Tune, c: usize) -> bool {
        self.free.get(c).copied().unwrap_or(true) && system.speaker(&tune.channels[c].name).is_some()
    }
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Refined {
    /// On the processor's steps; the tune that went in where nothing better was found.
    pub tune: Tune,
    /// Rms distance from the aim before.
    pub before_db: f64,
    /// The same after; never more.
    pub after_db: f64,
}

/// Refines `tune` within `limits`.
///
/// Channels of the tune that the system does not know stay as they are. Never worse than what went in.
pub fn refine(system: &System, aim: &Aim, tune: &Tune, limits: &Limits, freedom: &Freedom) -> Refined {
    let before_db = system.error_db(aim, tune);
    let mut best = descend(system, aim, tune, limits, freedom);
    if freedom.prune {
        best = without_idle_bands(system, aim, best, freedom);
        best = with_pairs_merged(system, aim, best, limits, freedom);
        best = descend(system, aim, &best, limits, freedom);
        // Bands have moved; what meets now is made one.
        best = with_pairs_merged(system, aim, best, limits, freedom);
    }
    best = on_steps(best, limits);
    let mut after_db = system.error_db(aim, &best);
    walk(system, aim, &mut best, limits, &settings_of(system, tune, limits, freedom), &mut after_db);
    if after_db < before_db {
        Refined { tune: best, before_db, after_db }
    } else {
        Refined { tune: tune.clone(), before_db, after_db: before_db }
    }
}

/// Down to the nearest minimum, every setting continuous.
fn descend(system: &System, aim: &Aim, tune: &Tune, limits: &Limits, freedom: &Freedom) -> Tune {
    let settings = settings_of(system, tune, limits, freedom);
    let mut x: Vec<f64> = settings.iter().map(|it| get(tune, *it)).collect();
    let (low, high): (Vec<f64>, Vec<f64>) =
        settings.iter().map(|it| range(tune, *it, limits, freedom)).unzip();
    let mut problem = Residuals::new(|x: &[f64], slopes: Option<&mut DMatrix<f64>>| {
        residuals(system, aim, &with(tune, &settings, x), &settings, limits.gain_db.max.max(0.0), slopes)
    });
    let patience = Patience { iterations: freedom.iterations, least_gain: 1e-3, ..Patience::default() };
    minimise(&mut problem, &mut x, &low, &high, patience);
    with(tune, &settings, &x)
}

/// One step at a time, levels and gains of bands walk to where they help.
fn walk(
    system: &System,
    aim: &Aim,
    tune: &mut Tune,
    limits: &Limits,
    settings: &[Setting],
    error_db: &mut f64,
) {
    let step_db = limits.gain_db.step.filter(|step| *step > 0.0).unwrap_or(0.1);
    for c in 0..tune.channels.len() {
        if !settings.contains(&Setting::Gain(c)) {
            continue;
        }
        for step_db in [step_db, -step_db] {
            let gain_db = limits.gain_db.on_step(tune.channels[c].gain_db + step_db);
            if gain_db > 0.0 {
                continue;
            }
            let mut moved = tune.clone();
            moved.channels[c].gain_db = gain_db;
            let moved_db = system.error_db(aim, &moved);
            if moved_db < *error_db {
                (*tune, *error_db) = (moved, moved_db);
            }
        }
    }
}

#[cfg(test)]
mod tests;
