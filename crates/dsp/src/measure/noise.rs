//! What noise alone contributes to a response, read from the parts of the deconvolved recording that hold nothing else.

use super::window::{Cut, Heard};
use crate::spectrum::{Complex, smooth_power};
use crate::stimulus::SweepShape;

/// Power of the noise in a gated spectrum, bin by bin, for each repeat.
pub(super) struct Noise {
    pub of_repeat: Vec<Vec<f64>>,
}

/// Harmonics up to here are kept out of the noise.
const HIGHEST_ORDER: usize = 6;
/// The noise is read over bands of this part of an octave.
const PER_OCTAVE: f64 = 6.0;
/// Where such a band would reach the sweep's upper end it is read over bands of this part: the noise rises steeply as the
/// sweep fades out, and a wide band would carry that rise down to where the sweep is whole.
const PER_OCTAVE_AT_END: f64 = 96.0;

impl Noise {
    /// Reads the noise through the same gate at other places: what a steady noise leaves there it also leaves in the
    /// response, since the division spreads it evenly over time.
    pub fn read(heard: &Heard, cut: &Cut, direct: i64, shape: &SweepShape) -> Self {
        let rate = heard.frames_per_s;
        let gate = *cut.gate();
        let opens_s = direct as f64 / rate + gate.after_s;
        let closes_s = heard.length() as f64 / rate - shape.harmonic_advance_s(HIGHEST_ORDER) - 0.1;
        let (first_s, last_s) = (opens_s + gate.before_s, closes_s - gate.after_s);
        let hop_s = 0.75 * (gate.before_s + gate.after_s);
        let count = ((last_s - first_s) / hop_s).floor().max(0.0) as usize + 1;
        let centre = |i: usize| {
            let at_s = if last_s > first_s { first_s + i as f64 * hop_s } else { 0.5 * (first_s + last_s) };
            (at_s * rate) as i64
        };
        let spacing_hz = cut.spacing_hz();
        let at_hz: Vec<f64> = (0..cut.bins()).map(|k| k as f64 * spacing_hz).collect();
        let end_hz = shape.high_hz * (-1.0 / PER_OCTAVE).exp2();
        let end = ((end_hz / spacing_hz) as usize).min(at_hz.len());
        let of_repeat = heard
            .repeats
            .iter()
            .map(|(_, cyclic)| {
                let places: Vec<Vec<f64>> = (0..count)
                    .map(|i| {
                        let power: Vec<f64> =
                            cut.spectrum(cyclic, centre(i)).iter().map(Complex::norm_sqr).collect();
                        let mut wide = smooth_power(&power, spacing_hz, &at_hz, PER_OCTAVE);
                        let narrow = smooth_power(&power, spacing_hz, &at_hz[end..], PER_OCTAVE_AT_END);
                        wide.splice(end.., narrow);
                        wide
                    })
                    .collect();
                (0..cut.bins()).map(|k| usual(places.iter().map(|place| place[k]).collect())).collect()
            })
            .collect();
        Self { of_repeat }
    }

    /// The middle of the repeats, which one spoiled repeat does not move.
    pub fn typical(&self) -> Vec<f64> {
        let bins = self.of_repeat.first().map_or(0, Vec::len);
        (0..bins)
            .map(|k| {
                let mut values: Vec<f64> = self.of_repeat.iter().map(|power| power[k]).collect();
                values.sort_by(f64::total_cmp);
                // The lower middle: of two repeats the quieter.
                values[(values.len() - 1) / 2]
            })
            .collect()
    }
}

/// Mean of the middle half: what is heard at a few places only (a marker, a knock) is not the steady noise.
fn usual(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let quarter = values.len() / 4;
    let middle = &values[quarter..values.len() - quarter];
    middle.iter().sum::<f64>() / middle.len().max(1) as f64
}
