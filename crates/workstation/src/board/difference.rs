//! Where before and after differ by more than their intervals, and where they do not.

use dsp::curve::{Curve, log_grid_hz};

use super::view::{HIGHEST_HZ, LOWEST_HZ};

/// A stretch of the axis within which before and after can, or cannot, be told apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// Lower edge.
    pub from_hz: f64,
    /// Upper edge.
    pub to_hz: f64,
    /// True where the two ribbons do not touch.
    pub distinct: bool,
}

/// Stretches over the range that both curves cover; empty when either lacks its interval.
///
/// The two are called distinct where they lie further apart than the sum of their 95 % half-widths, that is, where the
/// ribbons on the board do not touch.
pub fn differences(before: &Curve, after: &Curve) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    let grid = log_grid_hz(LOWEST_HZ, HIGHEST_HZ, 24.0);
    for pair in grid.windows(2) {
        let &[from_hz, to_hz] = pair else { continue };
        let middle_hz = (from_hz * to_hz).sqrt();
        let (Some(a), Some(b), Some(spread_a), Some(spread_b)) = (
            before.level_at_db(middle_hz),
            after.level_at_db(middle_hz),
            before.spread_at_db(middle_hz),
            after.spread_at_db(middle_hz),
        ) else {
            continue;
        };
        let distinct = (a - b).abs() > spread_a + spread_b;
        match found.last_mut() {
            Some(last) if last.distinct == distinct && last.to_hz == from_hz => last.to_hz = to_hz,
            _ => found.push(Stretch { from_hz, to_hz, distinct }),
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(levels: [f64; 3], spread: f64) -> Curve {
        let mut curve = Curve::of_levels(vec![20.0, 1000.0, 20_000.0], levels.to_vec());
        curve.spread_db = Some(vec![spread; 3]);
        curve
    }

    #[test]
    fn touching_ribbons_are_never_a_difference() {
        assert!(differences(&curve([0.0; 3], 1.0), &curve([1.9; 3], 1.0)).iter().all(|s| !s.distinct));
        assert!(differences(&curve([0.0; 3], 1.0), &curve([2.1; 3], 1.0)).iter().all(|s| s.distinct));
    }

    #[test]
    fn a_crossing_makes_three_stretches() {
        let found = differences(&curve([-6.0, 0.0, 6.0], 1.0), &curve([0.0; 3], 1.0));
        let kinds: Vec<bool> = found.iter().map(|s| s.distinct).collect();
        assert_eq!(kinds, [true, false, true]);
    }

    #[test]
    fn without_an_interval_nothing_is_claimed() {
        let bare = Curve::of_levels(vec![20.0, 20_000.0], vec![0.0, 0.0]);
        assert!(differences(&bare, &curve([9.0; 3], 1.0)).is_empty());
    }
}
