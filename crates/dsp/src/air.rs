//! The air in the cabin.

/// Speed of sound in m/s at `temperature_c`, in dry air by ISO 9613-1: `343.2 √(T / 293.15 K)`.
///
/// Humidity adds up to 0.4 % in a hot damp cabin, 4 mm in a metre. Below absolute zero the result is 0.
pub fn speed_of_sound_m_s(temperature_c: f64) -> f64 {
    343.2 * ((temperature_c + 273.15).max(0.0) / 293.15).sqrt()
}

/// Absorption of sound by air at 101.325 kPa in dB per metre, by ISO 9613-1 (equations 3 to 5 and annex B).
///
/// `frequency_hz` 50 to 10 000, `temperature_c` −20 to 50, `humidity_percent` 10 to 100 are the standard's range.
pub fn absorption_db_per_m(frequency_hz: f64, temperature_c: f64, humidity_percent: f64) -> f64 {
    let kelvin = temperature_c + 273.15;
    let relative = kelvin / 293.15;
    let saturation = 10f64.powf(-6.8346 * (273.16 / kelvin).powf(1.261) + 4.6151);
    let molar_percent = humidity_percent * saturation;
    let oxygen_hz = 24.0 + 4.04e4 * molar_percent * (0.02 + molar_percent) / (0.391 + molar_percent);
    let nitrogen_hz = relative.powf(-0.5)
        * (9.0 + 280.0 * molar_percent * (-4.170 * (relative.powf(-1.0 / 3.0) - 1.0)).exp());
    let square = frequency_hz * frequency_hz;
    let relaxation = |strength: f64, kelvin_0: f64, relaxation_hz: f64| {
        strength * (-kelvin_0 / kelvin).exp() / (relaxation_hz + square / relaxation_hz)
    };
    8.686
        * square
        * (1.84e-11 * relative.sqrt()
            + relative.powf(-2.5)
                * (relaxation(0.01275, 2239.1, oxygen_hz) + relaxation(0.1068, 3352.0, nitrogen_hz)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/speed_of_sound.json, column `c_iso9613_1`, computed from ISO 9613-1 to full precision; the
    /// textbook form differs by 0.02 m/s at most.
    #[test]
    fn speed_of_sound_agrees_with_the_table() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/speed_of_sound.json")).unwrap();
        for row in table["rows"].as_array().unwrap() {
            let c = speed_of_sound_m_s(row["T_C"].as_f64().unwrap());
            assert!((c - row["c_iso9613_1"].as_f64().unwrap()).abs() < 1e-9);
            assert!((c - row["c_331_3_sqrt"].as_f64().unwrap()).abs() < 0.02);
        }
        assert_eq!(speed_of_sound_m_s(-300.0), 0.0);
    }

    /// tests/reference/iso9613_1_absorption.json: ISO 9613-1 Table 1, transcribed, three digits, dB per km. The
    /// standard tabulates at exact midbands (base 10) under nominal names, and rounds to three digits: 0.5 % is one
    /// rounding step at 1.00, and 0.1 % more for the constants.
    #[test]
    fn absorption_agrees_with_the_table() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/iso9613_1_absorption.json")).unwrap();
        for row in table["rows"].as_array().unwrap() {
            let row: Vec<f64> = row.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
            for (i, expected) in row[2..].iter().enumerate() {
                let exact_hz = 1000.0 * 10f64.powf((i as f64 - 13.0) / 10.0);
                let got = 1000.0 * absorption_db_per_m(exact_hz, row[0], row[1]);
                assert!(
                    (got / expected - 1.0).abs() < 6e-3,
                    "{exact_hz} Hz, {row:?}: {got} against {expected}"
                );
            }
        }
    }
}
