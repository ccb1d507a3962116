//! How long a sound level may be listened to.
//!
//! NIOSH Publication 98-126 (1998), *Criteria for a Recommended Standard: Occupational Noise Exposure*: 85 dB(A) for
//! eight hours, halved for every 3 dB (equations from memory, as the reference table says of itself). It is a limit for
//! work, not a promise of safety; for other rules ask the local authority.

/// The recommended exposure limit for eight hours.
pub const LIMIT_DBA: f64 = 85.0;

/// No exposure above this level, however short.
pub const CEILING_DBA: f64 = 140.0;

/// Hours in which `level_dba` uses up the daily limit: `8 / 2^((L − 85) / 3)`.
///
/// More than eight hours below 85 dB(A); 0 above the ceiling; infinite where there is no sound (−∞).
pub fn safe_hours(level_dba: f64) -> f64 {
    if level_dba > CEILING_DBA { 0.0 } else { 8.0 / ((level_dba - LIMIT_DBA) / 3.0).exp2() }
}

/// Daily dose in percent of stretches `(level_dba, hours)`: `100 Σ C / T`.
pub fn dose_percent(stretches: &[(f64, f64)]) -> f64 {
    100.0 * stretches.iter().map(|&(level_dba, hours)| hours / safe_hours(level_dba)).sum::<f64>()
}

/// Level that gives `dose_percent` over eight hours: `10 lg(D / 100) + 85`, as NIOSH writes it.
pub fn time_weighted_average_dba(dose_percent: f64) -> f64 {
    10.0 * (dose_percent / 100.0).log10() + LIMIT_DBA
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/noise_exposure.json: formulas from memory, values computed to full precision; and the rounded
    /// durations of the publication's table, from memory, rounded to seconds or minutes.
    #[test]
    fn exposure_agrees_with_the_table() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/noise_exposure.json")).unwrap();
        for row in table["rows"].as_array().unwrap() {
            let expected = row["T_niosh_h"].as_f64().unwrap();
            assert!((safe_hours(row["L_dBA"].as_f64().unwrap()) / expected - 1.0).abs() < 1e-12);
        }
        for case in table["cases"].as_array().unwrap() {
            let stretches: Vec<(f64, f64)> = serde_json::from_value(case["segments_dBA_h"].clone()).unwrap();
            let dose = dose_percent(&stretches);
            assert!((dose / case["dose_pct_niosh"].as_f64().unwrap() - 1.0).abs() < 1e-12);
            let average = case["TWA_niosh"].as_f64().unwrap();
            assert!((time_weighted_average_dba(dose) - average).abs() < 1e-9);
        }
        for (level_dba, seconds, rounding) in [
            (88.0, 14_400.0, 0.5),
            (94.0, 3600.0, 0.5),
            (106.0, 225.0, 0.5),
            (109.0, 113.0, 0.5),
            (115.0, 28.0, 0.5),
        ] {
            assert!((safe_hours(level_dba) * 3600.0 - seconds).abs() <= rounding, "{level_dba}");
        }
        assert_eq!(safe_hours(141.0), 0.0);
    }
}
