//! What a correction is asked to do: an error over a grid, how much each point counts, and how far bands may go.

use super::band::{Axis, Band, DB_PER_LN_POWER, multiply_power};

/// The error to be taken away and what each grid point weighs.
///
/// With correction `g` the cost is `Σ w (e + g − level)² + Σ h g²`, the level being free, and a charge for boost beyond
/// the limit and for a mean of `g` that is not nothing. Each point has one of
/// the two: those left alone have `w = 0` and a small `h`, so that nothing is aimed at them and neighbours do not spill over more than they need.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    pub axis: Axis,
    /// Response less target.
    pub error_db: Vec<f64>,
    pub weight: Vec<f64>,
    pub hold: Vec<f64>,
    /// All bands together may raise no point by more than this.
    pub most_boost_db: f64,
    /// What the square of the mean correction costs, against 1 for the square of the mean error.
    pub level_weight: f64,
}

/// What each squared dB of boost beyond the limit costs, against 1 for a squared dB of error: enough to hold the
/// excess to a few tenths of a dB, little enough for the optimiser to slide along the limit.
pub(super) const EXCESS_COST: f64 = 10.0;

impl Problem {
    /// `(level, cost)` of a correction.
    pub fn judge(&self, correction_db: &[f64]) -> (f64, f64) {
        let (mut sum, mut weights) = (0.0, 0.0);
        for ((e, g), w) in self.error_db.iter().zip(correction_db).zip(&self.weight) {
            sum += w * (e + g);
            weights += w;
        }
        let level = if weights > 0.0 { sum / weights } else { 0.0 };
        let mut cost = 0.0;
        if self.level_weight > 0.0 {
            cost += self.level_weight * weights * self.mean(correction_db).powi(2);
        }
        let points = self.error_db.iter().zip(correction_db).zip(self.weight.iter().zip(&self.hold));
        for ((e, g), (w, h)) in points {
            let r = e + g - level;
            cost += w * r * r + h * g * g;
            let excess = g - self.most_boost_db;
            if excess > 0.0 {
                cost += EXCESS_COST * excess * excess;
            }
        }
        (level, cost)
    }

    /// Weighted mean over the points that count.
    pub fn mean(&self, values: &[f64]) -> f64 {
        let weights: f64 = self.weight.iter().sum();
        let sum: f64 = values.iter().zip(&self.weight).map(|(x, w)| w * x).sum();
        sum / weights.max(f64::MIN_POSITIVE)
    }

    /// Correction in dB of some bands into `correction_db`, by way of `power_gain`.
    pub fn correct(&self, bands: &[Band], power_gain: &mut [f64], correction_db: &mut [f64]) {
        power_gain.fill(1.0);
        bands.iter().for_each(|band| multiply_power(band, &self.axis, power_gain));
        for (db, p) in correction_db.iter_mut().zip(power_gain.iter()) {
            *db = DB_PER_LN_POWER * p.ln();
        }
    }

    /// Root of the mean cost over the points that count.
    pub fn rms_of_cost(&self, cost: f64) -> f64 {
        (cost / self.weight.iter().sum::<f64>().max(f64::MIN_POSITIVE)).sqrt()
    }
}
