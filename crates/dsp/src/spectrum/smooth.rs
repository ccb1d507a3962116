//! Fractional-octave smoothing from linear bins onto any grid.

use super::fft::Complex;
use crate::curve::Curve;

/// The integral of values on equidistant points, straight between points, so that a band may begin and end anywhere.
struct Integral<'a> {
    values: &'a [f64],
    /// `sums[k]`: from point 0 to point `k`, in units of one spacing.
    sums: Vec<f64>,
}

impl<'a> Integral<'a> {
    fn new(values: &'a [f64]) -> Self {
        let mut sums = Vec::with_capacity(values.len());
        let mut sum = 0.0;
        sums.push(sum);
        for pair in values.windows(2) {
            sum += 0.5 * (pair[0] + pair[1]);
            sums.push(sum);
        }
        Self { values, sums }
    }

    /// The value at `x`, in units of one spacing, clamped to the ends.
    fn value(&self, x: f64) -> f64 {
        let last = self.values.len() - 1;
        let x = x.clamp(0.0, last as f64);
        let k = (x as usize).min(last.saturating_sub(1));
        let next = self.values[(k + 1).min(last)];
        self.values[k] + (x - k as f64) * (next - self.values[k])
    }

    fn up_to(&self, x: f64) -> f64 {
        let last = self.values.len() - 1;
        let x = x.clamp(0.0, last as f64);
        let k = (x as usize).min(last.saturating_sub(1));
        let part = x - k as f64;
        self.sums[k] + part * 0.5 * (self.values[k] + self.value(x))
    }

    /// The mean over a band; the value at its centre where it is a small part of a spacing.
    fn mean(&self, from: f64, to: f64) -> f64 {
        let last = (self.values.len() - 1) as f64;
        let (from, to) = (from.clamp(0.0, last), to.clamp(0.0, last));
        // Below this width the difference of two sums says less than the straight line itself.
        if to - from < 1e-3 {
            return self.value(0.5 * (from + to));
        }
        (self.up_to(to) - self.up_to(from)) / (to - from)
    }
}

/// Half the width of a band of 1/`per_octave` octave, as a frequency ratio.
fn half_band(per_octave: f64) -> f64 {
    if per_octave > 0.0 { (0.5 / per_octave).exp2() } else { 1.0 }
}

/// Mean of `power` over bands of 1/`per_octave` octave around each of `at_hz`.
///
/// `power[k]` is at `k · spacing_hz`, from zero hertz up, in any linear unit (a squared magnitude); values are taken as
/// straight between bins, so at low frequency, where a band is narrower than a bin, the result interpolates. Bands
/// are cut at both ends of the spectrum. `per_octave` of 0 (or less) smooths nothing and interpolates. Returns one
/// value per entry of `at_hz`; zeros when `power` is empty. Cost: one pass over the bins, then constant per point.
pub fn smooth_power(power: &[f64], spacing_hz: f64, at_hz: &[f64], per_octave: f64) -> Vec<f64> {
    if power.is_empty() {
        return vec![0.0; at_hz.len()];
    }
    let integral = Integral::new(power);
    let ratio = half_band(per_octave);
    at_hz.iter().map(|f| integral.mean(f / ratio / spacing_hz, f * ratio / spacing_hz).max(0.0)).collect()
}

/// As [`smooth_power`], of a complex spectrum: keeps phase, and loses level where the phase turns within a band.
///
/// Take the delay out first (multiply by `e^(2πi f τ)`), otherwise the smoothing itself becomes a loss of level.
pub fn smooth_complex(spectrum: &[Complex], spacing_hz: f64, at_hz: &[f64], per_octave: f64) -> Vec<Complex> {
    if spectrum.is_empty() {
        return vec![Complex::new(0.0, 0.0); at_hz.len()];
    }
    let (re, im): (Vec<f64>, Vec<f64>) = spectrum.iter().map(|c| (c.re, c.im)).unzip();
    let (re, im) = (Integral::new(&re), Integral::new(&im));
    let ratio = half_band(per_octave);
    at_hz
        .iter()
        .map(|f| {
            let (from, to) = (f / ratio / spacing_hz, f * ratio / spacing_hz);
            Complex::new(re.mean(from, to), im.mean(from, to))
        })
        .collect()
}

