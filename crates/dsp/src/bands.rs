//! Octave and third-octave bands of IEC 61260-1.

use serde::{Deserialize, Serialize};

use crate::spectrum::{RealTransform, bin_hz, fast_length};

/// The octave ratio `G = 10^(3/10)` of IEC 61260-1:2014, 5.2.
const OCTAVE_RATIO: f64 = 1.995_262_314_968_879_5;

/// Names of third-octave bands in one decade, ISO 266.
const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

/// Width of a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Width {
    /// One octave.
    Octave,
    /// A third of an octave.
    ThirdOctave,
}

impl Width {
    fn per_octave(self) -> f64 {
        match self {
            Self::Octave => 1.0,
            Self::ThirdOctave => 3.0,
        }
    }
}

/// One band. Index 0 lies at 1 kHz.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// Width of the band.
    pub width: Width,
    /// Bands above (or, negative, below) 1 kHz.
    pub index: i32,
    /// What the band is called.
    pub nominal_hz: f64,
    /// Exact midband frequency, `1000 · G^(index / b)`.
    pub exact_hz: f64,
    /// Lower edge.
    pub lower_hz: f64,
    /// Upper edge.
    pub upper_hz: f64,
}

impl Band {
    /// The band of `width` at `index` (IEC 61260-1:2014, 5.4 and 5.6).
    pub fn new(width: Width, index: i32) -> Self {
        let b = width.per_octave();
        let exact_hz = 1000.0 * OCTAVE_RATIO.powf(f64::from(index) / b);
        let edge = OCTAVE_RATIO.powf(0.5 / b);
        let thirds = match width {
            Width::Octave => 3 * index,
            Width::ThirdOctave => index,
        };
        let decade = 10f64.powi(3 + thirds.div_euclid(10));
        let nominal_hz = NOMINAL.get(thirds.rem_euclid(10) as usize).map_or(exact_hz, |name| name * decade);
        Self { width, index, nominal_hz, exact_hz, lower_hz: exact_hz / edge, upper_hz: exact_hz * edge }
    }

    /// Every band of `width` that lies wholly within `from_hz..=to_hz`, ascending.
    pub fn within(width: Width, from_hz: f64, to_hz: f64) -> Vec<Self> {
        (-40..=20)
            .map(|index| Self::new(width, index))
            .filter(|band| band.lower_hz >= from_hz && band.upper_hz <= to_hz)
            .collect()
    }

    /// Every band of `width` whose midband frequency lies within `from_hz..=to_hz`, ascending.
    pub fn centred_within(width: Width, from_hz: f64, to_hz: f64) -> Vec<Self> {
        (-40..=20)
            .map(|index| Self::new(width, index))
            .filter(|band| (from_hz..=to_hz).contains(&band.exact_hz))
            .collect()
    }

    /// Power response of a third-order Butterworth band-pass on this band; it meets class 1 of IEC 61260-1:2014.
    pub fn power_response(&self, frequency_hz: f64) -> f64 {
        if frequency_hz <= 0.0 {
            return 0.0;
        }
        let ratio = frequency_hz / self.exact_hz;
        let edge = self.upper_hz / self.exact_hz;
        1.0 / (1.0 + ((ratio - 1.0 / ratio) / (edge - 1.0 / edge)).powi(6))
    }

    /// `signal` through [`Band::power_response`] without phase shift, of the same length.
    pub fn filter(&self, signal: &[f64], rate_hz: f64) -> Vec<f64> {
        // Padding as long as the band rings, about ten cycles of its width, keeps the ends apart.
        let ringing = (10.0 * rate_hz / (self.upper_hz - self.lower_hz)) as usize;
        let plan = RealTransform::new(fast_length(signal.len() + ringing));
        let mut spectrum = plan.forward(signal);
        for (k, bin) in spectrum.iter_mut().enumerate() {
            *bin *= self.power_response(bin_hz(k, plan.length(), rate_hz)).sqrt();
        }
        let mut out = plan.inverse(&spectrum);
        out.truncate(signal.len());
        out
    }

