//! One equaliser band as the optimiser sees it, and its level over a grid with the closed-form slopes.

use std::f64::consts::LN_10;

use crate::filter::{Prototype, Warp, prototype_slopes, section_prototype};
use crate::tune::{Section, SectionKind};

/// Settings of a band in the coordinates of the search: `(ln f, gain in dB, ln Q)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Band {
    pub kind: SectionKind,
    pub at: [f64; 3],
}

/// `dB` of a natural logarithm of power.
pub(super) const DB_PER_LN_POWER: f64 = 10.0 / LN_10;

impl Band {
    pub fn of(section: &Section) -> Self {
        Self { kind: section.kind, at: [section.frequency_hz.ln(), section.gain_db, section.q.ln()] }
    }

    pub fn section(&self) -> Section {
        let [ln_f, gain_db, ln_q] = self.at;
        Section { kind: self.kind, frequency_hz: ln_f.exp(), gain_db, q: ln_q.exp() }
    }
}

/// Frequencies as squared warped tangents, `tan²(π f / rate)`: there every band's power is a ratio of quadratics.
#[derive(Debug, Clone)]
pub(super) struct Axis {
    pub hz: Vec<f64>,
    pub squared_tangent: Vec<f64>,
    pub rate_hz: f64,
}

impl Axis {
    pub fn new(hz: Vec<f64>, rate_hz: f64) -> Self {
        let warp = Warp::new(rate_hz);
        let squared_tangent = hz.iter().map(|&f| warp.tangent(f).powi(2)).collect();
        Self { hz, squared_tangent, rate_hz }
    }

    pub fn len(&self) -> usize {
        self.hz.len()
    }
}

/// `|c0 + c1 s + c2 s²|²` at `s = j √u` as a quadratic in `u`.
fn power(c: [f64; 3]) -> [f64; 3] {
    [c[0] * c[0], c[1] * c[1] - 2.0 * c[0] * c[2], c[2] * c[2]]
}

/// The slope of [`power`] when the coefficients move by `dc`.
fn power_slope(c: [f64; 3], dc: [f64; 3]) -> [f64; 3] {
    [2.0 * c[0] * dc[0], 2.0 * (c[1] * dc[1] - dc[0] * c[2] - c[0] * dc[2]), 2.0 * c[2] * dc[2]]
}

fn quadratic(c: [f64; 3], u: f64) -> f64 {
    c[0] + u * (c[1] + u * c[2])
}

/// Multiplies the band's power gain into `power_gain`.
pub(super) fn multiply_power(band: &Band, axis: &Axis, power_gain: &mut [f64]) {
    let section = band.section();
    let Prototype { n, d } = section_prototype(&section);
    let scale = Warp::new(axis.rate_hz).tangent(section.frequency_hz).powi(-2);
    let (n, d) = (scaled(power(n), scale), scaled(power(d), scale));
    for (gain, &u) in power_gain.iter_mut().zip(&axis.squared_tangent) {
        *gain *= quadratic(n, u) / quadratic(d, u);
    }
}

/// As [`multiply_power`], and writes the slopes of the level in dB by `ln f`, gain and `ln Q`.
pub(super) fn multiply_power_with_slopes(
    band: &Band,
    axis: &Axis,
    power_gain: &mut [f64],
    slopes: [&mut [f64]; 3],
) {
    let section = band.section();
    let Prototype { n, d } = section_prototype(&section);
    let by = prototype_slopes(&section);
    let warp = Warp::new(axis.rate_hz);
    let scale = warp.tangent(section.frequency_hz).powi(-2);
    let (pn, pd) = (scaled(power(n), scale), scaled(power(d), scale));
    // u falls with the square of the corner's tangent.
    let by_f = -2.0 * warp.log_slope(section.frequency_hz);
    let moved = |p: [f64; 3]| [0.0, by_f * p[1], 2.0 * by_f * p[2]];
    let num = [
        moved(pn),
        scaled(power_slope(n, by.by_gain_db.n), scale),
        scaled(power_slope(n, by.by_ln_q.n), scale),
    ];
    let den = [
        moved(pd),
        scaled(power_slope(d, by.by_gain_db.d), scale),
        scaled(power_slope(d, by.by_ln_q.d), scale),
    ];
    let [by_ln_f, by_gain, by_ln_q] = slopes;
    let points = power_gain.iter_mut().zip(&axis.squared_tangent);
    let columns = by_ln_f.iter_mut().zip(by_gain.iter_mut()).zip(by_ln_q.iter_mut());
    for ((gain, &u), ((f, g), q)) in points.zip(columns) {
        let (top, bottom) = (quadratic(pn, u), quadratic(pd, u));
        let (over_top, over_bottom) = (DB_PER_LN_POWER / top, DB_PER_LN_POWER / bottom);
        *gain *= top / bottom;
        *f = quadratic(num[0], u) * over_top - quadratic(den[0], u) * over_bottom;
        *g = quadratic(num[1], u) * over_top - quadratic(den[1], u) * over_bottom;
        *q = quadratic(num[2], u) * over_top - quadratic(den[2], u) * over_bottom;
    }
}

fn scaled(p: [f64; 3], scale: f64) -> [f64; 3] {
    [p[0], p[1] * scale, p[2] * scale * scale]
}

/// Level in dB of all bands together.
pub(super) fn levels_db(bands: &[Band], axis: &Axis) -> Vec<f64> {
    let mut power_gain = vec![1.0; axis.len()];
    bands.iter().for_each(|band| multiply_power(band, axis, &mut power_gain));
    power_gain.iter().map(|p| DB_PER_LN_POWER * p.ln()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;

    #[test]
    fn levels_and_slopes_are_those_of_the_section() {
        let axis = Axis::new(log_grid_hz(20.0, 20_000.0, 6.0), 48_000.0);
        for kind in [SectionKind::Peaking, SectionKind::LowShelf, SectionKind::HighShelf] {
            let section = Section { kind, frequency_hz: 700.0, gain_db: -5.0, q: 2.5 };
            let band = Band::of(&section);
            let mut power_gain = vec![1.0; axis.len()];
            let mut slopes = [(); 3].map(|()| vec![0.0; axis.len()]);
            multiply_power_with_slopes(&band, &axis, &mut power_gain, slopes.each_mut().map(|s| &mut s[..]));
            for (i, &f) in axis.hz.iter().enumerate() {
                let level = 20.0 * section.response(f, 48_000.0).norm().log10();
                assert!((DB_PER_LN_POWER * power_gain[i].ln() - level).abs() < 1e-9);
                let expected = section.log_jacobian(f, 48_000.0);
                for j in 0..3 {
                    // Both closed forms; what differs is rounding where slopes of some 10 dB cancel.
                    assert!((slopes[j][i] - 20.0 / LN_10 * expected[j].re).abs() < 1e-8, "{kind:?} {f} {j}");
                }
            }
        }
    }
}
