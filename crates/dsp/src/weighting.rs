//! Frequency weightings A, C and Z.

use serde::{Deserialize, Serialize};

/// A frequency weighting of IEC 61672-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Weighting {
    /// Close to the ear at low level; for hearing conservation and noise.
    A,
    /// Nearly flat; shows the bass that A hides.
    C,
    /// Flat.
    Z,
}

// Pole frequencies, IEC 61672-1:2013 annex E.
const F1_HZ: f64 = 20.598_997_057_618_316;
const F2_HZ: f64 = 107.652_648_643_046_29;
const F3_HZ: f64 = 737.862_230_736_29;
const F4_HZ: f64 = 12_194.217_147_998_012;

impl Weighting {
    /// The weighting in dB at `frequency_hz` (IEC 61672-1:2013 annex E, 0 dB at 1 kHz); −∞ at 0 Hz for A and C.
    pub fn level_db(self, frequency_hz: f64) -> f64 {
        let of = |hz: f64| 20.0 * self.amplitude(hz).log10();
        if self == Self::Z { 0.0 } else { of(frequency_hz) - of(1000.0) }
    }

    /// Not yet normalised.
    fn amplitude(self, frequency_hz: f64) -> f64 {
        let square = frequency_hz * frequency_hz;
        let c = F4_HZ * F4_HZ * square / ((square + F1_HZ * F1_HZ) * (square + F4_HZ * F4_HZ));
        match self {
            Self::C => c,
            Self::A => c * square / ((square + F2_HZ * F2_HZ).sqrt() * (square + F3_HZ * F3_HZ).sqrt()),
            Self::Z => 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/iec61672_weighting.json: IEC 61672-1:2013 Table 3, transcribed to one decimal (three sources
    /// agree digit for digit), and annex E evaluated to full precision. The table's own distance from its formula is
    /// up to 0.0497 dB, half its last digit.
    #[test]
    fn weightings_agree_with_the_table() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/iec61672_weighting.json")).unwrap();
        for row in table["rows"].as_array().unwrap() {
            let number = |key: &str| row[key].as_f64().unwrap();
            let hz = number("exact_hz");
            for (weighting, rounded, exact) in
                [(Weighting::A, "A_db", "A_exact_db"), (Weighting::C, "C_db", "C_exact_db")]
            {
                let level_db = weighting.level_db(hz);
                assert!((level_db - number(rounded)).abs() <= 0.05, "{weighting:?} at {hz}");
                assert!((level_db - number(exact)).abs() < 1e-9, "{weighting:?} at {hz}");
            }
            assert_eq!(Weighting::Z.level_db(hz), number("Z_db"));
        }
        assert_eq!(Weighting::A.level_db(0.0), f64::NEG_INFINITY);
    }
}
