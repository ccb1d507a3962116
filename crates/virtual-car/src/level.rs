//! Decibels and factors.

/// The factor of `db`.
pub fn factor(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// The mean square of a signal.
pub fn mean_square(signal: &[f64]) -> f64 {
    signal.iter().map(|s| s * s).sum::<f64>() / signal.len().max(1) as f64
}

/// `signal` plus `more`, sample by sample, as far as both go.
pub fn add(signal: &mut [f64], more: &[f64], gain: f64) {
    signal.iter_mut().zip(more).for_each(|(a, b)| *a += gain * b);
}

/// True when nothing is there.
pub fn silent(signal: &[f64]) -> bool {
    signal.iter().all(|&s| s == 0.0)
}
