//! How far a response lies from the target, and how sure that figure is.

use dsp::curve::Curve;
use dsp::target::Target;
use serde::{Deserialize, Serialize};

/// An rms distance from the target with its own uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TargetError {
    /// Rms distance, every octave weighing the same.
    pub value: f64,
    /// Half-width of the 95 % interval of `value`; absent when fewer than two positions were measured.
    pub half_width_95: Option<f64>,
    /// Level of the target's 0 dB line that fits best, on the curve's own scale.
    pub target_level_db: f64,
}

/// Level of the target's 0 dB line that leaves the least squares between `from_hz` and `to_hz`, and the rms
/// distance left; every octave weighs the same. `None` when the curve has no points there.
pub fn fit_target(curve: &Curve, target: &Target, from_hz: f64, to_hz: f64) -> Option<(f64, f64)> {
    let mut weights = Vec::new();
    let mut differences_db = Vec::new();
    for (i, (&f, &level_db)) in curve.frequency_hz.iter().zip(&curve.level_db).enumerate() {
        if !(from_hz..=to_hz).contains(&f) || !level_db.is_finite() {
            continue;
        }
        // Half the distance to both neighbours, in octaves: right for any spacing.
        let below = i.checked_sub(1).and_then(|j| curve.frequency_hz.get(j)).copied().unwrap_or(f);
        let above = curve.frequency_hz.get(i + 1).copied().unwrap_or(f);
        weights.push((above / below).log2() / 2.0);
        differences_db.push(level_db - target.level_at_db(f));
    }
    let total: f64 = weights.iter().sum();
    if total <= 0.0 {
        return None;
    }
    let mean = weights.iter().zip(&differences_db).map(|(w, d)| w * d).sum::<f64>() / total;
    let square =
        weights.iter().zip(&differences_db).map(|(w, d)| w * (d - mean).powi(2)).sum::<f64>() / total;
    Some((mean, square.sqrt()))
}

/// The error of the average over positions, with a jackknife interval over the positions.
///
/// `average` turns a set of position curves into one, the same way every time; `positions` are the curves at each
/// microphone position on one frequency grid. The interval is Student's with one degree of freedom fewer than there
/// are positions (B. Efron, C. Stein, "The Jackknife Estimate of Variance", Annals of Statistics 9, 1981).
pub fn target_error(
    positions: &[Curve],
    average: impl Fn(&[Curve]) -> Option<Curve>,
    target: &Target,
    from_hz: f64,
    to_hz: f64,
) -> Option<TargetError> {
    let (target_level_db, value) = fit_target(&average(positions)?, target, from_hz, to_hz)?;
    let half_width_95 = jackknife_half_width(positions.len(), |left_out| {
        let others = without(positions, left_out);
        Some(fit_target(&average(&others)?, target, from_hz, to_hz)?.1)
    });
    Some(TargetError { value, half_width_95, target_level_db })
}

/// By how much the error fell from `before` to `after`, with its own jackknife interval.
///
/// The same positions in both, in the same order: what a position has by chance is in both, and cancels.
pub fn gained(
    before: &[Curve],
    after: &[Curve],
    average: impl Fn(&[Curve]) -> Option<Curve>,
    target: &Target,
    from_hz: f64,
    to_hz: f64,
) -> Option<(f64, Option<f64>)> {
    if before.len() != after.len() {
        return None;
    }
    let error = |curves: &[Curve]| Some(fit_target(&average(curves)?, target, from_hz, to_hz)?.1);
    let value = error(before)? - error(after)?;
    let half_width = jackknife_half_width(before.len(), |left_out| {
        Some(error(&without(before, left_out))? - error(&without(after, left_out))?)
    });
    Some((value, half_width))
}

fn without(curves: &[Curve], left_out: usize) -> Vec<Curve> {
    curves.iter().enumerate().filter(|&(i, _)| i != left_out).map(|(_, curve)| curve.clone()).collect()
}

