//! Bands moved to the nearest minimum of a problem's cost.

use nalgebra::{DMatrix, DVector};

use super::band::{Band, DB_PER_LN_POWER, multiply_power_with_slopes};
use super::problem::{EXCESS_COST, Problem};
use crate::dot::dot;
use crate::fit::{Patience, SumOfSquares, minimise};
use crate::tune::SectionKind;

/// Smallest and largest of each coordinate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    pub low: [f64; 3],
    pub high: [f64; 3],
    /// Largest ln Q of a shelf, not below the lowest.
    pub shelf_ln_q: f64,
}

impl Bounds {
    /// The largest coordinates of one kind.
    pub fn high_of(&self, kind: SectionKind) -> [f64; 3] {
        let [ln_f, gain_db, ln_q] = self.high;
        [ln_f, gain_db, if kind.is_shelf() { self.shelf_ln_q } else { ln_q }]
    }

    pub fn clamp(&self, band: Band) -> Band {
        let high = self.high_of(band.kind);
        Band { at: [0, 1, 2].map(|i| band.at[i].clamp(self.low[i], high[i])), ..band }
    }
}

/// Which coordinates of a band may move.
pub(super) type Free = [bool; 3];
pub(super) const ALL_FREE: Free = [true; 3];

/// Buffers kept between fits.
pub(super) struct Fitter<'a> {
    problem: &'a Problem,
    bounds: Bounds,
    power_gain: Vec<f64>,
    correction_db: Vec<f64>,
    /// Slopes by coordinate, one column after the other.
    slopes: Vec<f64>,
    /// `√(w + h)`, of which one is zero.
    root: Vec<f64>,
    weight_sum: f64,
}

impl<'a> Fitter<'a> {
    pub fn new(problem: &'a Problem, bounds: Bounds) -> Self {
        let points = problem.axis.len();
        Self {
            problem,
            bounds,
            power_gain: vec![1.0; points],
            correction_db: vec![0.0; points],
            slopes: Vec::new(),
            root: problem.weight.iter().zip(&problem.hold).map(|(w, h)| (w + h).sqrt()).collect(),
            weight_sum: problem.weight.iter().sum::<f64>().max(f64::MIN_POSITIVE),
        }
    }

    /// One with buffers of its own, for another thread.
    pub fn another(&self) -> Self {
        Self::new(self.problem, self.bounds)
    }

