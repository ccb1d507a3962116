//! Minimum phase from magnitude.

use std::f64::consts::{FRAC_PI_2, PI};

use super::SpectrumError;
use super::fft::{Complex, RealTransform};

/// Levels more than this below the largest are raised to it before the logarithm, 1e-10 (−200 dB).
const FLOOR: f64 = 1e-10;

/// The minimum-phase spectrum of a magnitude, by folding the real cepstrum (Oppenheim and Schafer, *Discrete-Time
/// Signal Processing*, chapter on the Hilbert transform and the cepstrum; from memory).
///
/// `magnitude` holds the bins `0..=N/2` of an even `N`, linear, and so does the result. Magnitudes under −200 dB of the
/// largest are raised to that. The cepstrum must die away within `N/2` samples: make `N` several times longer than
/// the system rings, or its end wraps around into the phase. Use [`ExtendedMinimumPhase`] where the magnitude is known
/// only in a band.
///
/// # Errors
/// [`SpectrumError::Silent`] where no bin is finite and above zero.
pub fn minimum_phase(magnitude: &[f64]) -> Result<Vec<Complex>, SpectrumError> {
    let bins = magnitude.len();
    let largest = magnitude.iter().copied().filter(|m| m.is_finite()).fold(0.0, f64::max);
    if bins < 2 || largest <= 0.0 {
        return Err(SpectrumError::Silent { what: "the magnitude" });
    }
    let floor = largest * FLOOR;
    let log: Vec<f64> = magnitude.iter().map(|m| if *m > floor { m.ln() } else { floor.ln() }).collect();
    Ok(from_log_magnitude(&log))
}

/// [`minimum_phase`] as an impulse response of `N = 2 (bins − 1)` samples, beginning at sample 0.
///
/// # Errors
/// As [`minimum_phase`].
pub fn minimum_phase_impulse(magnitude: &[f64]) -> Result<Vec<f64>, SpectrumError> {
    let spectrum = minimum_phase(magnitude)?;
    Ok(RealTransform::new(2 * (magnitude.len() - 1)).inverse(&spectrum))
}

fn from_log_magnitude(log: &[f64]) -> Vec<Complex> {
    let length = 2 * (log.len() - 1);
    let plan = RealTransform::new(length);
    let even: Vec<Complex> = log.iter().map(|&l| Complex::new(l, 0.0)).collect();
    let mut cepstrum = plan.inverse(&even);
    for c in &mut cepstrum[1..length / 2] {
        *c *= 2.0;
    }
    for c in &mut cepstrum[length / 2 + 1..] {
        *c = 0.0;
    }
    plan.forward(&cepstrum).iter().map(|c| Complex::from_polar(c.re.exp(), c.im)).collect()
}

/// How the magnitude goes on beyond the band in which it is known: powers of the bilinear-warped frequency
/// `Ω = tan(π f / rate)`, so that a digital filter's zeros at 0 Hz and at half the rate are followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EndSlopes {
    /// Below the band, level rises as `Ω^low`; 4 is 24 dB per octave; at least 0.
    pub low: f64,
    /// Above the band, level falls as `Ω^−high`; at least 0.
    pub high: f64,
}

impl EndSlopes {
    /// Steepest slope believed at either end, 8 (48 dB per octave): steeper is noise or a dip at the edge.
    pub const STEEPEST: f64 = 8.0;

    /// Slopes by straight lines through `magnitude` over `ln Ω`, over the outermost `octaves` inside the band.
    ///
    /// `magnitude[k]` is linear, at `k · rate / N`, bins `0..=N/2`. A slope that points the wrong way (level rising
    /// outwards) counts as 0.
    ///
    /// # Errors
    /// [`SpectrumError::Band`] where the band is empty or beyond the spectrum.
    pub fn of_band(
        magnitude: &[f64],
        rate_hz: f64,
        from_hz: f64,
        to_hz: f64,
        octaves: f64,
    ) -> Result<Self, SpectrumError> {
        let (first, last) = band_bins(magnitude.len(), rate_hz, from_hz, to_hz)?;
        let spacing_hz = spacing_hz(magnitude.len(), rate_hz);
        let inner_low = ((from_hz * octaves.exp2() / spacing_hz) as usize).clamp(first + 1, last);
        let inner_high = ((to_hz / octaves.exp2() / spacing_hz) as usize).clamp(first, last - 1);
        let limit = |slope: f64| slope.clamp(0.0, Self::STEEPEST);
        Ok(Self {
            low: limit(slope(magnitude, first, inner_low)),
            high: limit(-slope(magnitude, inner_high, last)),
        })
    }
}

