//! A response over frequency, with what is known about its uncertainty.

use serde::{Deserialize, Serialize};

/// Levels over ascending frequencies; the optional columns are as long as `frequency_hz` where present.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Ascending, greater than zero.
    pub frequency_hz: Vec<f64>,
    /// Level at each frequency.
    pub level_db: Vec<f64>,
    /// Phase at each frequency, in degrees, wrapped to (−180, 180].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase_deg: Option<Vec<f64>>,
    /// Half-width of the 95 % interval of the level.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread_db: Option<Vec<f64>>,
    /// Signal-to-noise ratio at each frequency.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub snr_db: Option<Vec<f64>>,
}

impl Curve {
    /// A curve of levels alone. The two slices must have the same length.
    pub fn of_levels(frequency_hz: Vec<f64>, level_db: Vec<f64>) -> Self {
        debug_assert_eq!(frequency_hz.len(), level_db.len());
        Self { frequency_hz, level_db, ..Self::default() }
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.frequency_hz.len()
    }

    /// True when the curve has no points.
    pub fn is_empty(&self) -> bool {
        self.frequency_hz.is_empty()
    }

    /// Level at `frequency_hz`, straight between points on a logarithmic frequency axis; `None` outside the curve.
    pub fn level_at_db(&self, frequency_hz: f64) -> Option<f64> {
        interpolate_log(&self.frequency_hz, &self.level_db, frequency_hz)
    }

    /// Half-width of the 95 % interval at `frequency_hz`; `None` outside the curve or where it is not known.
    pub fn spread_at_db(&self, frequency_hz: f64) -> Option<f64> {
        interpolate_log(&self.frequency_hz, self.spread_db.as_ref()?, frequency_hz)
    }
}

/// `values` at `x_hz`, straight between points over log frequency; `None` outside `frequency_hz` or without points.
pub fn interpolate_log(frequency_hz: &[f64], values: &[f64], x_hz: f64) -> Option<f64> {
    let last = frequency_hz.len().checked_sub(1)?;
    if !(frequency_hz[0]..=frequency_hz[last]).contains(&x_hz) {
        return None;
    }
    let above = frequency_hz.partition_point(|&f| f < x_hz);
    if above == 0 || frequency_hz[above] == x_hz {
        return values.get(above).copied();
    }
    let (f0, f1) = (frequency_hz[above - 1], frequency_hz[above]);
    let share = (x_hz / f0).ln() / (f1 / f0).ln();
    Some(values[above - 1] + share * (values[above] - values[above - 1]))
}

/// `points_per_octave` logarithmically spaced frequencies from `from_hz` to `to_hz`, both ends included.
///
/// Both ends must be positive and `from_hz < to_hz`; the spacing is the nearest that divides the span evenly.
pub fn log_grid_hz(from_hz: f64, to_hz: f64, points_per_octave: f64) -> Vec<f64> {
    let steps = ((to_hz / from_hz).log2() * points_per_octave).round().max(1.0) as usize;
    let ratio = (to_hz / from_hz).ln() / steps as f64;
    (0..=steps).map(|i| if i == steps { to_hz } else { from_hz * (ratio * i as f64).exp() }).collect()
}

/// Means of `values` over `octaves` around each of the ascending frequencies, or over `width_hz` where that is wider.
pub(crate) fn running_mean(frequency_hz: &[f64], values: &[f64], octaves: f64, width_hz: f64) -> Vec<f64> {
    let mut sums = vec![0.0];
    for value in values {
        sums.push(sums[sums.len() - 1] + value);
    }
    let half = (0.5 * octaves).exp2();
    let mean = |f: &f64| {
        let from = frequency_hz.partition_point(|x| *x < (f / half).min(f - 0.5 * width_hz));
        let to = frequency_hz.partition_point(|x| *x <= (f * half).max(f + 0.5 * width_hz));
        (sums[to] - sums[from]) / (to - from).max(1) as f64
    };
    frequency_hz.iter().map(mean).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_straight_over_log_frequency() {
        let curve = Curve::of_levels(vec![100.0, 400.0], vec![0.0, 10.0]);
        assert!((curve.level_at_db(200.0).unwrap() - 5.0).abs() < 1e-12);
        assert_eq!(curve.level_at_db(400.0), Some(10.0));
        assert_eq!(curve.level_at_db(99.0), None);
        assert_eq!(Curve::default().level_at_db(100.0), None);
    }

    /// Three points lie within an octave of points half an octave apart, and two at either end; a width in hertz takes in more
    /// where it is the wider.
    #[test]
    fn means_run_over_octaves_or_hertz() {
        let hz: Vec<f64> = (0..5).map(|i| 100.0 * 2f64.powf(0.499 * f64::from(i))).collect();
        let values = [0.0, 3.0, 6.0, 0.0, 12.0];
        assert_eq!(running_mean(&hz, &values, 1.0, 0.0), [1.5, 3.0, 3.0, 6.0, 6.0]);
        assert_eq!(running_mean(&hz, &values, 1.0, 210.0), [3.0, 3.0, 2.25, 6.0, 6.0]);
    }

    #[test]
    fn the_grid_holds_both_ends() {
        let grid = log_grid_hz(20.0, 20_000.0, 48.0);
        assert_eq!((grid[0], *grid.last().unwrap()), (20.0, 20_000.0));
        assert!(grid.windows(2).all(|w| w[0] < w[1]));
    }
}
