//! Analogue first- and second-order filters and their bilinear transform.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use crate::tune::Biquad;

/// `H(s) = (n0 + n1 s + n2 s²) / (d0 + d1 s + d2 s²)` with `s` counted in units of the corner frequency.
///
/// A first-order filter has `n2 = d2 = 0`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prototype {
    /// Numerator, ascending powers of `s`.
    pub n: [f64; 3],
    /// Denominator, ascending powers of `s`.
    pub d: [f64; 3],
}

/// Where a digital frequency lands on the axis of the prototype: `tan(π f / rate)`.
///
/// The bilinear transform maps `z = exp(jω)` to `s = j tan(ω/2) / tan(ω₀/2)`, so responses are computed from the
/// prototype, without the cancellation that coefficients suffer at low frequencies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Warp {
    rate_hz: f64,
}

impl Warp {
    /// For a sample rate in hertz.
    pub fn new(rate_hz: f64) -> Self {
        Self { rate_hz }
    }

    /// `tan(π f / rate)`.
    pub fn tangent(self, frequency_hz: f64) -> f64 {
        (PI * frequency_hz / self.rate_hz).tan()
    }

    /// `d ln tan(π f/rate) / d ln f = ω / sin ω`.
    pub fn log_slope(self, frequency_hz: f64) -> f64 {
        let omega = 2.0 * PI * frequency_hz / self.rate_hz;
        omega / omega.sin()
    }
}

/// `c0 + c1 s + c2 s²` at `s = j t`.
pub(super) fn polynomial_at(c: [f64; 3], t: f64) -> Complex64 {
    Complex64::new(c[0] - c[2] * t * t, c[1] * t)
}

impl Prototype {
    /// `H(j t)`; `t` is the frequency over the corner frequency, both warped.
    pub fn response(&self, t: f64) -> Complex64 {
        polynomial_at(self.n, t) / polynomial_at(self.d, t)
    }

    /// `∂ ln H / ∂ ln t`.
    pub fn log_slope(&self, t: f64) -> Complex64 {
        // ∂/∂ln t of c0 + c1 s + c2 s² is c1 s + 2 c2 s².
        let relative = |c: [f64; 3]| polynomial_at([0.0, c[1], 2.0 * c[2]], t) / polynomial_at(c, t);
        relative(self.n) - relative(self.d)
    }

    /// The digital filter whose corner has the given `tan(π f₀ / rate)`.
    pub fn biquad(&self, corner_tangent: f64) -> Biquad {
        let k = corner_tangent;
        let transform = |c: [f64; 3]| {
            if self.n[2] == 0.0 && self.d[2] == 0.0 {
                [c[0] * k + c[1], c[0] * k - c[1], 0.0]
            } else {
                let (even, odd) = (c[0] * k * k + c[2], c[1] * k);
                [even + odd, 2.0 * (c[0] * k * k - c[2]), even - odd]
            }
        };
        let (b, a) = (transform(self.n), transform(self.d));
        Biquad { b: b.map(|x| x / a[0]), a: [1.0, a[1] / a[0], a[2] / a[0]] }
    }
}

impl Biquad {
    /// `H(exp(jω))` from the coefficients.
    pub fn response(&self, frequency_hz: f64, rate_hz: f64) -> Complex64 {
        let z = Complex64::cis(-2.0 * PI * frequency_hz / rate_hz);
        let at = |c: [f64; 3]| Complex64::from(c[0]) + z * (Complex64::from(c[1]) + z * c[2]);
        at(self.b) / at(self.a)
    }

    /// True when both poles lie inside the unit circle (the stability triangle of a second-order denominator).
    pub fn is_stable(&self) -> bool {
        self.a[2].abs() < 1.0 && self.a[1].abs() < 1.0 + self.a[2]
    }
}
