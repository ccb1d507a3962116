//! Reading a signal between its samples, for clocks that do not agree and delays that are no whole number.

use std::f64::consts::PI;

/// Samples on each side of the point read.
const REACH: usize = 32;
/// Tabulated fractions of a sample; straight lines between them are right to −130 dB.
const FRACTIONS: usize = 2048;
/// Kaiser's β for about 120 dB outside a transition of 0.12 of the sample rate.
const BETA: f64 = 11.8;

/// Modified Bessel function of the first kind, order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..64 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
    }
    sum
}

/// A windowed sinc, tabulated over fractions of a sample.
pub struct Reader {
    table: Vec<[f64; 2 * REACH]>,
}

impl Default for Reader {
    fn default() -> Self {
        let scale = bessel_i0(BETA);
        let weight = |distance: f64| {
            let share = distance / REACH as f64;
            if share.abs() >= 1.0 {
                return 0.0;
            }
            let window = bessel_i0(BETA * (1.0 - share * share).sqrt()) / scale;
            let sinc = if distance.abs() < 1e-12 { 1.0 } else { (PI * distance).sin() / (PI * distance) };
            sinc * window
        };
        let table = (0..=FRACTIONS)
            .map(|i| {
                let fraction = i as f64 / FRACTIONS as f64;
                std::array::from_fn(|tap| weight(tap as f64 + 1.0 - REACH as f64 - fraction))
            })
            .collect();
        Self { table }
    }
}

impl Reader {
    /// The value of `signal` at `at` samples from its start; silence beyond its ends.
    pub fn read(&self, signal: &[f64], at: f64) -> f64 {
        let whole = at.floor();
        let place = (at - whole) * FRACTIONS as f64;
        let row = (place as usize).min(FRACTIONS - 1);
        let (low, high, share) = (&self.table[row], &self.table[row + 1], place - row as f64);
        let first = whole as i64 + 1 - REACH as i64;
        if first >= 0 && first as usize + 2 * REACH <= signal.len() {
            let piece = &signal[first as usize..first as usize + 2 * REACH];
            return (0..2 * REACH).map(|i| piece[i] * (low[i] + share * (high[i] - low[i]))).sum();
        }
        (0..2 * REACH)
            .filter_map(|i| {
                let sample = usize::try_from(first + i as i64).ok().and_then(|n| signal.get(n))?;
                Some(sample * (low[i] + share * (high[i] - low[i])))
            })
            .sum()
    }

    /// Adds an impulse of `height` at `at` samples into `signal`, band-limited.
    pub fn add_impulse(&self, signal: &mut [f64], at: f64, height: f64) {
        let whole = at.floor();
        let row = &self.table[((at - whole) * FRACTIONS as f64).round() as usize];
        let first = whole as i64 + 1 - REACH as i64;
        for (i, weight) in row.iter().enumerate() {
            if let Some(sample) = usize::try_from(first + i as i64).ok().and_then(|n| signal.get_mut(n)) {
                *sample += height * weight;
            }
        }
    }

    /// `signal` later by `samples` (zero or more), cut to its length.
    pub fn delay(&self, signal: &[f64], samples: f64) -> Vec<f64> {
        let whole = samples.floor();
        let (whole, fraction) = (whole as usize, samples - whole);
        let mut later = vec![0.0; signal.len()];
        if fraction < 1e-9 {
            let kept = signal.len().saturating_sub(whole);
            later[signal.len() - kept..].copy_from_slice(&signal[..kept]);
            return later;
        }
        // Reading `fraction` earlier than a sample is reading `1 − fraction` later than the one before.
        let place = (1.0 - fraction) * FRACTIONS as f64;
        let row = (place as usize).min(FRACTIONS - 1);
        let share = place - row as f64;
        let weights: [f64; 2 * REACH] = std::array::from_fn(|i| {
            self.table[row][i] + share * (self.table[row + 1][i] - self.table[row][i])
        });
        // Twice the reach, so that what rings ahead of the first sample is kept too.
        let mut padded = vec![0.0; 2 * REACH];
        padded.extend_from_slice(signal);
        padded.extend([0.0; REACH]);
        for (n, piece) in padded.windows(2 * REACH).enumerate() {
            if let Some(sample) = (n + whole).checked_sub(REACH).and_then(|place| later.get_mut(place)) {
                *sample = piece.iter().zip(&weights).map(|(s, w)| s * w).sum();
            }
        }
        later
    }
}
