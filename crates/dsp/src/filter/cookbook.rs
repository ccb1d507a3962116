//! The six filters of the W3C Audio EQ Cookbook (Bristow-Johnson; W3C Working Group Note, 2021), their
//! coefficients and how they change with their settings.

use std::f64::consts::LN_10;

use rustfft::num_complex::Complex64;

use super::prototype::polynomial_at;
use super::{FilterError, Prototype, Warp, check_frequency, check_gain};
use crate::tune::{Biquad, Section, SectionKind};

/// The steepest shelf whose gain rises or falls all the way: slope `S = 1` in the Cookbook, `1/Q² = (A + 1/A)(1/S − 1) + 2`,
/// is this Q whatever its gain. Steeper ones overshoot on both sides of the step.
pub const GENTLE_SHELF_Q: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// `d ln A / d gain_db`, the cookbook's `A = 10^(gain/40)`.
const LN_A_PER_DB: f64 = LN_10 / 40.0;

/// The section as an analogue filter (the `H(s)` column of the cookbook).
pub fn section_prototype(section: &Section) -> Prototype {
    let a = amplitude(section.gain_db);
    let (root, q) = (a.sqrt(), section.q);
    let (n, d) = match section.kind {
        SectionKind::Peaking => ([1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0]),
        SectionKind::LowShelf => ([a * a, a * root / q, a], [1.0, root / q, a]),
        SectionKind::HighShelf => ([a, a * root / q, a * a], [a, root / q, 1.0]),
        SectionKind::LowPass => ([1.0, 0.0, 0.0], [1.0, 1.0 / q, 1.0]),
        SectionKind::HighPass => ([0.0, 0.0, 1.0], [1.0, 1.0 / q, 1.0]),
        SectionKind::AllPass => ([1.0, -1.0 / q, 1.0], [1.0, 1.0 / q, 1.0]),
    };
    Prototype { n, d }
}

fn amplitude(gain_db: f64) -> f64 {
    (LN_A_PER_DB * gain_db).exp()
}

/// How a prototype's coefficients change with gain (per dB) and with `ln Q`: `(n, d)` of each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slopes {
    /// `∂n/∂gain_db`, `∂d/∂gain_db`.
    pub by_gain_db: Prototype,
    /// `∂n/∂ln Q`, `∂d/∂ln Q`.
    pub by_ln_q: Prototype,
}

/// The closed-form slopes of [`section_prototype`].
pub fn prototype_slopes(section: &Section) -> Slopes {
    let Prototype { n, d } = section_prototype(section);
    // ∂/∂ln A of each coefficient is its power of A times itself.
    let powers = match section.kind {
        SectionKind::Peaking => ([0.0, 1.0, 0.0], [0.0, -1.0, 0.0]),
        SectionKind::LowShelf => ([2.0, 1.5, 1.0], [0.0, 0.5, 1.0]),
        SectionKind::HighShelf => ([1.0, 1.5, 2.0], [1.0, 0.5, 0.0]),
        SectionKind::LowPass | SectionKind::HighPass | SectionKind::AllPass => ([0.0; 3], [0.0; 3]),
    };
    let scaled = |power: [f64; 3], c: [f64; 3]| [0, 1, 2].map(|i| LN_A_PER_DB * power[i] * c[i]);
    // Only the first-order terms hold 1/Q.
    let middle = |c: [f64; 3]| [0.0, -c[1], 0.0];
    Slopes {
        by_gain_db: Prototype { n: scaled(powers.0, n), d: scaled(powers.1, d) },
        by_ln_q: Prototype { n: middle(n), d: middle(d) },
    }
}

/// Coefficients of the section at a sample rate in hertz.
///
/// # Errors
/// When the frequency is not between 0 and half the rate, Q is not positive, or the gain is beyond ±120 dB.
pub fn section_biquad(section: &Section, rate_hz: f64) -> Result<Biquad, FilterError> {
    check_section(section, rate_hz)?;
    Ok(section_prototype(section).biquad(Warp::new(rate_hz).tangent(section.frequency_hz)))
}

pub(super) fn check_section(section: &Section, rate_hz: f64) -> Result<(), FilterError> {
    check_frequency(section.frequency_hz, rate_hz)?;
    check_gain(section.gain_db)?;
    if section.q.is_finite() && section.q > 0.0 {
        Ok(())
    } else {
        Err(FilterError::Q { frequency_hz: section.frequency_hz, q: section.q })
    }
}