/// Half-width of the 95 % interval of a statistic of `n` samples, from its values with one sample left out each.
pub(super) fn jackknife_half_width(n: usize, without: impl Fn(usize) -> Option<f64>) -> Option<f64> {
    if n < 2 {
        return None;
    }
    let values: Vec<f64> = (0..n).map(without).collect::<Option<_>>()?;
    let mean = values.iter().sum::<f64>() / n as f64;
    let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let standard_error = (square * (n - 1) as f64 / n as f64).sqrt();
    Some(student_975(n - 1) * standard_error)
}

/// The 97.5 % quantile of Student's t.
///
/// NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.2 (from memory); normal beyond 30.
fn student_975(degrees_of_freedom: usize) -> f64 {
    const TABLE: [f64; 30] = [
        12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145,
        2.131, 2.120, 2.110, 2.101, 2.093, 2.086, 2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048,
        2.045, 2.042,
    ];
    degrees_of_freedom.checked_sub(1).and_then(|i| TABLE.get(i)).copied().unwrap_or(1.96)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean_of(curves: &[Curve]) -> Option<Curve> {
        let first = curves.first()?;
        let levels = (0..first.len())
            .map(|i| curves.iter().map(|c| c.level_db[i]).sum::<f64>() / curves.len() as f64)
            .collect();
        Some(Curve::of_levels(first.frequency_hz.clone(), levels))
    }

    fn flat() -> Target {
        Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 3.0 }
    }

    #[test]
    fn the_level_is_free_and_the_rms_is_that_of_a_square_wave() {
        let hz = dsp::curve::log_grid_hz(100.0, 1600.0, 24.0);
        let level_db = (0..hz.len()).map(|i| -20.0 + if i % 2 == 0 { 2.0 } else { -2.0 }).collect();
        let (level, rms) = fit_target(&Curve::of_levels(hz, level_db), &flat(), 20.0, 20_000.0).unwrap();
        // 97 points, one more up than down: off by a 97th of the step.
        assert!((level + 20.0).abs() < 0.05, "{level}");
        assert!((rms - 2.0).abs() < 0.01, "{rms}");
    }

    #[test]
    fn a_curve_outside_the_range_has_no_error() {
        let curve = Curve::of_levels(vec![100.0, 200.0], vec![0.0, 0.0]);
        assert_eq!(fit_target(&curve, &flat(), 1000.0, 2000.0), None);
    }

    /// For a statistic that is linear in the positions the jackknife gives the textbook standard error of a mean:
    /// a step of height d has the rms d / 2, and its mean over positions is linear in d.
    #[test]
    fn the_interval_of_a_linear_statistic_is_the_textbook_one() {
        let hz = dsp::curve::log_grid_hz(100.0, 1600.0, 48.0);
        let heights = [4.0, 5.0, 6.0, 7.0, 8.0_f64];
        let curves: Vec<Curve> = heights
            .iter()
            .map(|&d| {
                Curve::of_levels(hz.clone(), hz.iter().map(|&f| if f < 400.0 { d } else { 0.0 }).collect())
            })
            .collect();
        let error = target_error(&curves, mean_of, &flat(), 20.0, 20_000.0).unwrap();
        // Mean height 6, standard deviation sqrt(2.5), of five: 2.776 * sqrt(2.5 / 5) / 2.
        let expected = 2.776 * (2.5_f64 / 5.0).sqrt() / 2.0;
        assert!((error.value - 3.0).abs() < 0.02, "{error:?}");
        assert!((error.half_width_95.unwrap() - expected).abs() < 0.01, "{error:?} against {expected}");
    }

    #[test]
    fn one_position_gives_no_interval() {
        let curve = Curve::of_levels(vec![100.0, 200.0], vec![0.0, 3.0]);
        assert_eq!(target_error(&[curve], mean_of, &flat(), 20.0, 20_000.0).unwrap().half_width_95, None);
    }
}
