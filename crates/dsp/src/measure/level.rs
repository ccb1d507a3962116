//! The level of a response with its interval.

use super::transfer::Transfer;
use crate::curve::{Curve, log_grid_hz};
use crate::spectrum::{Complex, smooth_complex, smooth_power};

/// Points of a smoothed curve.
const PER_OCTAVE: f64 = 96.0;
/// What regularisation, gate and interpolation may cost, found in simulation.
const FLOOR_DB: f64 = 0.01;
/// Half-width of a 95 % interval in standard deviations; a little above 1.96, since the noise itself is estimated.
const SIGMAS: f64 = 2.15;
/// A signal-to-noise ratio above this is as good as none.
const HIGHEST_SNR_DB: f64 = 140.0;

/// Frequencies for a curve: equal parts of an octave; without smoothing, every independent value of the response.
pub(super) fn grid_hz(transfer: &Transfer, low_hz: f64, high_hz: f64, smoothing: f64) -> Vec<f64> {
    let logarithmic = log_grid_hz(low_hz, high_hz, PER_OCTAVE);
    if smoothing > 0.0 {
        return logarithmic;
    }
    let step_hz = 0.5 / transfer.independent_s;
    let turn_hz = step_hz / ((1.0 / PER_OCTAVE).exp2() - 1.0);
    let mut grid: Vec<f64> = logarithmic.into_iter().take_while(|hz| *hz < turn_hz).collect();
    let mut hz = grid.last().map_or(low_hz, |last| last + step_hz);
    while hz < high_hz {
        grid.push(hz);
        hz += step_hz;
    }
    grid.push(high_hz);
    grid
}

/// Level, phase, interval and signal-to-noise ratio of a response at `at_hz`, smoothed over 1/`smoothing` octave.
///
/// Level is the mean power less that of the noise. The interval follows from the noise: the variance of a mean of
/// `M` independent values of `|H + N|²` is `(2 |H|² σ² + σ⁴) / M`. Phase is that of the complex mean with `delay_s` taken
/// out before and put back after. Bands end at `top_hz`: beyond it the sweep has faded out, and what is divided there
/// is noise.
pub(super) fn curve(
    transfer: &Transfer,
    at_hz: Vec<f64>,
    smoothing: f64,
    delay_s: f64,
    top_hz: f64,
) -> Curve {
    let spacing_hz = transfer.spacing_hz;
    let known = transfer.bins.len().min((top_hz / spacing_hz).ceil() as usize + 1);
    let (bins, noise) = (&transfer.bins[..known], &transfer.noise[..known.min(transfer.noise.len())]);
    let power: Vec<f64> = bins.iter().map(Complex::norm_sqr).collect();
    let product: Vec<f64> = power.iter().zip(noise).map(|(p, n)| p * n).collect();
    let square: Vec<f64> = noise.iter().map(|n| n * n).collect();
    let over = |values: &[f64]| smooth_power(values, spacing_hz, &at_hz, smoothing);
    let (heard, noise, product, square) = (over(&power), over(noise), over(&product), over(&square));
    let turn = |hz: f64| Complex::cis(std::f64::consts::TAU * hz * delay_s);
    let still: Vec<Complex> = bins.iter().enumerate().map(|(k, h)| h * turn(k as f64 * spacing_hz)).collect();
    let mean = smooth_complex(&still, spacing_hz, &at_hz, smoothing);
    let half_band = if smoothing > 0.0 { (0.5 / smoothing).exp2() } else { 1.0 };
    let (mut level_db, mut spread_db, mut snr_db, mut phase_deg) = (vec![], vec![], vec![], vec![]);
    for (i, &hz) in at_hz.iter().enumerate() {
        let independent = (hz * (half_band - 1.0 / half_band) * transfer.independent_s).max(1.0);
        // Where noise hides the response, half the noise is as good a guess as any, and the interval says so.
        let signal = (heard[i] - noise[i]).max(0.5 * noise[i]).max(1e-30);
        // The product was formed with the noise inside the power, which once is too much.
        let variance = (2.0 * (product[i] - square[i]).max(signal * noise[i]) + square[i]) / independent;
        let share = SIGMAS * variance.sqrt() / signal;
        level_db.push(10.0 * signal.log10());
        spread_db
            .push(FLOOR_DB + half_width_db(share) + beyond_db(&power, spacing_hz, hz, top_hz, smoothing));
        snr_db.push((10.0 * (signal / noise[i].max(1e-30)).log10()).min(HIGHEST_SNR_DB));
        phase_deg.push((mean[i] * turn(hz).conj()).arg().to_degrees());
    }
    Curve {
        frequency_hz: at_hz,
        level_db,
        phase_deg: Some(phase_deg),
        spread_db: Some(spread_db),
        snr_db: Some(snr_db),
    }
}

/// What the part of the band around `hz` that lies beyond `top_hz` may hide: how far bands cut off by as much are from
/// whole ones over the two bands below. 0 where the whole band is known.
fn beyond_db(power: &[f64], spacing_hz: f64, hz: f64, top_hz: f64, smoothing: f64) -> f64 {
    const STEPS: usize = 8;
    if smoothing <= 0.0 {
        return 0.0;
    }
    let half_band = (0.5 / smoothing).exp2();
    let beyond = hz * half_band / top_hz;
    if beyond <= 1.0 {
        return 0.0;
    }
    let centres: Vec<f64> =
        (0..STEPS).map(|k| top_hz / half_band * (-(k as f64) / (4.0 * smoothing)).exp2()).collect();
    let cut_centres: Vec<f64> = centres.iter().map(|centre| centre / beyond.sqrt()).collect();
    let whole = smooth_power(power, spacing_hz, &centres, smoothing);
    let cut = smooth_power(power, spacing_hz, &cut_centres, 1.0 / (1.0 / smoothing - beyond.log2()));
    let square: f64 = whole.iter().zip(&cut).map(|(w, c)| (10.0 * (w / c.max(1e-30)).log10()).powi(2)).sum();
    SIGMAS * (square / STEPS as f64).sqrt()
}

/// The wider side of `10 log10(1 ± share)`, which goes on growing where the lower side would be minus infinity.
fn half_width_db(share: f64) -> f64 {
    const TURN: f64 = 0.9;
    if share < TURN { -10.0 * (1.0 - share).log10() } else { 10.0 + 10.0 * (share / TURN).log10() }
}
