//! Delay, polarity and all-passes from the phase that the level does not explain.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::fit::{Fit, Part, refine, residuals};
use super::model::{AllPass, ChannelModel, Reach};
use super::response::LineResponse;
use crate::spectrum::unwrap;

/// An all-pass is believed only where it cuts the residual to this share.
const WORTH: f64 = 1.0 / 3.0;

/// An all-pass inside the band cannot be mistaken for delay and polarity to less than this, rms.
const LEAST_TURN_RAD: f64 = 0.02;

/// Phase that a model leaves unexplained, rms over the points that noise leaves clear.
fn phase_left_rad(model: &ChannelModel, response: &LineResponse) -> f64 {
    let left = residuals(model, response, Part::Both);
    let phases = left.iter().skip(response.len()).zip(&response.sigma_ln).filter(|(_, sigma)| **sigma < 0.02);
    let squares: Vec<f64> = phases.map(|(r, sigma)| (r * sigma).powi(2)).collect();
    (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
}

/// The best explanation of each kind, best first.
#[derive(Debug, Clone)]
pub(super) struct Excess {
    pub fit: Fit,
    /// How many times better than the best explanation with the other polarity.
    pub polarity_margin: f64,
    /// How many times better than the best explanation with another number of all-pass orders.
    pub all_pass_margin: f64,
}

/// Phase left over by a model's minimum phase, unwrapped from the strongest point outwards.
struct LeftOver {
    omega: Vec<f64>,
    phase: Vec<f64>,
    weight: Vec<f64>,
}

impl LeftOver {
    fn of(response: &LineResponse, shape: &ChannelModel) -> Self {
        let minimum = shape.minimum_phase(&response.frequency_hz);
        let omega: Vec<f64> = response.frequency_hz.iter().map(|f| 2.0 * PI * f).collect();
        let turned: Vec<Complex64> =
            response.value.iter().zip(&minimum).map(|(h, m)| (h / m) / (h / m).norm()).collect();
        // Unwrapped where it turns slowest, so that no turn is lost between points.
        let bulk_s = bulk_delay_s(&omega, &turned);
        let slow: Vec<f64> =
            turned.iter().zip(&omega).map(|(h, w)| (h * Complex64::cis(w * bulk_s)).arg()).collect();
        Self {
            phase: unwrap(&slow).iter().zip(&omega).map(|(p, w)| p - w * bulk_s).collect(),
            weight: response.sigma_ln.iter().map(|s| 1.0 / (s * s)).collect(),
            omega,
        }
    }

    /// Best delay with the intercept at the nearest multiple of π, and with the next one: `(cost, delay, inverted)`.
    fn straight_lines(&self, turned: &[f64]) -> [(f64, f64, bool); 3] {
        let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (((&x, phase), turn), &weight) in self.omega.iter().zip(&self.phase).zip(turned).zip(&self.weight)
        {
            let y = phase - turn;
            w += weight;
            wx += weight * x;
            wy += weight * y;
            wxx += weight * x * x;
            wxy += weight * x * y;
        }
        let slope = (w * wxy - wx * wy) / (w * wxx - wx * wx);
        let nearest = ((wy - slope * wx) / w / PI).round();
        [0.0, 1.0, -1.0].map(|off| {
            let turns = nearest + off;
            let slope = (wxy - PI * turns * wx) / wxx;
            let cost = (0..self.omega.len())
                .map(|i| {
                    let left = self.phase[i] - turned[i] - PI * turns - slope * self.omega[i];
                    self.weight[i] * left * left
                })
                .sum();
            (cost, -slope, (turns.rem_euclid(2.0) - 1.0).abs() < 0.5)
        })
    }
}

/// The delay within ±12 ms that lines the phases up best, each third of an octave counting alike.
fn bulk_delay_s(omega: &[f64], turned: &[Complex64]) -> f64 {
    const REACH_S: f64 = 0.012;
    let top = omega.last().copied().unwrap_or(1.0).max(1.0);
    let step = 0.7 / top;
    let count = (REACH_S / step).ceil() as i64;
    // Every point turned on by one step after another, which is cheaper than turning it anew each time.
    let onward: Vec<Complex64> = omega.iter().map(|w| Complex64::cis(w * step)).collect();
    let mut now: Vec<Complex64> =
        turned.iter().zip(omega).map(|(h, w)| h * Complex64::cis(-(count as f64) * step * w)).collect();
    let mut best = (f64::NEG_INFINITY, 0);
    for k in -count..=count {
        let lined_up = now.iter().sum::<Complex64>().norm_sqr();
        if lined_up > best.0 {
            best = (lined_up, k);
        }
        now.iter_mut().zip(&onward).for_each(|(h, turn)| *h *= turn);
    }
    best.1 as f64 * step
}

/// One starting point of the search.
#[derive(Clone)]
struct Start {
    cost: f64,
    all_passes: Vec<AllPass>,
    delay_s: f64,
    inverted: bool,
}

/// Finds delay, polarity and at most one all-pass of `shape`; the response's own phase reference counts as zero delay.
///
/// An all-pass is looked for where the output is heard, `reach` less half an octave at either end: beyond that it is
/// nothing but a little delay.
pub(super) fn explain(response: &LineResponse, shape: &ChannelModel, reach: &Reach) -> Excess {
    let coarse = response.every(2);
    let left = LeftOver::of(&coarse, shape);
    let (low, high) = (1.4 * reach.hz.0, reach.hz.1 / 1.4);
    let mut kinds: Vec<Vec<Start>> = Vec::new();
    kinds.push(starts(&left, &coarse, shape, [Vec::new()]));
    let places = crate::curve::log_grid_hz(low.max(8.0), high.min(0.45 * shape.rate_hz).max(9.0), 6.0);
    let first = places.iter().map(|&frequency_hz| vec![AllPass { frequency_hz, q: None, order: 1 }]);
    kinds.push(starts(&left, &coarse, shape, first));
    let second = places.iter().flat_map(|&frequency_hz| {
        [0.35, 0.7, 1.4, 2.8, 5.6].map(|q| vec![AllPass { frequency_hz, q: Some(q), order: 2 }])
    });
    kinds.push(starts(&left, &coarse, shape, second));

    // Level and phase together, from the best starts of each kind and polarity.
    let mut fits: Vec<Vec<Fit>> = Vec::new();
    for starts in &kinds {
        let fitted = starts.iter().map(|start| {
            let model = ChannelModel {
                delay_s: start.delay_s,
                inverted: start.inverted,
                all_passes: start.all_passes.clone(),
                ..shape.clone()
            };
            refine(model, &coarse, Part::Both, reach, 20)
        });
        fits.push(fitted.collect());
    }
    choose(fits, response, reach)
}

/// The best starts, at least one of each polarity.
fn starts(
    left: &LeftOver,
    response: &LineResponse,
    shape: &ChannelModel,
    tries: impl IntoIterator<Item = Vec<AllPass>>,
) -> Vec<Start> {
    let mut list: Vec<Start> = Vec::new();
    for all_passes in tries {
        let turned: Vec<f64> = {
            let only = ChannelModel { all_passes: all_passes.clone(), ..ChannelModel::flat(shape.rate_hz) };
            unwrap(&only.responses(&response.frequency_hz).iter().map(|h| h.arg()).collect::<Vec<_>>())
        };
        for (cost, delay_s, inverted) in left.straight_lines(&turned) {
            list.push(Start { cost, all_passes: all_passes.clone(), delay_s, inverted });
        }
    }
    list.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let mut kept: Vec<Start> = Vec::new();
    for inverted in [false, true] {
        kept.extend(list.iter().filter(|s| s.inverted == inverted).take(2).cloned());
    }
    kept
}

/// The simplest kind that no richer one beats by far.
fn choose(fits: Vec<Vec<Fit>>, response: &LineResponse, reach: &Reach) -> Excess {
    let best_of = |fits: &[Fit]| fits.iter().min_by(|a, b| a.chi_squared.total_cmp(&b.chi_squared)).cloned();
    let best: Vec<Fit> = fits.iter().filter_map(|kind| best_of(kind)).collect();
    // The simplest that no richer one beats by far, beyond what noise alone would give.
    let noise = best.first().map_or(1.0, |fit| fit.count as f64);
    let excess = |fit: &Fit| (fit.chi_squared - noise).max(0.1 * noise);
    let mut chosen = 0;
    let inside = |fit: &Fit| {
        let wide = 2f64.sqrt();
        fit.model
            .all_passes
            .iter()
            .all(|a| (reach.hz.0 * wide / 1.05..=reach.hz.1 / wide * 1.05).contains(&a.frequency_hz))
    };
    let turned = best.first().is_some_and(|plain| phase_left_rad(&plain.model, response) > LEAST_TURN_RAD);
    for richer in 1..best.len() {
        if turned && inside(&best[richer]) && excess(&best[richer]) < WORTH * excess(&best[chosen]) {
            chosen = richer;
        }
    }
    let fit = refine(best[chosen].model.clone(), response, Part::Both, reach, 60);
    let rival_polarity = fits[chosen]
        .iter()
        .filter(|other| other.model.inverted != fit.model.inverted)
        .map(excess)
        .fold(f64::INFINITY, f64::min);
    let here = excess(&best[chosen]);
    let rival_kind = (0..best.len()).filter(|&k| k != chosen).map(|k| {
        // A simpler one has to be clearly worse; a richer one must not be clearly better.
        if k < chosen { excess(&best[k]) / here } else { excess(&best[k]) / (WORTH * here) }
    });
    let mut all_pass_margin = rival_kind.fold(f64::INFINITY, f64::min);
    if chosen == 0 && !turned {
        // Nothing is left for an all-pass to explain.
        all_pass_margin = f64::INFINITY;
    }
    Excess { polarity_margin: rival_polarity / here, all_pass_margin, fit }
}
