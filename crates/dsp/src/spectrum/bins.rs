//! The frequencies at which complex responses are kept, so that a sum over speakers is quick to predict.

use std::sync::LazyLock;

/// Kept bins per octave where the transform has more. Over the 1/12 octave that curves are smoothed by this leaves 20
/// samples, and above 500 Hz they lie no further apart than the ripple of a cabin that has decayed within 50 ms.
const PER_OCTAVE: f64 = 240.0;

/// A thinned set of the bins of one transform: every bin at low frequency, evenly spaced in octaves above.
#[derive(Debug, Clone, PartialEq)]
pub struct Bins {
    /// Distance between the bins of the transform.
    pub spacing_hz: f64,
    /// Which bins are kept, ascending.
    pub kept: Vec<usize>,
    /// Their frequencies.
    pub frequency_hz: Vec<f64>,
}

impl Bins {
    /// The bins that every take of the job is kept at, whatever its rate: 1.5 Hz apart low down, 10 Hz to 20.5 kHz.
    pub fn standard() -> &'static Self {
        static STANDARD: LazyLock<Bins> = LazyLock::new(|| Bins::new(32_768, 48_000.0, 10.0, 20_500.0));
        &STANDARD
    }

    /// The bins of a transform of `length` samples at `rate_hz`, from `from_hz` to `to_hz` or half the rate.
    pub fn new(length: usize, rate_hz: f64, from_hz: f64, to_hz: f64) -> Self {
        let spacing_hz = rate_hz / length.max(1) as f64;
        let last = (to_hz.min(rate_hz / 2.0) / spacing_hz) as usize;
        let mut next = (from_hz / spacing_hz).ceil().max(1.0) as usize;
        let mut kept = Vec::new();
        while next <= last {
            kept.push(next);
            let step = next as f64 * ((1.0 / PER_OCTAVE).exp2() - 1.0);
            next += (step.round() as usize).max(1);
        }
        let frequency_hz = kept.iter().map(|&k| k as f64 * spacing_hz).collect();
        Self { spacing_hz, kept, frequency_hz }
    }

    /// Mean of `power`, given at the kept bins, over bands of 1/`per_octave` octave around each of `at_hz`.
    ///
    /// Straight between bins; bands are cut at both ends.
    pub fn smooth(&self, power: &[f64], at_hz: &[f64], per_octave: f64) -> Vec<f64> {
        // The difference of two sums may fall a rounding below zero.
        self.smooth_signed(power, at_hz, per_octave).into_iter().map(|p| p.max(0.0)).collect()
    }

    /// The same for values that may be negative, such as slopes of a power.
    pub fn smooth_signed(&self, power: &[f64], at_hz: &[f64], per_octave: f64) -> Vec<f64> {
        let hz = &self.frequency_hz;
        let mut sums = Vec::with_capacity(hz.len());
        let mut sum = 0.0;
        sums.push(0.0);
        for (f, p) in hz.windows(2).zip(power.windows(2)) {
            sum += (f[1] - f[0]) * 0.5 * (p[0] + p[1]);
            sums.push(sum);
        }
        let up_to = |f: f64| {
            let above = hz.partition_point(|&x| x < f).clamp(1, hz.len() - 1);
            let (f0, f1) = (hz[above - 1], hz[above]);
            let share = (f - f0) / (f1 - f0);
            let at_f = power[above - 1] + share * (power[above] - power[above - 1]);
            (sums[above - 1] + (f - f0) * 0.5 * (power[above - 1] + at_f), at_f)
        };
        let (Some(&first), Some(&last)) = (hz.first(), hz.last()) else { return vec![0.0; at_hz.len()] };
        if hz.len() < 2 || power.len() != hz.len() {
            return vec![0.0; at_hz.len()];
        }
        let ratio = (0.5 / per_octave).exp2();
        at_hz
            .iter()
            .map(|&f| {
                let (from, to) = ((f / ratio).clamp(first, last), (f * ratio).clamp(first, last));
                let ((below, _), (above, at_to)) = (up_to(from), up_to(to));
                if to > from { (above - below) / (to - from) } else { at_to }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;

    #[test]
    fn every_bin_is_kept_low_down_and_few_high_up() {
        let bins = Bins::new(32_768, 48_000.0, 20.0, 20_000.0);
        assert!(bins.kept.windows(2).take(100).all(|k| k[1] == k[0] + 1));
        assert!(bins.kept.len() < 2500, "{}", bins.kept.len());
        assert!(bins.frequency_hz[0] >= 20.0 && *bins.frequency_hz.last().unwrap() <= 20_000.0);
    }

    /// The full set of bins is the reference: on a smooth spectrum thinning costs nothing that shows.
    #[test]
    fn thinned_smoothing_agrees_with_all_bins() {
        let (n, rate) = (32_768_usize, 48_000.0);
        let spacing = rate / n as f64;
        // A direct sound and one reflection 3 ms later, 6 dB down: 333 Hz between dips.
        let power = |f: f64| 1.25 + (std::f64::consts::TAU * f * 0.003).cos();
        let all: Vec<f64> = (0..=n / 2).map(|k| power(k as f64 * spacing)).collect();
        let bins = Bins::new(n, rate, 10.0, 22_000.0);
        let thinned: Vec<f64> = bins.frequency_hz.iter().map(|&f| power(f)).collect();
        let grid = log_grid_hz(20.0, 20_000.0, 48.0);
        let reference = crate::spectrum::smooth_power(&all, spacing, &grid, 12.0);
        for ((f, a), b) in grid.iter().zip(&reference).zip(bins.smooth(&thinned, &grid, 12.0)) {
            // 20 samples and straight lines between them across a band: within a twentieth of a decibel.
            assert!((10.0 * (b / a).log10()).abs() < 0.05, "{f} Hz: {a} {b}");
        }
    }
}
