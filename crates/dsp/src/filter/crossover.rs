//! Crossover low-passes and high-passes as cascades of first- and second-order stages.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::{FilterError, Prototype, Warp, check_frequency};
use crate::tune::{Biquad, Crossover, CrossoverFamily, Pass};

/// Orders that are built.
const HIGHEST_ORDER: u8 = 8;

/// Low-pass stages of a Butterworth filter with its −3 dB point at 1, lowest Q first (Butterworth 1930; poles evenly
/// spaced on the left half of the unit circle).
pub fn butterworth_stages(order: u8) -> Vec<Prototype> {
    let n = usize::from(order);
    let first = (n % 2 == 1).then(|| low_pass_first_order(1.0));
    let second = (0..n / 2).rev().map(|k| {
        let angle = PI * (2 * k + 1) as f64 / (2 * n) as f64;
        low_pass_second_order(1.0, 1.0 / (2.0 * angle.sin()))
    });
    first.into_iter().chain(second).collect()
}

/// Low-pass stages of a Bessel filter with its −3 dB point at 1 (Thomson 1949; the poles are the zeros of the
/// reverse Bessel polynomial, scaled so that the level at the crossover frequency is −3.01 dB).
pub fn bessel_stages(order: u8) -> Vec<Prototype> {
    let coefficients = reverse_bessel_polynomial(usize::from(order));
    let roots = roots(&coefficients);
    let level = |w: f64| -> f64 {
        let s = Complex64::new(0.0, w);
        roots.iter().map(|p| (p.norm() / (s - p).norm()).ln()).sum()
    };
    let half_power = -0.5 * std::f64::consts::LN_2;
    let (mut low, mut high) = (0.1, 10.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if level(middle) > half_power { low = middle } else { high = middle }
    }
    let scale = 0.5 * (low + high);
    // A zero of an odd order is real; the rest come in pairs, of which the upper half is kept.
    let mut stages: Vec<(f64, Prototype)> = Vec::new();
    for pole in roots.iter().map(|p| p / scale) {
        if pole.im.abs() < 1e-9 {
            stages.push((0.5, low_pass_first_order(pole.norm())));
        } else if pole.im > 0.0 {
            let q = pole.norm() / (-2.0 * pole.re);
            stages.push((q, low_pass_second_order(pole.norm(), q)));
        }
    }
    stages.sort_by(|a, b| a.0.total_cmp(&b.0));
    stages.into_iter().map(|(_, stage)| stage).collect()
}

/// The stages of a crossover filter, its frequency at 1.
///
/// Linkwitz–Riley of order 2N is Butterworth of order N twice (Linkwitz & Riley 1976), −6 dB at its frequency; the
/// others are −3 dB there. A high-pass is the low-pass with `s` turned into `1/s`.
///
/// # Errors
/// When the family has no such order.
pub fn crossover_stages(crossover: &Crossover) -> Result<Vec<Prototype>, FilterError> {
    let Crossover { family, order, pass, .. } = *crossover;
    let known = match family {
        CrossoverFamily::Butterworth | CrossoverFamily::Bessel => (1..=HIGHEST_ORDER).contains(&order),
        CrossoverFamily::LinkwitzRiley => (2..=HIGHEST_ORDER).contains(&order) && order % 2 == 0,
    };
    if !known {
        return Err(FilterError::Order { family, order });
    }
    let mut stages = match family {
        CrossoverFamily::Butterworth => butterworth_stages(order),
        CrossoverFamily::Bessel => bessel_stages(order),
        CrossoverFamily::LinkwitzRiley if order == 2 => vec![low_pass_second_order(1.0, 0.5)],
        CrossoverFamily::LinkwitzRiley => {
            [butterworth_stages(order / 2), butterworth_stages(order / 2)].concat()
        }
    };
    if pass == Pass::High {
        stages = stages.into_iter().map(turned).collect();
    }
    Ok(stages)
}

/// How many first- and second-order stages [`crossover_stages`] makes of a family and order.
pub fn stages_of(family: CrossoverFamily, order: u8) -> usize {
    match family {
        CrossoverFamily::LinkwitzRiley if order == 2 => 1,
        CrossoverFamily::LinkwitzRiley => 2 * usize::from(order / 2).div_ceil(2),
        CrossoverFamily::Butterworth | CrossoverFamily::Bessel => usize::from(order).div_ceil(2),
    }
}

