//! Fitting a channel model to a measured response.

use nalgebra::{DMatrix, DVector};
use rustfft::num_complex::Complex64;

use super::level::{ln_level_slopes, ln_levels};
use super::model::{ChannelModel, Parameter, Reach};
use super::response::LineResponse;
use crate::dot::dot;
use crate::filter::Warp;

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

    /// True where more is left over than noise and what converters and leads bend.
    pub fn leaves_more_than_noise(&self, to: &LineResponse) -> bool {
        Self::of(self.model.clone(), &to.as_trusted(), Part::Level).reduced() > MORE_THAN_NOISE
    }

    /// Cost per residual; 1 when the model explains everything but the noise.
    pub fn reduced(&self) -> f64 {
        self.chi_squared / self.count.max(1) as f64
    }
}

/// Above this more than noise is left over, in units of the noise's power.
const MORE_THAN_NOISE: f64 = 1.6;

/// About what the right filters leave (0.0005 dB rms): the rounding and the ripple of the measurement itself, which too many
/// bands explain as well. Less than this is hardly better, and not worth a search for more bands.
const LEAST_REDUCED: f64 = 0.3;

/// [`Fit::criterion`] of a fit that leaves `reduced` per residual.
pub(super) fn criterion(reduced: f64, count: usize, parameters: usize) -> f64 {
    let n = count.max(1) as f64;
    n / 3.0 * (reduced + LEAST_REDUCED).ln() + parameters as f64 * n.ln()
}

/// Residuals of `ln(measured / model)` in standard deviations; the imaginary part is wrapped.
pub(super) fn residuals(model: &ChannelModel, to: &LineResponse, part: Part) -> Vec<f64> {
    Measured::new(to, model.rate_hz).residuals(model, part)
}

/// A response with what does not change while a model is fitted to it.
struct Measured<'a> {
    response: &'a LineResponse,
    /// Its frequencies on the warped axis, squared.
    squares: Vec<f64>,
    ln_level: Vec<f64>,
}

impl<'a> Measured<'a> {
    fn new(response: &'a LineResponse, rate_hz: f64) -> Self {
        let warp = Warp::new(rate_hz);
        let squares = response.frequency_hz.iter().map(|&f| warp.tangent(f).powi(2)).collect();
        let ln_level = response.value.iter().map(|h| 0.5 * h.norm_sqr().ln()).collect();
        Self { response, squares, ln_level }
    }

    fn residuals(&self, model: &ChannelModel, part: Part) -> Vec<f64> {
        let sigma_ln = &self.response.sigma_ln;
        match part {
            Part::Level => {
                let modelled = ln_levels(model, &self.squares);
                let levels = self.ln_level.iter().zip(&modelled).zip(sigma_ln);
                levels.map(|((measured, modelled), sigma)| (measured - modelled) / sigma).collect()
            }
            Part::Both => {
                let modelled = model.responses(&self.response.frequency_hz);
                let pairs = self.response.value.iter().zip(&modelled).zip(sigma_ln);
                let level =
                    pairs.clone().map(|((h, m), sigma)| 0.5 * (h.norm_sqr() / m.norm_sqr()).ln() / sigma);
                level.chain(pairs.map(|((h, m), sigma)| (h * m.conj()).arg() / sigma)).collect()
            }
        }
    }

    /// Slopes of the model in standard deviations, one column a parameter.
    fn slopes(&self, model: &ChannelModel, parameters: &[Parameter], part: Part) -> Vec<Vec<f64>> {
        let sigma_ln = &self.response.sigma_ln;
        match part {
            Part::Level => {
                let mut columns = ln_level_slopes(model, parameters, &self.squares);
                for column in &mut columns {
                    column.iter_mut().zip(sigma_ln).for_each(|(slope, sigma)| *slope /= sigma);
                }
                columns
            }
            Part::Both => {
                let rows = model.log_slopes(parameters, &self.response.frequency_hz);
                let scaled = |row: &Vec<Complex64>| {
                    let scaled = row.iter().zip(sigma_ln);
                    let level = scaled.clone().map(|(slope, sigma)| slope.re / sigma);
                    level.chain(scaled.map(|(slope, sigma)| slope.im / sigma)).collect()
                };
                rows.iter().map(scaled).collect()
            }
        }
    }
}

fn cost(residuals: &[f64]) -> f64 {
    dot(residuals, residuals)
}

