//! Fitting a channel model to a measured response.

use nalgebra::{DMatrix, DVector};

use super::model::{ChannelModel, Parameter, Reach};
use super::response::LineResponse;

/// What is fitted: the level alone (delay, polarity and all-passes do not show in it), or level and phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    Level,
    Both,
}

/// A fitted model with its cost.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub model: ChannelModel,
    /// Sum of squared residuals, each in units of its own standard deviation.
    pub chi_squared: f64,
    /// Number of residuals.
    pub count: usize,
}

impl Fit {
    /// A model as it stands.
    pub fn of(model: ChannelModel, to: &LineResponse, part: Part) -> Self {
        let residuals = residuals(&model, to, part);
        Self { model, chi_squared: cost(&residuals), count: residuals.len() }
    }

    /// Schwarz's criterion (1978) for residuals whose size is not known beforehand: `n ln χ²` plus `ln n` for each free
    /// parameter. What noise is taken to be is only a guess, and a model that leaves a tenth of it must still be told
    /// from one that leaves all of it. Neighbouring residuals hang together, so that `n` is a third of their number.
    pub fn criterion(&self, part: Part) -> f64 {
        criterion(self.reduced(), self.count, self.model.parameters(part == Part::Both).len())
    }

    /// Cost per residual; 1 when the model explains everything but the noise.
    pub fn reduced(&self) -> f64 {
        self.chi_squared / self.count.max(1) as f64
    }
}

/// Nothing is explained better than this: beyond it lie the rounding and the ripple of the measurement itself.
const LEAST_REDUCED: f64 = 1e-2;

/// [`Fit::criterion`] of a fit that leaves `reduced` per residual.
pub(super) fn criterion(reduced: f64, count: usize, parameters: usize) -> f64 {
    let n = count.max(1) as f64;
    n / 3.0 * reduced.max(LEAST_REDUCED).ln() + parameters as f64 * n.ln()
}

/// Residuals of `ln(measured / model)` in standard deviations; the imaginary part is wrapped.
pub(super) fn residuals(model: &ChannelModel, to: &LineResponse, part: Part) -> Vec<f64> {
    let modelled = match part {
        Part::Level => model.minimum_phase(&to.frequency_hz),
        Part::Both => model.responses(&to.frequency_hz),
    };
    let pairs = to.value.iter().zip(&modelled).zip(&to.sigma_ln);
    let level = pairs.clone().map(|((h, m), sigma)| 0.5 * (h.norm_sqr() / m.norm_sqr()).ln() / sigma);
    match part {
        Part::Level => level.collect(),
        Part::Both => level.chain(pairs.map(|((h, m), sigma)| (h * m.conj()).arg() / sigma)).collect(),
    }
}

fn cost(residuals: &[f64]) -> f64 {
    residuals.iter().map(|r| r * r).sum()
}

/// Levenberg–Marquardt (Marquardt 1963) from `start`, over `parameters`.
///
/// Stops when a step gains less than a five-thousandth of the cost, or after `most` steps.
pub(super) fn refine(start: ChannelModel, to: &LineResponse, part: Part, reach: &Reach, most: usize) -> Fit {
    let mut parameters = start.parameters(part == Part::Both);
    parameters.retain(|parameter| !reach.holds(parameter));
    let mut model = start;
    let mut at = residuals(&model, to, part);
    let mut damping = 1e-3;
    for _ in 0..most {
        let (normal, gradient) = normal_equations(&model, &parameters, to, part, &at);
        let before = cost(&at);
        let mut gained = 0.0;
        // A step that makes things worse is tried again, shorter.
        for _ in 0..8 {
            let mut damped = normal.clone();
            for i in 0..parameters.len() {
                damped[(i, i)] += damping * normal[(i, i)].max(1e-12);
            }
            let Some(step) = damped.cholesky().map(|factor| factor.solve(&gradient)) else {
                damping *= 10.0;
                continue;
            };
            let mut moved = model.clone();
            for (parameter, by) in parameters.iter().zip(step.iter()) {
                moved.step(*parameter, *by, reach);
            }
            let there = residuals(&moved, to, part);
            let after = cost(&there);
            if after < before {
                (model, at) = (moved, there);
                damping = (damping * 0.2).max(1e-9);
                gained = before - after;
                break;
            }
            damping *= 6.0;
        }
        if gained <= 2e-4 * before {
            break;
        }
    }
    Fit { model, chi_squared: cost(&at), count: at.len() }
}

/// `JᵀJ` and `Jᵀr`, with `J` the slopes of the model in standard deviations.
fn normal_equations(
    model: &ChannelModel,
    parameters: &[Parameter],
    to: &LineResponse,
    part: Part,
    residuals: &[f64],
) -> (DMatrix<f64>, DVector<f64>) {
    let rows = model.log_slopes(parameters, &to.frequency_hz);
    let columns: Vec<Vec<f64>> = rows
        .iter()
        .map(|row| {
            let scaled = row.iter().zip(&to.sigma_ln);
            let level = scaled.clone().map(|(slope, sigma)| slope.re / sigma);
            match part {
                Part::Level => level.collect(),
                Part::Both => level.chain(scaled.map(|(slope, sigma)| slope.im / sigma)).collect(),
            }
        })
        .collect();
    let n = columns.len();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let mut normal = DMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..=i {
            let product = dot(&columns[i], &columns[j]);
            normal[(i, j)] = product;
            normal[(j, i)] = product;
        }
    }
    (normal, DVector::from_iterator(n, columns.iter().map(|column| dot(column, residuals))))
}