/// Coefficients of a crossover filter at a sample rate; first-order stages have `b2 = a2 = 0`.
///
/// # Errors
/// When the family has no such order or the frequency is not between 0 and half the rate.
pub fn crossover_biquads(crossover: &Crossover, rate_hz: f64) -> Result<Vec<Biquad>, FilterError> {
    check_frequency(crossover.frequency_hz, rate_hz)?;
    let corner = Warp::new(rate_hz).tangent(crossover.frequency_hz);
    Ok(crossover_stages(crossover)?.iter().map(|stage| stage.biquad(corner)).collect())
}

fn low_pass_first_order(corner: f64) -> Prototype {
    Prototype { n: [1.0, 0.0, 0.0], d: [1.0, 1.0 / corner, 0.0] }
}

fn low_pass_second_order(corner: f64, q: f64) -> Prototype {
    Prototype { n: [1.0, 0.0, 0.0], d: [1.0, 1.0 / (corner * q), 1.0 / (corner * corner)] }
}

/// `s → 1/s`: the coefficients in reverse, as a first- or second-order filter.
fn turned(low_pass: Prototype) -> Prototype {
    let Prototype { n, d } = low_pass;
    if d[2] == 0.0 {
        Prototype { n: [n[1], n[0], 0.0], d: [d[1], d[0], 0.0] }
    } else {
        Prototype { n: [n[2], n[1], n[0]], d: [d[2], d[1], d[0]] }
    }
}

/// `θ_n(s) = Σ (2n−k)! / ((n−k)! k! 2^(n−k)) s^k`, ascending powers.
fn reverse_bessel_polynomial(n: usize) -> Vec<f64> {
    let factorial = |k: usize| (1..=k).map(|i| i as f64).product::<f64>();
    (0..=n)
        .map(|k| factorial(2 * n - k) / (factorial(n - k) * factorial(k) * 2f64.powi((n - k) as i32)))
        .collect()
}