fn spacing_hz(bins: usize, rate_hz: f64) -> f64 {
    rate_hz / (2 * bins.saturating_sub(1)).max(1) as f64
}

/// First and last bin inside a band; bin 0 and the last bin, where `Ω` is zero or infinite, are left out.
fn band_bins(bins: usize, rate_hz: f64, from_hz: f64, to_hz: f64) -> Result<(usize, usize), SpectrumError> {
    let refusal = SpectrumError::Band { from_hz, to_hz, limit_hz: rate_hz / 2.0 };
    if !(from_hz >= 0.0 && to_hz > from_hz && to_hz <= rate_hz / 2.0) || bins < 4 {
        return Err(refusal);
    }
    let spacing = spacing_hz(bins, rate_hz);
    let first = ((from_hz / spacing).ceil() as usize).max(1);
    let last = ((to_hz / spacing).floor() as usize).min(bins - 2);
    if last > first { Ok((first, last)) } else { Err(refusal) }
}

/// `Ω` of bin `k` of `bins`.
fn warped(k: usize, bins: usize) -> f64 {
    (FRAC_PI_2 * k as f64 / (bins - 1) as f64).tan()
}

/// Least-squares slope of `ln magnitude` over `ln Ω`, every octave counting the same.
fn slope(magnitude: &[f64], first: usize, last: usize) -> f64 {
    let bins = magnitude.len();
    let (mut w, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (k, &m) in magnitude.iter().enumerate().take(last + 1).skip(first) {
        if !(m > 0.0 && m.is_finite()) {
            continue;
        }
        let (at, level, weight) = (warped(k, bins).ln(), m.ln(), 1.0 / k as f64);
        w += weight;
        x += weight * at;
        y += weight * level;
        xx += weight * at * at;
        xy += weight * at * level;
    }
    let spread = w * xx - x * x;
    if spread > 0.0 { (w * xy - x * y) / spread } else { 0.0 }
}

/// Minimum phase of a channel whose magnitude is known only inside a band.
///
/// Outside the band the magnitude goes on by its own end slopes. The slopes are split off as rational factors whose
/// minimum phase is known in closed form, `(s/(s+Ω₁))^low` and `(1/(1+s/Ω₂))^high` with `s = iΩ`; only what remains, which
/// is flat at both ends, goes through the cepstrum, so that neither end wraps around.
#[derive(Debug, Clone, PartialEq)]
pub struct ExtendedMinimumPhase {
    /// Bins `0..=N/2` of the extended magnitude with its minimum phase.
    pub spectrum: Vec<Complex>,
    /// The slopes that were used.
    pub slopes: EndSlopes,
}

impl ExtendedMinimumPhase {
    /// Extends `magnitude` (linear, bins `0..=N/2`) beyond `from_hz..to_hz` by `slopes` and gives it minimum phase.
    ///
    /// # Errors
    /// [`SpectrumError::Band`] where the band is empty or beyond the spectrum, [`SpectrumError::Silent`] where the
    /// magnitude at either edge is not above zero.
    pub fn new(
        magnitude: &[f64],
        rate_hz: f64,
        from_hz: f64,
        to_hz: f64,
        slopes: EndSlopes,
    ) -> Result<Self, SpectrumError> {
        let bins = magnitude.len();
        let (first, last) = band_bins(bins, rate_hz, from_hz, to_hz)?;
        let usable = |k: usize| magnitude[k] > 0.0 && magnitude[k].is_finite();
        if !usable(first) || !usable(last) {
            return Err(SpectrumError::Silent { what: "an edge of the band" });
        }
        let (corner_low, corner_high) = (warped(first, bins), warped(last, bins));
        let largest = magnitude[first..=last].iter().copied().filter(|m| m.is_finite()).fold(0.0, f64::max);
        let floor = largest * FLOOR;
        // ln |(s/(s+a))^m| = −m/2 · ln(1 + (a/Ω)²), and likewise at the upper end. Written so that the growing part
        // cancels the extension exactly: both stay finite at Ω = 0 and Ω = ∞.
        let low_factor = |omega: f64| -0.5 * slopes.low * (1.0 + (corner_low / omega).powi(2)).ln();
        let high_factor = |omega: f64| -0.5 * slopes.high * (1.0 + (omega / corner_high).powi(2)).ln();
        let rest: Vec<f64> = (0..bins)
            .map(|k| {
                let omega = warped(k, bins);
                if k < first {
                    // slope·ln(Ω/a) + slope/2·ln(1+(a/Ω)²) = slope/2·ln(1+(Ω/a)²)
                    magnitude[first].ln() + 0.5 * slopes.low * (1.0 + (omega / corner_low).powi(2)).ln()
                        - high_factor(omega)
                } else if k > last {
                    let inverse = if k + 1 == bins { 0.0 } else { corner_high / omega };
                    magnitude[last].ln() + 0.5 * slopes.high * (1.0 + inverse.powi(2)).ln()
                        - if k + 1 == bins { 0.0 } else { low_factor(omega) }
                } else {
                    magnitude[k].max(floor).ln() - low_factor(omega) - high_factor(omega)
                }
            })
            .collect();
        let mut spectrum = from_log_magnitude(&rest);
        for (k, bin) in spectrum.iter_mut().enumerate() {
            let omega = warped(k, bins);
            *bin = if k == 0 && slopes.low > 0.0 || k + 1 == bins && slopes.high > 0.0 {
                Complex::new(0.0, 0.0)
            } else {
                let low = if k == 0 { 0.0 } else { low_factor(omega) };
                let high = if k + 1 == bins { 0.0 } else { high_factor(omega) };
                let turn = slopes.low * (FRAC_PI_2 - (omega / corner_low).atan())
                    - slopes.high * (omega / corner_high).atan();
                *bin * Complex::from_polar((low + high).exp(), turn)
            };
        }
        debug_assert!(spectrum.iter().all(|h| h.re.is_finite() && h.arg().abs() <= PI + 1e-9));
        Ok(Self { spectrum, slopes })
    }

    /// With the slopes of the outermost half octave at each end.
    ///
    /// # Errors
    /// As [`ExtendedMinimumPhase::new`].
    pub fn of_band(magnitude: &[f64], rate_hz: f64, from_hz: f64, to_hz: f64) -> Result<Self, SpectrumError> {
        let slopes = EndSlopes::of_band(magnitude, rate_hz, from_hz, to_hz, 0.5)?;
        Self::new(magnitude, rate_hz, from_hz, to_hz, slopes)
    }

    /// The minimum-phase impulse response, `N` samples from sample 0.
    pub fn impulse(&self) -> Vec<f64> {
        RealTransform::new(2 * (self.spectrum.len().max(2) - 1)).inverse(&self.spectrum)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Response of a causal, stable, minimum-phase system by its zeros and poles, all inside the unit circle.
    fn known(bins: usize) -> Vec<Complex> {
        (0..bins)
            .map(|k| {
                let z = Complex::cis(-PI * k as f64 / (bins - 1) as f64);
                let (a, b, c) = (
                    Complex::from_polar(0.9, 0.3),
                    Complex::from_polar(0.95, 1.2),
                    Complex::from_polar(0.8, 2.5),
                );
                let pair = |p: Complex| (1.0 - p * z) * (1.0 - p.conj() * z);
                pair(a) * pair(c) / pair(b)
            })
            .collect()
    }

    #[test]
    fn a_minimum_phase_system_comes_back() {
        let system = known(2049);
        let magnitude: Vec<f64> = system.iter().map(|h| h.norm()).collect();
        // The slowest root has radius 0.95: its cepstrum has fallen to 0.95^2048 / 2048 where it wraps.
        for (h, m) in system.iter().zip(minimum_phase(&magnitude).unwrap()) {
            assert!((h - m).norm() < 1e-9 * h.norm().max(1e-3));
        }
        let impulse = minimum_phase_impulse(&magnitude).unwrap();
        assert!((impulse[0] - 1.0).abs() < 1e-9);
        assert!(minimum_phase(&[0.0; 9]).is_err());
        assert!(minimum_phase(&[f64::NAN; 9]).is_err());
    }

    /// A digital Butterworth high-pass of order 4 and low-pass of order 2 (bilinear transform of the textbook
    /// prototypes, written out by its poles): magnitude and phase in closed form.
    fn band_limited(bins: usize, rate_hz: f64, low_hz: f64, high_hz: f64) -> Vec<Complex> {
        let corner = |f: f64| (PI * f / rate_hz).tan();
        (0..bins)
            .map(|k| {
                let s = Complex::new(0.0, warped(k, bins).min(1e12));
                let poles = |n: usize| {
                    (0..n).map(move |i| Complex::cis(FRAC_PI_2 + PI * (2 * i + 1) as f64 / (2 * n) as f64))
                };
                let x = s / corner(low_hz);
                let high: Complex = poles(4).map(|p| x / (x - p)).product();
                let y = s / corner(high_hz);
                let low: Complex = poles(2).map(|p| -p / (y - p)).product();
                high * low
            })
            .collect()
    }

    #[test]
    fn phase_in_a_band_needs_the_magnitude_beyond_it() {
        let (bins, rate_hz) = (32_769, 48_000.0);
        let system = band_limited(bins, rate_hz, 80.0, 3000.0);
        // Known only from 35 Hz to 9 kHz, and full of noise outside.
        let (from_hz, to_hz) = (35.0, 9000.0);
        let spacing = spacing_hz(bins, rate_hz);
        let magnitude: Vec<f64> = system
            .iter()
            .enumerate()
            .map(|(k, h)| if (from_hz..=to_hz).contains(&(k as f64 * spacing)) { h.norm() } else { 0.01 })
            .collect();
        let worst_rad = |spectrum: &[Complex]| {
            let inside = (60.0 / spacing) as usize..(6000.0 / spacing) as usize;
            inside.map(|k| (spectrum[k] * system[k].conj()).arg().abs()).fold(0.0, f64::max)
        };
        let extended = ExtendedMinimumPhase::of_band(&magnitude, rate_hz, from_hz, to_hz).unwrap();
        assert!((extended.slopes.low - 4.0).abs() < 0.1, "{:?}", extended.slopes);
        assert!((extended.slopes.high - 2.0).abs() < 0.2, "{:?}", extended.slopes);
        let with = worst_rad(&extended.spectrum);
        let without = worst_rad(&minimum_phase(&magnitude).unwrap());
        // The slope is read half an octave inside the edge, a few percent short of its asymptote: some hundredths of
        // a radian. Without the extension the phase is lost altogether.
        assert!(with < 0.05, "{with}");
        assert!(without > 0.5, "{without}");
        // The impulse response is causal: a pure delay would show as a lead-in.
        let impulse = extended.impulse();
        let energy = |x: &[f64]| x.iter().map(|v| v * v).sum::<f64>();
        assert!(energy(&impulse[impulse.len() / 2..]) < 1e-6 * energy(&impulse));
    }

    #[test]
    fn exact_slopes_give_the_exact_phase() {
        let (bins, rate_hz) = (65_537, 48_000.0);
        let spacing = spacing_hz(bins, rate_hz);
        let system = band_limited(bins, rate_hz, 500.0, 5000.0);
        let magnitude: Vec<f64> = system.iter().map(|h| h.norm()).collect();
        // Far out on both slopes the straight continuation differs from the system by (f/f₀)^8: 1e-6 at these edges.
        let slopes = EndSlopes { low: 4.0, high: 2.0 };
        let extended = ExtendedMinimumPhase::new(&magnitude, rate_hz, 80.0, 23_000.0, slopes).unwrap();
        for (k, (m, h)) in extended.spectrum.iter().zip(&system).enumerate() {
            let frequency_hz = k as f64 * spacing;
            if (200.0..15_000.0).contains(&frequency_hz) {
                assert!((m * h.conj()).arg().abs() < 2e-4, "at {frequency_hz} Hz");
            }
        }
    }

    #[test]
    fn bad_bands_are_refused() {
        let magnitude = vec![1.0; 101];
        for (from_hz, to_hz) in [(100.0, 50.0), (10.0, 30_000.0), (f64::NAN, 100.0), (100.0, 110.0)] {
            assert!(matches!(
                ExtendedMinimumPhase::of_band(&magnitude, 48_000.0, from_hz, to_hz),
                Err(SpectrumError::Band { .. })
            ));
        }
        assert!(matches!(
            ExtendedMinimumPhase::of_band(&[0.0; 101], 48_000.0, 1000.0, 9000.0),
            Err(SpectrumError::Silent { .. })
        ));
    }
}