    pub fn problem(&self) -> &'a Problem {
        self.problem
    }

    pub fn bounds(&self) -> Bounds {
        self.bounds
    }

    /// Cost of some bands.
    pub fn cost(&mut self, bands: &[Band]) -> f64 {
        self.problem.correct(bands, &mut self.power_gain, &mut self.correction_db);
        self.problem.judge(&self.correction_db).1
    }

    /// What is left of the error with some bands, level taken out, and the bands' own level.
    pub fn residual(&mut self, bands: &[Band]) -> (Vec<f64>, Vec<f64>) {
        self.problem.correct(bands, &mut self.power_gain, &mut self.correction_db);
        let (level, _) = self.problem.judge(&self.correction_db);
        let residual = self.problem.error_db.iter().zip(&self.correction_db).map(|(e, g)| e + g - level);
        (residual.collect(), self.correction_db.clone())
    }

    /// Moves the free coordinates to the nearest minimum; returns the cost. `free` is as long as `bands`, or empty
    /// for all.
    pub fn refine(&mut self, bands: &mut [Band], free: &[Free], patience: Patience) -> f64 {
        let movable: Vec<(usize, usize)> = (0..bands.len())
            .flat_map(|b| (0..3).map(move |c| (b, c)))
            .filter(|&(b, c)| free.get(b).is_none_or(|f| f[c]))
            .collect();
        let mut x: Vec<f64> = movable.iter().map(|&(b, c)| bands[b].at[c]).collect();
        let (low, high): (Vec<f64>, Vec<f64>) =
            movable.iter().map(|&(b, c)| (self.bounds.low[c], self.bounds.high_of(bands[b].kind)[c])).unzip();
        let mut moving = Moving { fitter: self, bands: bands.to_vec(), movable: &movable };
        let cost = minimise(&mut moving, &mut x, &low, &high, patience);
        moving.place(&x);
        bands.copy_from_slice(&moving.bands);
        cost
    }

    /// `(JᵀJ, Jᵀr)` of the movable coordinates, the level projected out.
    fn normal_equations(
        &mut self,
        bands: &[Band],
        movable: &[(usize, usize)],
    ) -> (DMatrix<f64>, DVector<f64>) {
        let points = self.problem.axis.len();
        self.slopes.resize(3 * bands.len() * points, 0.0);
        self.power_gain.fill(1.0);
        for (band, columns) in bands.iter().zip(self.slopes.chunks_exact_mut(3 * points)) {
            let (f, rest) = columns.split_at_mut(points);
            let (g, q) = rest.split_at_mut(points);
            multiply_power_with_slopes(band, &self.problem.axis, &mut self.power_gain, [f, g, q]);
        }
        for (db, p) in self.correction_db.iter_mut().zip(&self.power_gain) {
            *db = DB_PER_LN_POWER * p.ln();
        }
        let problem = self.problem;
        let (level, _) = problem.judge(&self.correction_db);
        // A point that counts shows the error less the level; one that is held shows the correction itself.
        let counts = |i: usize| problem.weight[i] > 0.0;
        let residual: Vec<f64> = (0..points)
            .map(|i| {
                let aim = if counts(i) { problem.error_db[i] - level } else { 0.0 };
                self.root[i] * (aim + self.correction_db[i])
            })
            .collect();
        // Points lifted beyond the limit are rows of their own, taken before the level is projected out.
        let lifted: Vec<usize> =
            (0..points).filter(|&i| self.correction_db[i] > problem.most_boost_db).collect();
        // So is the mean correction, where it costs anything.
        let level_root =
            (problem.level_weight > 0.0).then(|| (problem.level_weight * self.weight_sum).sqrt());
        let beside = |column: &[f64], less: f64| -> Vec<f64> {
            let lifted = lifted.iter().map(|&i| EXCESS_COST.sqrt() * (column[i] - less));
            lifted.chain(level_root.map(|root| root * problem.mean(column))).collect()
        };
        let excess = beside(&self.correction_db, problem.most_boost_db);
        let lifted_slopes: Vec<f64> =
            self.slopes.chunks_exact(points).flat_map(|column| beside(column, 0.0)).collect();
        for column in self.slopes.chunks_exact_mut(points) {
            let mean = dot(column, &problem.weight) / self.weight_sum;
            for (i, x) in column.iter_mut().enumerate() {
                *x = self.root[i] * if counts(i) { *x - mean } else { *x };
            }
        }
        let column = |(b, c): (usize, usize)| &self.slopes[(3 * b + c) * points..][..points];
        let over = |(b, c): (usize, usize)| &lifted_slopes[(3 * b + c) * excess.len()..][..excess.len()];
        let gradient = movable.iter().map(|&m| dot(column(m), &residual) + dot(over(m), &excess));
        let gradient = DVector::from_iterator(movable.len(), gradient);
        let mut normal = DMatrix::zeros(movable.len(), movable.len());
        for i in 0..movable.len() {
            for j in 0..=i {
                let product =
                    dot(column(movable[i]), column(movable[j])) + dot(over(movable[i]), over(movable[j]));
                normal[(i, j)] = product;
                normal[(j, i)] = product;
            }
        }
        (normal, gradient)
    }
}

/// Bands whose movable coordinates are the variables of a fit.
struct Moving<'a, 'p> {
    fitter: &'a mut Fitter<'p>,
    bands: Vec<Band>,
    movable: &'a [(usize, usize)],
}

impl Moving<'_, '_> {
    fn place(&mut self, x: &[f64]) {
        self.movable.iter().zip(x).for_each(|(&(b, c), x)| self.bands[b].at[c] = *x);
    }
}

impl SumOfSquares for Moving<'_, '_> {
    fn cost(&mut self, x: &[f64]) -> f64 {
        self.place(x);
        self.fitter.cost(&self.bands)
    }

    fn normal_equations(&mut self, x: &[f64]) -> (DMatrix<f64>, DVector<f64>) {
        self.place(x);
        self.fitter.normal_equations(&self.bands, self.movable)
    }
}