/// All roots of a real polynomial (ascending powers, leading coefficient 1) by simultaneous iteration (Weierstrass).
fn roots(coefficients: &[f64]) -> Vec<Complex64> {
    let n = coefficients.len() - 1;
    let radius = coefficients[0].powf(1.0 / n as f64);
    let value = |x: Complex64| coefficients.iter().rev().fold(Complex64::ZERO, |sum, &c| sum * x + c);
    // Off the axes and unevenly turned, so that no start is another's mirror image.
    let mut at: Vec<Complex64> =
        (0..n).map(|k| Complex64::from_polar(radius, 0.4 + 2.0 * PI * k as f64 / n as f64)).collect();
    for _ in 0..200 {
        for i in 0..n {
            let x = at[i];
            let others: Complex64 = (0..n).filter(|&j| j != i).map(|j| x - at[j]).product();
            at[i] = x - value(x) / others;
        }
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;
    use serde_json::Value;

    const RATE_HZ: f64 = 48_000.0;

    fn filter(family: CrossoverFamily, order: u8, pass: Pass, frequency_hz: f64) -> Vec<Biquad> {
        crossover_biquads(&Crossover { pass, family, order, frequency_hz }, RATE_HZ).unwrap()
    }

    fn response(biquads: &[Biquad], f: f64) -> Complex64 {
        biquads.iter().map(|b| b.response(f, RATE_HZ)).product()
    }

    fn db(x: f64) -> f64 {
        20.0 * x.log10()
    }

    fn family_named(name: &str) -> CrossoverFamily {
        match name {
            "butterworth" => CrossoverFamily::Butterworth,
            "linkwitz-riley" => CrossoverFamily::LinkwitzRiley,
            _ => panic!("{name}"),
        }
    }

    /// tests/reference/crossovers.json, SciPy 1.17.1; sums as in Linkwitz & Riley, JAES 24 (1976).
    #[test]
    fn levels_and_sums_match_the_reference_table() {
        let table: Value =
            serde_json::from_str(include_str!("../../../../tests/reference/crossovers.json")).unwrap();
        for case in table["cases"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64().unwrap();
            let family = family_named(case["family"].as_str().unwrap());
            let (order, fc) = (number("order") as u8, number("fc"));
            let low = filter(family, order, Pass::Low, fc);
            let high = filter(family, order, Pass::High, fc);
            // Coefficients of an eighth-order cascade at 80 Hz lose about seven digits at the corner.
            assert!((db(response(&low, fc).norm()) - number("mag_at_fc_db")).abs() < 1e-6, "{case}");
            assert!((db(response(&high, fc).norm()) - number("hp_at_fc_db")).abs() < 1e-6, "{case}");
            let sign = if case["highpass_polarity"] == "inverted" { -1.0 } else { 1.0 };
            if family == CrossoverFamily::LinkwitzRiley {
                for f in log_grid_hz(20.0, 20_000.0, 12.0) {
                    let sum = response(&low, f) + sign * response(&high, f);
                    assert!(db(sum.norm()).abs() < 1e-5, "{case} sums to {} dB at {f} Hz", db(sum.norm()));
                }
                for point in case["lp_hp_db_at_multiples"].as_array().unwrap() {
                    let at = |i: usize| point[i].as_f64().unwrap();
                    let f = fc * at(0);
                    assert!((db(response(&low, f).norm()) - at(1)).abs() < 1e-4, "{case}");
                    assert!((db(response(&high, f).norm()) - at(2)).abs() < 1e-4, "{case}");
                }
            } else {
                for f in log_grid_hz(20.0, 20_000.0, 12.0) {
                    let power = response(&low, f).norm_sqr() + response(&high, f).norm_sqr();
                    assert!((10.0 * power.log10()).abs() < 1e-5, "{case} power {power} at {f}");
                    if order % 2 == 1 {
                        let sum = response(&low, f) + response(&high, f);
                        assert!(db(sum.norm()).abs() < 1e-5, "{case} at {f}");
                    }
                }
            }
        }
    }

    /// tests/reference/crossovers.json: poles from SciPy 1.17.1 `signal.besselap(norm='mag')`.
    #[test]
    fn bessel_poles_match_the_reference_table() {
        let table: Value =
            serde_json::from_str(include_str!("../../../../tests/reference/crossovers.json")).unwrap();
        for case in table["bessel_analog"].as_array().unwrap() {
            let order = case["order"].as_u64().unwrap() as u8;
            let stages = bessel_stages(order);
            for pole in case["poles_mag"].as_array().unwrap() {
                let s = Complex64::new(pole[0].as_f64().unwrap(), pole[1].as_f64().unwrap());
                let nearest = stages
                    .iter()
                    .map(|p| (p.d[0] + s * (p.d[1] + s * p.d[2])).norm())
                    .fold(f64::INFINITY, f64::min);
                assert!(nearest < 1e-8, "order {order}: {s} is {nearest} from a pole");
            }
            let corner: Complex64 = stages.iter().map(|p| p.response(1.0)).product();
            assert!((db(corner.norm()) + 10.0 * 2f64.log10()).abs() < 1e-9);
        }
    }

    #[test]
    fn first_order_stages_have_no_second_order_terms() {
        for pass in [Pass::Low, Pass::High] {
            let biquads = filter(CrossoverFamily::Butterworth, 3, pass, 2_500.0);
            assert_eq!(biquads.len(), 2);
            assert_eq!((biquads[0].b[2], biquads[0].a[2]), (0.0, 0.0));
        }
    }

    #[test]
    fn stages_are_counted_as_they_are_made() {
        for family in [CrossoverFamily::LinkwitzRiley, CrossoverFamily::Butterworth, CrossoverFamily::Bessel]
        {
            for order in 1..=8 {
                let crossover = Crossover { pass: Pass::Low, family, order, frequency_hz: 100.0 };
                if let Ok(stages) = crossover_stages(&crossover) {
                    assert_eq!(stages.len(), stages_of(family, order), "{family} {order}");
                }
            }
        }
    }

    #[test]
    fn unknown_orders_are_refused() {
        for (family, order) in [
            (CrossoverFamily::LinkwitzRiley, 3),
            (CrossoverFamily::LinkwitzRiley, 0),
            (CrossoverFamily::Butterworth, 0),
            (CrossoverFamily::Bessel, 9),
        ] {
            let crossover = Crossover { pass: Pass::Low, family, order, frequency_hz: 100.0 };
            assert!(crossover_biquads(&crossover, RATE_HZ).is_err());
        }
    }
}
