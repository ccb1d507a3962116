//! Which side of the music feeds an output, and what its level does with the signal's.

use rustfft::num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// What feeds an output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// The left side alone.
    Left,
    /// The right side alone.
    Right,
    /// Both alike.
    Sum,
    /// One side against the other.
    Difference,
    /// Both, in another mix.
    Mix,
}

/// One side counts as silent this far under the other.
const SILENT_DB: f64 = 26.0;
/// Sides within this of one another count as alike.
const ALIKE_DB: f64 = 1.0;
/// The share of the right side's response that is the left's, turned over or not, from which they are the same.
const SAME: f64 = 0.97;

/// Tells the side from an output's responses to the left and the right side alone, on the same bins of its band.
///
/// `None` where neither is heard.
pub fn side_of(left: &[Complex64], right: &[Complex64]) -> Option<Side> {
    let power = |bins: &[Complex64]| bins.iter().map(|h| h.norm_sqr()).sum::<f64>();
    let (of_left, of_right) = (power(left), power(right));
    if of_left + of_right <= 0.0 {
        return None;
    }
    let apart_db = 10.0 * (of_right.max(1e-300) / of_left.max(1e-300)).log10();
    let common = left.iter().zip(right).map(|(l, r)| r * l.conj()).sum::<Complex64>();
    let same = common.re / (of_left * of_right).sqrt().max(1e-300);
    Some(match apart_db {
        db if db > SILENT_DB => Side::Right,
        db if db < -SILENT_DB => Side::Left,
        db if db.abs() < ALIKE_DB && same > SAME => Side::Sum,
        db if db.abs() < ALIKE_DB && same < -SAME => Side::Difference,
        _ => Side::Mix,
    })
}

/// By how much an output's level falls behind the signal's when both sides play at full level, against the sum of its
/// responses to each side alone at a lower level; rms-weighted over the bins, in dB, negative when it compresses.
///
/// `None` for an output that the two sides cancel in.
pub fn compression_db(both: &[Complex64], left: &[Complex64], right: &[Complex64]) -> Option<f64> {
    let sum = left.iter().zip(right).map(|(l, r)| (l + r).norm_sqr()).sum::<f64>();
    let alone: f64 = left.iter().chain(right).map(|h| h.norm_sqr()).sum();
    let heard: f64 = both.iter().map(|h| h.norm_sqr()).sum();
    (sum > 0.05 * alone && heard > 0.0).then(|| 10.0 * (heard / sum).log10())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed forms: the sides of `aL + bR` for known a and b.
    #[test]
    fn each_mix_has_its_name() {
        let response: Vec<Complex64> =
            (0..64).map(|k| Complex64::from_polar(1.0, 0.3 * f64::from(k))).collect();
        let times = |a: f64| response.iter().map(|h| h * a).collect::<Vec<_>>();
        for (l, r, side) in [
            (1.0, 0.0, Side::Left),
            (0.01, 1.0, Side::Right),
            (0.5, 0.5, Side::Sum),
            (0.7, -0.7, Side::Difference),
            (1.0, 0.4, Side::Mix),
            (1.0, -0.4, Side::Mix),
        ] {
            assert_eq!(side_of(&times(l), &times(r)), Some(side));
        }
        assert_eq!(side_of(&[], &[]), None);
        // A limiter that takes 3 dB off.
        let limited = compression_db(&times(0.708), &times(0.5), &times(0.5)).unwrap();
        assert!((limited + 3.0).abs() < 0.01, "{limited}");
        assert_eq!(compression_db(&times(0.0), &times(0.5), &times(-0.5)), None);
    }
}
