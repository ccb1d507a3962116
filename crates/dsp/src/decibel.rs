//! Sums and means of levels.

/// Level of a power ratio.
pub fn of_power(power: f64) -> f64 {
    10.0 * power.log10()
}

/// Power ratio of a level.
pub fn power_of(level_db: f64) -> f64 {
    10f64.powf(level_db / 10.0)
}

/// Level of an amplitude ratio.
pub fn of_amplitude(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// Amplitude ratio of a level.
pub fn amplitude_of(level_db: f64) -> f64 {
    10f64.powf(level_db / 20.0)
}

/// Level of several uncorrelated sounds together; −∞ for none.
pub fn sum(levels_db: &[f64]) -> f64 {
    of_power(levels_db.iter().map(|&l| power_of(l)).sum())
}

/// Level of the mean power; NaN for none.
pub fn mean(levels_db: &[f64]) -> f64 {
    of_power(levels_db.iter().map(|&l| power_of(l)).sum::<f64>() / levels_db.len() as f64)
}

/// What is left of `total_db` without an uncorrelated part `part_db`; −∞ where the part is as large as the whole.
pub fn without(total_db: f64, part_db: f64) -> f64 {
    of_power((power_of(total_db) - power_of(part_db)).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/averaging_noise.json: `acoustics_tests` transcribed from the tests of the open Python package
    /// acoustics 0.2.6, given to nine digits or four decimals; `db_sums` and `averaging_kinds` computed.
    #[test]
    fn sums_and_means_agree_with_the_reference_table() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/averaging_noise.json")).unwrap();
        let numbers = |v: &serde_json::Value| -> Vec<f64> {
            v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
        };
        let quoted = &table["acoustics_tests"];
        assert!((mean(&numbers(&quoted["leq_of"])) - quoted["leq"].as_f64().unwrap()).abs() < 1e-8);
        assert!((sum(&[10.0, 10.0]) - quoted["dbsum_10_10"].as_f64().unwrap()).abs() < 1e-4);
        assert!((without(13.0103, 10.0) - quoted["dbsub_13_0103_10"].as_f64().unwrap()).abs() < 1e-4);
        for row in table["db_sums"].as_array().unwrap() {
            let levels = numbers(&row["levels"]);
            if let Some(expected) = row["sum"].as_f64() {
                assert!((sum(&levels) - expected).abs() < 1e-9);
            }
            assert!((mean(&levels) - row["mean"].as_f64().unwrap()).abs() < 1e-9);
        }
        assert_eq!(sum(&[]), f64::NEG_INFINITY);
        assert_eq!(without(50.0, 60.0), f64::NEG_INFINITY);
    }
}
