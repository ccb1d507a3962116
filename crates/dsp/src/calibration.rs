//! A microphone's own response, taken out of what it measured.

use serde::{Deserialize, Serialize};

use crate::curve::{Curve, interpolate_log};
use crate::spectrum::{Complex, wrap_deg};

/// A microphone's response: what it adds to the truth. It is subtracted.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct MicCalibration {
    /// Ascending, greater than zero.
    pub frequency_hz: Vec<f64>,
    /// Response of the microphone, as long as `frequency_hz`.
    pub level_db: Vec<f64>,
    /// Phase of the microphone where the file gives it, as long as `frequency_hz`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase_deg: Option<Vec<f64>>,
}

impl From<Curve> for MicCalibration {
    /// A calibration file as it was read.
    fn from(curve: Curve) -> Self {
        Self { frequency_hz: curve.frequency_hz, level_db: curve.level_db, phase_deg: curve.phase_deg }
    }
}

impl MicCalibration {
    /// The microphone's level at `frequency_hz`: straight over log frequency, held level beyond its ends; 0 when empty.
    pub fn level_at_db(&self, frequency_hz: f64) -> f64 {
        self.held(&self.level_db, frequency_hz)
    }

    /// The microphone's phase, in the same way; 0 where the file gives none.
    pub fn phase_at_deg(&self, frequency_hz: f64) -> f64 {
        self.phase_deg.as_ref().map_or(0.0, |phase| self.held(phase, frequency_hz))
    }

    /// The frequencies the file covers; outside them its end values are held. `None` when empty.
    pub fn range_hz(&self) -> Option<(f64, f64)> {
        Some((*self.frequency_hz.first()?, *self.frequency_hz.last()?))
    }

    /// `curve` without the microphone.
    pub fn correct_curve(&self, curve: &Curve) -> Curve {
        let mut out = curve.clone();
        for (level, &f) in out.level_db.iter_mut().zip(&curve.frequency_hz) {
            *level -= self.level_at_db(f);
        }
        if let (Some(phase), Some(_)) = (&mut out.phase_deg, &self.phase_deg) {
            for (angle, &f) in phase.iter_mut().zip(&curve.frequency_hz) {
                *angle = wrap_deg(*angle - self.phase_at_deg(f));
            }
        }
        out
    }

    /// A one-sided spectrum (bin `k` at `k · spacing_hz`) without the microphone.
    pub fn correct_spectrum(&self, spectrum: &mut [Complex], spacing_hz: f64) {
        for (k, bin) in spectrum.iter_mut().enumerate() {
            let f = (k as f64 * spacing_hz).max(f64::MIN_POSITIVE);
            let inverse = 10f64.powf(-self.level_at_db(f) / 20.0);
            *bin *= Complex::from_polar(inverse, -self.phase_at_deg(f).to_radians());
        }
    }

    fn held(&self, values: &[f64], frequency_hz: f64) -> f64 {
        let Some((low_hz, high_hz)) = self.range_hz() else { return 0.0 };
        interpolate_log(&self.frequency_hz, values, frequency_hz.clamp(low_hz, high_hz)).unwrap_or(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_microphone_is_subtracted() {
        let mic = MicCalibration {
            frequency_hz: vec![100.0, 400.0],
            level_db: vec![-2.0, 2.0],
            phase_deg: Some(vec![10.0, 30.0]),
        };
        let curve = Curve {
            phase_deg: Some(vec![-175.0, 0.0, 0.0]),
            ..Curve::of_levels(vec![50.0, 200.0, 800.0], vec![60.0, 60.0, 60.0])
        };
        let out = mic.correct_curve(&curve);
        for (got, expected) in out.level_db.iter().zip([62.0, 60.0, 58.0]) {
            assert!((got - expected).abs() < 1e-12);
        }
        for (got, expected) in out.phase_deg.unwrap().iter().zip([175.0, -20.0, -30.0]) {
            assert!((got - expected).abs() < 1e-9);
        }
        let mut spectrum = vec![Complex::new(1.0, 0.0); 9];
        mic.correct_spectrum(&mut spectrum, 100.0);
        assert!((spectrum[2].norm() - 1.0).abs() < 1e-12);
        assert!((spectrum[8].arg().to_degrees() + 30.0).abs() < 1e-9);
        assert!(spectrum.iter().all(|h| h.norm().is_finite()));
        assert_eq!(MicCalibration::default().correct_curve(&curve), curve);
        assert_eq!(MicCalibration::default().range_hz(), None);
    }
}
