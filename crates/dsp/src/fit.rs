//! Bounded nonlinear least squares: Levenberg–Marquardt (Levenberg 1944, Marquardt 1963) with bounds kept by
//! projection, a variable that presses against a bound being held there (Bertsekas 1982).

use nalgebra::{DMatrix, DVector};

/// A sum of squares to be made small.
pub trait SumOfSquares {
    /// `Σ r²` at `x`.
    fn cost(&mut self, x: &[f64]) -> f64;
    /// `(JᵀJ, Jᵀr)` at `x`, `J` the slopes of the residuals.
    fn normal_equations(&mut self, x: &[f64]) -> (DMatrix<f64>, DVector<f64>);
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patience {
    /// At most this many steps tried.
    pub iterations: usize,
    /// Stop when a step takes away less than this share of the cost.
    pub least_gain: f64,
    /// Give up early when the cost will clearly not come below this; infinity never gives up.
    pub give_up_above: f64,
}

impl Default for Patience {
    fn default() -> Self {
        Self { iterations: 100, least_gain: 1e-9, give_up_above: f64::INFINITY }
    }
}

/// Moves `x` to a nearby minimum within `low` and `high` (all three of one length) and returns the cost there.
pub fn minimise(
    problem: &mut impl SumOfSquares,
    x: &mut [f64],
    low: &[f64],
    high: &[f64],
    patience: Patience,
) -> f64 {
    let clamp = |x: &mut [f64]| {
        x.iter_mut().zip(low.iter().zip(high)).for_each(|(x, (low, high))| *x = x.max(*low).min(*high));
    };
    clamp(x);
    let mut cost = problem.cost(x);
    let mut damping = 1e-2;
    let mut trial = x.to_vec();
    let mut here: Option<(Vec<usize>, DMatrix<f64>, DVector<f64>)> = None;
    for iteration in 0..patience.iterations {
        let (free, normal, gradient) = here.get_or_insert_with(|| {
            let (normal, gradient) = problem.normal_equations(x);
            let held =
                |i: usize| (x[i] <= low[i] && gradient[i] > 0.0) || (x[i] >= high[i] && gradient[i] < 0.0);
            let free: Vec<usize> = (0..x.len()).filter(|&i| !held(i)).collect();
            let normal = DMatrix::from_fn(free.len(), free.len(), |i, j| normal[(free[i], free[j])]);
            let gradient = DVector::from_fn(free.len(), |i, _| gradient[free[i]]);
            (free, normal, gradient)
        });
        if free.is_empty() {
            break;
        }
        let mut damped = normal.clone();
        for i in 0..free.len() {
            // The floor keeps a variable without effect (the Q of a band at 0 dB) from leaping.
            damped[(i, i)] += damping * normal[(i, i)].max(1e-6);
        }
        let Some(factor) = damped.cholesky() else {
            damping *= 10.0;
            continue;
        };
        let step = factor.solve(gradient);
        trial.copy_from_slice(x);
        free.iter().zip(step.iter()).for_each(|(&i, step)| trial[i] -= step);
        clamp(&mut trial);
        let after = problem.cost(&trial);
        if after < cost {
            let gained = (cost - after) / cost;
            x.copy_from_slice(&trial);
            cost = after;
            damping = (damping * 0.2).max(1e-7);
            here = None;
            let hopeless = iteration >= 2 && cost * (1.0 - 4.0 * gained) > patience.give_up_above;
            if gained < patience.least_gain || hopeless {
                break;
            }
        } else {
            damping *= 6.0;
            if damping > 1e6 {
                break;
            }
        }
    }
    cost
}

/// A [`SumOfSquares`] from a function that fills residuals and, when asked, their slopes (a row per residual).
pub struct Residuals<F> {
    fill: F,
}

impl<F: FnMut(&[f64], Option<&mut DMatrix<f64>>) -> DVector<f64>> Residuals<F> {
    /// `fill(x, slopes)` returns the residuals; `slopes`, where given, is to be set to one row per residual and one
    /// column per variable.
    pub fn new(fill: F) -> Self {
        Self { fill }
    }
}

impl<F: FnMut(&[f64], Option<&mut DMatrix<f64>>) -> DVector<f64>> SumOfSquares for Residuals<F> {
    fn cost(&mut self, x: &[f64]) -> f64 {
        (self.fill)(x, None).norm_squared()
    }

    fn normal_equations(&mut self, x: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        let mut slopes = DMatrix::zeros(0, 0);
        let residuals = (self.fill)(x, Some(&mut slopes));
        (slopes.tr_mul(&slopes), slopes.tr_mul(&residuals))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rosenbrock(x: &[f64], slopes: Option<&mut DMatrix<f64>>) -> DVector<f64> {
        if let Some(slopes) = slopes {
            *slopes = DMatrix::from_row_slice(2, 2, &[-20.0 * x[0], 10.0, -1.0, 0.0]);
        }
        DVector::from_vec(vec![10.0 * (x[1] - x[0] * x[0]), 1.0 - x[0]])
    }

    /// Rosenbrock's valley (Rosenbrock 1960): minimum 0 at (1, 1).
    #[test]
    fn it_walks_down_a_bent_valley() {
        let mut x = [-1.2, 1.0];
        let cost =
            minimise(&mut Residuals::new(rosenbrock), &mut x, &[-5.0; 2], &[5.0; 2], Patience::default());
        assert!(cost < 1e-16 && (x[0] - 1.0).abs() < 1e-7 && (x[1] - 1.0).abs() < 1e-7, "{x:?} {cost}");
    }

    /// With x ≤ 0.5 the minimum of the same valley lies on the bound, at (0.5, 0.25), where (1 − 0.5)² is left.
    #[test]
    fn a_bound_holds() {
        let mut x = [-1.2, 1.0];
        let high = [0.5, 5.0];
        let cost = minimise(&mut Residuals::new(rosenbrock), &mut x, &[-5.0; 2], &high, Patience::default());
        assert!(
            (x[0] - 0.5).abs() < 1e-12 && (x[1] - 0.25).abs() < 1e-6 && (cost - 0.25).abs() < 1e-9,
            "{x:?}"
        );
    }
}