/// A curve from a one-sided spectrum: level from the mean power, phase from the complex mean with `delay_s` taken out
/// before smoothing and put back after.
pub fn smoothed_curve(
    spectrum: &[Complex],
    spacing_hz: f64,
    at_hz: &[f64],
    per_octave: f64,
    delay_s: f64,
) -> Curve {
    let power: Vec<f64> = spectrum.iter().map(Complex::norm_sqr).collect();
    let level_db =
        smooth_power(&power, spacing_hz, at_hz, per_octave).iter().map(|p| 10.0 * p.log10()).collect();
    let turn = |f: f64| Complex::cis(std::f64::consts::TAU * f * delay_s);
    let still: Vec<Complex> =
        spectrum.iter().enumerate().map(|(k, h)| h * turn(k as f64 * spacing_hz)).collect();
    let phase_deg = smooth_complex(&still, spacing_hz, at_hz, per_octave)
        .iter()
        .zip(at_hz)
        .map(|(h, &f)| (h * turn(f).conj()).arg().to_degrees())
        .collect();
    Curve { phase_deg: Some(phase_deg), ..Curve::of_levels(at_hz.to_vec(), level_db) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;

    #[test]
    fn a_power_law_has_its_closed_form_mean() {
        // Mean of f² over [f/r, fr] is f² (r³ − r⁻³) / (3 (r − 1/r)); straight lines between bins of 0.1 Hz add
        // at most (0.1)²/6 to it, 2e-7 of the value at 100 Hz.
        let power: Vec<f64> = (0..200_000).map(|k| (k as f64 * 0.1).powi(2)).collect();
        for per_octave in [1.0, 3.0, 12.0, 48.0] {
            let r: f64 = (0.5f64 / per_octave).exp2();
            let gain = (r.powi(3) - r.powi(-3)) / (3.0 * (r - 1.0 / r));
            for (f, p) in [100.0, 1000.0, 10_000.0].iter().zip(smooth_power(
                &power,
                0.1,
                &[100.0, 1000.0, 10_000.0],
                per_octave,
            )) {
                assert!((p / (f * f * gain) - 1.0).abs() < 1e-6, "1/{per_octave} at {f}");
            }
        }
    }

    #[test]
    fn a_flat_spectrum_stays_flat_everywhere() {
        let grid = log_grid_hz(0.01, 24_000.0, 48.0);
        for per_octave in [0.0, 1.0, 48.0] {
            for p in smooth_power(&vec![2.0; 1025], 23.4375, &grid, per_octave) {
                assert!((p - 2.0).abs() < 1e-9);
            }
        }
        assert_eq!(smooth_power(&[], 1.0, &[10.0], 3.0), vec![0.0]);
        assert_eq!(smooth_power(&[5.0], 1.0, &[10.0], 3.0), vec![5.0]);
    }

    #[test]
    fn a_pure_delay_keeps_level_and_phase() {
        let delay_s = 0.0123;
        let spectrum: Vec<Complex> =
            (0..24_001).map(|k| Complex::cis(-std::f64::consts::TAU * k as f64 * delay_s)).collect();
        let curve = smoothed_curve(&spectrum, 1.0, &[50.0, 1000.0], 3.0, delay_s);
        for (i, f) in [50.0, 1000.0].iter().enumerate() {
            assert!(curve.level_db[i].abs() < 1e-9);
            let turned = Complex::from_polar(1.0, curve.phase_deg.as_ref().unwrap()[i].to_radians());
            assert!((turned - Complex::cis(-std::f64::consts::TAU * f * delay_s)).norm() < 1e-9);
        }
    }
}