impl Section {
    /// `H` at a frequency, for a sample rate; the section must be one that [`section_biquad`] accepts.
    pub fn response(&self, frequency_hz: f64, rate_hz: f64) -> Complex64 {
        let warp = Warp::new(rate_hz);
        section_prototype(self).response(warp.tangent(frequency_hz) / warp.tangent(self.frequency_hz))
    }

    /// `∂ ln H / ∂ (ln f₀, gain_db, ln Q)` at a frequency.
    ///
    /// Real parts times `20 / ln 10` are slopes of the level in dB, imaginary parts slopes of the phase in radians.
    pub fn log_jacobian(&self, frequency_hz: f64, rate_hz: f64) -> [Complex64; 3] {
        self.log_jacobian_by_tangent(rate_hz)(Warp::new(rate_hz).tangent(frequency_hz))
    }

    /// [`Self::log_jacobian`] as a function of `tan(π f / rate)`, for many frequencies.
    pub fn log_jacobian_by_tangent(&self, rate_hz: f64) -> impl Fn(f64) -> [Complex64; 3] + use<> {
        let warp = Warp::new(rate_hz);
        let corner = warp.tangent(self.frequency_hz);
        // t falls as f₀ rises.
        let by_ln_f = -warp.log_slope(self.frequency_hz);
        let prototype = section_prototype(self);
        let Slopes { by_gain_db, by_ln_q } = prototype_slopes(self);
        move |tangent| {
            let t = tangent / corner;
            let (num, den) = (polynomial_at(prototype.n, t), polynomial_at(prototype.d, t));
            let by = |slope: &Prototype| polynomial_at(slope.n, t) / num - polynomial_at(slope.d, t) / den;
            [by_ln_f * prototype.log_slope(t), by(&by_gain_db), by(&by_ln_q)]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    const KINDS: [SectionKind; 6] = [
        SectionKind::Peaking,
        SectionKind::LowShelf,
        SectionKind::HighShelf,
        SectionKind::LowPass,
        SectionKind::HighPass,
        SectionKind::AllPass,
    ];

    fn kind_named(name: &str) -> Option<SectionKind> {
        Some(match name {
            "peaking" => SectionKind::Peaking,
            "lowshelf" => SectionKind::LowShelf,
            "highshelf" => SectionKind::HighShelf,
            "lowpass" => SectionKind::LowPass,
            "highpass" => SectionKind::HighPass,
            "allpass" => SectionKind::AllPass,
            _ => return None, // band-pass and notch are no processor sections here
        })
    }

    /// tests/reference/biquads_rbj.json: cookbook formulas, SciPy 1.17.1 `signal.bilinear` and two further routes.
    #[test]
    fn coefficients_and_responses_match_the_reference_table() {
        let text = include_str!("../../../../tests/reference/biquads_rbj.json");
        let table: Value = serde_json::from_str(text).unwrap();
        let mut seen = 0;
        for case in table["cases"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64().unwrap();
            let Some(kind) = kind_named(case["type"].as_str().unwrap()) else { continue };
            let section = Section {
                kind,
                frequency_hz: number("f0"),
                gain_db: number("gain_db"),
                q: number("Q_equivalent"),
            };
            let biquad = section_biquad(&section, number("fs")).unwrap();
            for i in 0..3 {
                // Two routes through tan and sin differ by a few roundings of numbers near 2.
                assert!((biquad.b[i] - case["b"][i].as_f64().unwrap()).abs() < 5e-15, "{case}");
                assert!((biquad.a[i] - case["a"][i].as_f64().unwrap()).abs() < 5e-15, "{case}");
            }
            for point in case["response_hz_db_deg"].as_array().unwrap() {
                let at = |i: usize| point[i].as_f64().unwrap();
                let h = section.response(at(0), number("fs"));
                // Where the table goes through the notch-like depth of a stop band, the floor is its own rounding.
                if at(1) > -200.0 {
                    assert!((20.0 * h.norm().log10() - at(1)).abs() < 1e-9, "{case} at {point}");
                    let turn = (h.arg().to_degrees() - at(2)).rem_euclid(360.0);
                    assert!(turn.min(360.0 - turn) < 1e-7, "{case} at {point}");
                }
            }
            seen += 1;
        }
        assert_eq!(seen, 15);
    }

    #[test]
    fn prototype_and_coefficients_respond_alike() {
        for kind in KINDS {
            let section = Section { kind, frequency_hz: 315.0, gain_db: -7.5, q: 1.7 };
            let biquad = section_biquad(&section, 48_000.0).unwrap();
            assert!(biquad.is_stable());
            for f in [20.0, 200.0, 315.0, 1000.0, 12_000.0, 23_000.0] {
                let (from_s, from_z) = (section.response(f, 48_000.0), biquad.response(f, 48_000.0));
                // Coefficients near ±2 cancel at low frequencies: 1e-16 over (ω₀)² ≈ 2e-3.
                assert!((from_s - from_z).norm() < 1e-10, "{kind:?} at {f}");
            }
        }
    }

    /// Against central differences; h = 1e-5 leaves h² ≈ 1e-10 of curvature and 1e-11 of rounding.
    #[test]
    fn the_jacobian_is_the_slope() {
        let h = 1e-5;
        for kind in KINDS {
            for (frequency_hz, gain_db, q) in [(50.0, 6.0, 0.5), (1_000.0, -12.0, 4.0), (15_000.0, 3.0, 1.0)]
            {
                let section = Section { kind, frequency_hz, gain_db, q };
                let gainless =
                    matches!(kind, SectionKind::LowPass | SectionKind::HighPass | SectionKind::AllPass);
                for f in [31.5, 900.0, 14_000.0] {
                    let moved = |df: f64, dg: f64, dq: f64| {
                        Section {
                            kind,
                            frequency_hz: frequency_hz * df.exp(),
                            gain_db: gain_db + dg,
                            q: q * dq.exp(),
                        }
                        .response(f, 48_000.0)
                    };
                    let slope = |up: Complex64, down: Complex64| (up / down).ln() / (2.0 * h);
                    let expected = [
                        slope(moved(h, 0.0, 0.0), moved(-h, 0.0, 0.0)),
                        slope(moved(0.0, h, 0.0), moved(0.0, -h, 0.0)),
                        slope(moved(0.0, 0.0, h), moved(0.0, 0.0, -h)),
                    ];
                    let found = section.log_jacobian(f, 48_000.0);
                    for i in 0..3 {
                        let error = (found[i] - expected[i]).norm();
                        assert!(error < 1e-6, "{section:?} at {f}: {i} off by {error}");
                    }
                    assert!(!gainless || found[1].norm() == 0.0);
                }
            }
        }
    }

    #[test]
    fn settings_that_make_no_filter_are_refused() {
        let good = Section { kind: SectionKind::Peaking, frequency_hz: 100.0, gain_db: 1.0, q: 1.0 };
        assert!(section_biquad(&good, 48_000.0).is_ok());
        for bad in [
            Section { frequency_hz: 24_000.0, ..good },
            Section { frequency_hz: 0.0, ..good },
            Section { frequency_hz: f64::NAN, ..good },
            Section { q: 0.0, ..good },
            Section { q: f64::INFINITY, ..good },
            Section { gain_db: f64::NAN, ..good },
        ] {
            assert!(section_biquad(&bad, 48_000.0).is_err(), "{bad:?}");
        }
        assert!(section_biquad(&good, f64::NAN).is_err());
    }

    /// At the Cookbook's `S = 1` a shelf rises all the way; a little steeper it does not.
    #[test]
    fn a_gentle_shelf_is_the_steepest_that_rises_all_the_way() {
        let overshoots = |kind, gain_db, q| {
            let shelf = Section { kind, frequency_hz: 500.0, gain_db, q };
            let db: Vec<f64> = (0..=480)
                .map(|n| 20.0 * shelf.response(20.0 * (f64::from(n) / 48.0).exp2(), 48_000.0).norm().log10())
                .collect();
            let (least, most) = db.iter().fold((0.0f64, 0.0f64), |(a, b), x| (a.min(*x), b.max(*x)));
            least < f64::min(gain_db, 0.0) - 1e-3 || most > f64::max(gain_db, 0.0) + 1e-3
        };
        for kind in [SectionKind::LowShelf, SectionKind::HighShelf] {
            for gain_db in [-12.0, -3.0, 6.0, 12.0] {
                assert!(!overshoots(kind, gain_db, GENTLE_SHELF_Q), "{kind:?} {gain_db}");
                assert!(overshoots(kind, gain_db, 1.2 * GENTLE_SHELF_Q), "{kind:?} {gain_db}");
            }
        }
    }
}
