//! What noise alone contributes to a response, read from the parts of the deconvolved recording that hold nothing else.

use std::f64::consts::LN_2;

use super::window::{Cut, Heard};
use crate::spectrum::smooth_power;
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
        let end_hz = shape.high_hz * (-1.0 / PER_OCTAVE).exp2();
        let looked_at = looked_at(cut.bins(), end_hz / spacing_hz);
        let at_hz: Vec<f64> = looked_at.iter().map(|&k| k as f64 * spacing_hz).collect();
        let end = at_hz.partition_point(|&hz| hz < end_hz);
        let of_repeat = heard
            .repeats
            .iter()
            .map(|(_, cyclic)| {
                let places: Vec<Vec<f64>> = (0..count)
                    .map(|i| {
                        let power = cut.power(cyclic, centre(i));
                        let mut wide = smooth_power(&power, spacing_hz, &at_hz, PER_OCTAVE);
                        let narrow = smooth_power(&power, spacing_hz, &at_hz[end..], PER_OCTAVE_AT_END);
                        wide.splice(end.., narrow);
                        wide
                    })
                    .collect();
                let at_points: Vec<f64> =
                    (0..at_hz.len()).map(|k| usual(places.iter().map(|place| place[k]).collect())).collect();
                between(&looked_at, &at_points)
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

/// The bins at which the noise is read, at least ten to a smoothing band, the first and the last among them.
fn looked_at(bins: usize, end: f64) -> Vec<usize> {
    let mut list = vec![0];
    let mut k = 0;
    while k + 1 < bins {
        let width = k as f64 / (10.0 * if (k as f64) < end { PER_OCTAVE } else { PER_OCTAVE_AT_END });
        k = (k + (LN_2 * width).max(1.0) as usize).min(bins - 1);
        list.push(k);
    }
    list
}

/// Straight lines between `values` at ascending bins, a value for each bin from the first to the last.
fn between(bins: &[usize], values: &[f64]) -> Vec<f64> {
    let mut every = Vec::with_capacity(bins.last().map_or(0, |last| last + 1));
    for (pair, ends) in bins.windows(2).zip(values.windows(2)) {
        let slope = (ends[1] - ends[0]) / (pair[1] - pair[0]) as f64;
        every.extend((0..pair[1] - pair[0]).map(|n| ends[0] + n as f64 * slope));
    }
    every.extend(values.last());
    every
}

/// Mean of the middle half: what is heard at a few places only (a marker, a knock) is not the steady noise.
fn usual(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let quarter = values.len() / 4;
    let middle = &values[quarter..values.len() - quarter];
    middle.iter().sum::<f64>() / middle.len().max(1) as f64
}