/// Levenberg–Marquardt (Marquardt 1963) from `start`, with steps bent along the valley they run in (geodesic acceleration:
/// M. Transtrum and J. Sethna, arXiv:1201.5885, 2012; from memory): broad bands, gains and edges trade against one another
/// along narrow curved valleys.
///
/// Stops when a step gains less than a five-thousandth of the cost, or after `most` steps.
pub(super) fn refine(start: ChannelModel, to: &LineResponse, part: Part, reach: &Reach, most: usize) -> Fit {
    let parameters = start.parameters(part == Part::Both);
    let mut model = start;
    let measured = Measured::new(to, model.rate_hz);
    let mut at = measured.residuals(&model, part);
    let mut damping = 1e-3;
    let stepped = |model: &ChannelModel, step: &DVector<f64>| {
        let mut moved = model.clone();
        for (parameter, by) in parameters.iter().zip(step.iter()) {
            moved.step(*parameter, *by, reach);
        }
        moved
    };
    for _ in 0..most {
        let columns = measured.slopes(&model, &parameters, part);
        let (normal, gradient) = normal_equations(&columns, &at);
        let before = cost(&at);
        let mut gained = 0.0;
        // A step that makes things worse is tried again, shorter.
        for _ in 0..8 {
            let mut damped = normal.clone();
            for i in 0..parameters.len() {
                damped[(i, i)] += damping * normal[(i, i)].max(1e-12);
            }
            let Some(factor) = damped.cholesky() else {
                damping *= 10.0;
                continue;
            };
            let straight = factor.solve(&gradient);
            let bend = {
                let near = measured.residuals(&stepped(&model, &(&straight * BEND_STEP)), part);
                factor.solve(&curvature(&columns, &normal, &straight, (&at, &near))) * -0.5
            };
            let size = |step: &DVector<f64>| {
                step.iter().enumerate().map(|(i, by)| by * by * normal[(i, i)]).sum::<f64>().sqrt()
            };
            let bent = size(&bend) < MOST_BENT * size(&straight);
            let moved = stepped(&model, &if bent { &straight + &bend } else { straight });
            let there = measured.residuals(&moved, part);
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

/// One standard deviation of a parameter of a fitted model, in the measure of [`ChannelModel::step`], by what noise leaves
/// open (Cramér's bound); none where the response does not hold it at all.
pub(super) fn deviation(model: &ChannelModel, to: &LineResponse, parameter: Parameter) -> Option<f64> {
    let parameters = model.parameters(true);
    let place = parameters.iter().position(|it| *it == parameter)?;
    let measured = Measured::new(to, model.rate_hz);
    let columns = measured.slopes(model, &parameters, Part::Both);
    let (mut normal, _) = normal_equations(&columns, &vec![0.0; 2 * to.len()]);
    for i in 0..parameters.len() {
        // Bands on top of one another leave next to nothing of some directions.
        normal[(i, i)] *= 1.0 + 1e-9;
    }
    let mut unit = DVector::zeros(parameters.len());
    unit[place] = 1.0;
    let variance = normal.cholesky()?.solve(&unit)[place];
    (variance.is_finite() && variance > 0.0).then(|| variance.sqrt())
}

/// Share of a step after which its curvature is looked at.
const BEND_STEP: f64 = 0.1;
/// A bend longer than this share of its step is not to be trusted.
const MOST_BENT: f64 = 0.4;

/// `Jᵀ` times the second derivative of the model along `step`, from the residuals here and `near`, after [`BEND_STEP`] of
/// it.
fn curvature(
    columns: &[Vec<f64>],
    normal: &DMatrix<f64>,
    step: &DVector<f64>,
    (at, near): (&[f64], &[f64]),
) -> DVector<f64> {
    let rise: Vec<f64> = at.iter().zip(near).map(|(here, there)| here - there).collect();
    (against(columns, &rise) - normal * step * BEND_STEP) * (2.0 / (BEND_STEP * BEND_STEP))
}

/// `Jᵀ x`.
fn against(columns: &[Vec<f64>], x: &[f64]) -> DVector<f64> {
    DVector::from_iterator(columns.len(), columns.iter().map(|column| dot(column, x)))
}

/// `JᵀJ` and `Jᵀr` of the columns of `J`.
fn normal_equations(columns: &[Vec<f64>], residuals: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
    let n = columns.len();
    let mut normal = DMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..=i {
            let product = dot(&columns[i], &columns[j]);
            normal[(i, j)] = product;
            normal[(j, i)] = product;
        }
    }
    (normal, against(columns, residuals))
}
