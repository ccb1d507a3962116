//! Ticks of the two axes.

/// Ticks that carry a figure, and fine lines between.
#[derive(Debug, Clone, PartialEq)]
pub struct Ticks {
    /// With a figure.
    pub labelled: Vec<f64>,
    /// Without.
    pub fine: Vec<f64>,
}

/// Frequencies a tuner expects: 20 50 100 … 20k; closer in, every whole digit.
pub fn frequency_ticks(from_hz: f64, to_hz: f64) -> Ticks {
    let within = |steps: &[f64]| -> Vec<f64> {
        let mut found = Vec::new();
        for decade in 0..=4 {
            let unit = 10f64.powi(decade);
            found.extend(steps.iter().map(|s| s * unit).filter(|f| (from_hz..=to_hz).contains(f)));
        }
        found
    };
    let digits: Vec<f64> = (1..10).map(f64::from).collect();
    let halves: Vec<f64> = (10..100).map(|n| f64::from(n) / 10.0).collect();
    let coarse = within(&[1.0, 2.0, 5.0]);
    if coarse.len() >= 4 {
        return Ticks { labelled: coarse, fine: within(&digits) };
    }
    let whole = within(&digits);
    if whole.len() >= 3 {
        return Ticks { labelled: whole, fine: within(&halves) };
    }
    Ticks { labelled: within(&halves), fine: Vec::new() }
}

/// Levels every 5 or 10 dB; every 1 or 2 once looked at closely.
pub fn level_ticks(bottom_db: f64, top_db: f64, height_points: f32) -> Ticks {
    let least_db = 28.0 * (top_db - bottom_db) / f64::from(height_points.max(1.0));
    let usual = if top_db - bottom_db > 25.0 { 5.0 } else { 1.0 };
    let step = [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|s| *s >= least_db.max(usual)).unwrap_or(50.0);
    let first = (bottom_db / step).ceil() as i64;
    let last = (top_db / step).floor() as i64;
    Ticks { labelled: (first..=last).map(|n| n as f64 * step).collect(), fine: Vec::new() }
}

/// `20`, `500`, `1k`, `1.5k`, `20k`.
pub fn short_frequency(hz: f64) -> String {
    if hz >= 1000.0 { format!("{}k", trimmed(hz / 1000.0)) } else { trimmed(hz) }
}

/// `80 Hz`, `3.1 kHz`.
pub fn frequency_words(hz: f64) -> String {
    if hz >= 1000.0 { format!("{} kHz", trimmed(hz / 1000.0)) } else { format!("{} Hz", trimmed(hz)) }
}

fn trimmed(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A figure with a real minus sign.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| c == '0' || c == '.') => digits.to_owned(),
        Some(digits) => format!("−{digits}"),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_axis_has_the_usual_ten_figures() {
        let labels: Vec<String> =
            frequency_ticks(20.0, 20_000.0).labelled.into_iter().map(short_frequency).collect();
        assert_eq!(labels, ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]);
    }

    #[test]
    fn close_in_there_are_still_figures() {
        let labels: Vec<String> =
            frequency_ticks(90.0, 130.0).labelled.into_iter().map(short_frequency).collect();
        assert_eq!(
            labels,
            ["90", "91", "92", "93", "94", "95", "96", "97", "98", "99", "100", "110", "120", "130"]
        );
        assert!(frequency_ticks(1500.0, 4500.0).labelled.contains(&3000.0));
    }

    #[test]
    fn levels_step_by_five_or_ten_when_all_is_seen() {
        assert_eq!(level_ticks(-35.0, 15.0, 500.0).labelled.len(), 11);
        assert_eq!(level_ticks(-35.0, 15.0, 240.0).labelled, [-30.0, -20.0, -10.0, 0.0, 10.0]);
    }

    #[test]
    fn zero_has_no_sign_and_minus_is_a_minus() {
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(-3.25, 1), "−3.2");
        assert_eq!(signed(4.0, 1), "4.0");
    }
}
