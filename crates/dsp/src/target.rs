//! The target curve and the corridor around it.

use serde::{Deserialize, Serialize};

use crate::curve::interpolate_log;

/// Straight lines on a log-frequency axis; only the shape counts, the level is fitted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// What the tuner calls it.
    pub name: String,
    /// `(frequency_hz, level_db)`, ascending in frequency.
    pub points: Vec<(f64, f64)>,
    /// Half the height of the corridor.
    pub tolerance_db: f64,
}

impl Target {
    /// Level of the target's shape; flat beyond its first and last point; 0 without points.
    pub fn level_at_db(&self, frequency_hz: f64) -> f64 {
        let (Some(&(low_hz, low_db)), Some(&(high_hz, high_db))) = (self.points.first(), self.points.last())
        else {
            return 0.0;
        };
        let (hz, db): (Vec<f64>, Vec<f64>) = self.points.iter().copied().unzip();
        interpolate_log(&hz, &db, frequency_hz.clamp(low_hz, high_hz)).unwrap_or(if frequency_hz < low_hz {
            low_db
        } else {
            high_db
        })
    }
}