    /// Power in the band between its edges: `power[k]` is the power in bin `k`, at `k · spacing_hz`, each bin taken as
    /// evenly filled to half a spacing on either side.
    pub fn power(&self, power: &[f64], spacing_hz: f64) -> f64 {
        let from = (self.lower_hz / spacing_hz + 0.5).max(0.0);
        let to = self.upper_hz / spacing_hz + 0.5;
        let (first, last) = (from as usize, to as usize);
        power
            .iter()
            .enumerate()
            .take(last.saturating_add(1))
            .skip(first)
            .map(|(k, p)| {
                let inside = (to.min(k as f64 + 1.0) - from.max(k as f64)).max(0.0);
                inside * p
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/reference/iec61260_bands.json")).unwrap()
    }

    /// tests/reference/iec61260_bands.json: midbands and edges computed from IEC 61260-1:2014, 5.2 to 5.5; nominal
    /// names of ISO 266, transcribed.
    #[test]
    fn bands_agree_with_the_table() {
        let table = table();
        for (width, key) in [(Width::Octave, "octave"), (Width::ThirdOctave, "third_octave")] {
            for row in table[key].as_array().unwrap() {
                let band = Band::new(width, row["index"].as_i64().unwrap() as i32);
                for (got, key) in
                    [(band.exact_hz, "exact_hz"), (band.lower_hz, "lower_hz"), (band.upper_hz, "upper_hz")]
                {
                    assert!((got / row[key].as_f64().unwrap() - 1.0).abs() < 1e-12, "{key} {row}");
                }
                assert!((band.nominal_hz / row["nominal_hz"].as_f64().unwrap() - 1.0).abs() < 1e-12, "{row}");
            }
        }
    }

    /// The same file, `mask_2014_*`: class 1 limits of IEC 61260-1:2014 Table 1, transcribed (two sources agree).
    #[test]
    fn the_filters_meet_class_1() {
        let table = table();
        for (width, key) in
            [(Width::Octave, "mask_2014_octave"), (Width::ThirdOctave, "mask_2014_third_octave")]
        {
            let band = Band::new(width, 0);
            for row in table[key].as_array().unwrap() {
                for side in ["omega_high", "omega_low"] {
                    let attenuation_db =
                        -10.0 * band.power_response(band.exact_hz * row[side].as_f64().unwrap()).log10();
                    // Rounding of the break point where two limits meet: 1e-9 dB.
                    if let Some(least) = row["class1_min_att_db"].as_f64() {
                        assert!(attenuation_db >= least - 1e-9, "{key} {row}: {attenuation_db}");
                    }
                    if let Some(most) = row["class1_max_att_db"].as_f64() {
                        assert!(attenuation_db <= most + 1e-9, "{key} {row}: {attenuation_db}");
                    }
                }
            }
        }
    }

    #[test]
    fn white_power_fills_bands_by_their_width() {
        let power = vec![1.0; 24_001];
        for band in Band::within(Width::ThirdOctave, 20.0, 20_000.0) {
            // One unit of power in each 1 Hz bin.
            assert!((band.power(&power, 1.0) - (band.upper_hz - band.lower_hz)).abs() < 1e-9);
        }
    }

    #[test]
    fn a_tone_passes_its_own_band() {
        let rate_hz = 48_000.0;
        let tone: Vec<f64> =
            (0..48_000).map(|n| (std::f64::consts::TAU * 1000.0 * n as f64 / rate_hz).sin()).collect();
        let mid = |x: &[f64]| x[12_000..36_000].iter().map(|v| v * v).sum::<f64>() / 24_000.0;
        let inside = Band::new(Width::ThirdOctave, 0).filter(&tone, rate_hz);
        assert!((mid(&inside) - 0.5).abs() < 1e-3);
        assert!(mid(&Band::new(Width::ThirdOctave, 6).filter(&tone, rate_hz)) < 1e-5);
    }
}
