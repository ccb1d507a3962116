//! When the direct sound of a full-range response arrives, to thousandths of a sample.

use std::f64::consts::{PI, TAU};

use nalgebra::{Matrix4, Vector4};

use super::HeardPolarity;
use super::transfer::Transfer;
use crate::align::{Arrival, Confidence, arrival_within};
use crate::spectrum::{Complex, Gate, RealTransform, fast_length};
use crate::stimulus::SweepShape;
use crate::tune::Polarity;

/// The direct sound of a response.
pub(super) struct Direct {
    /// From the response's time zero.
    pub at_s: f64,
    /// Which way round it is.
    pub polarity: HeardPolarity,
}

/// What ends a little inside the sweep's band, clear of its fades.
const INNER_LOW: f64 = 1.25;
const INNER_HIGH: f64 = 0.97;
/// Closing times of the gate, longest first: the longest that leaves the phase explained is the best.
const GATES_S: [f64; 4] = [0.016, 0.008, 0.004, 0.002];
/// Phase left unexplained, rms, up to which a gate is believed.
const EXPLAINED_RAD: f64 = 0.1;
/// A gate may leave this many times as much as the best one.
const NEARLY_BEST: f64 = 2.0;
/// The refinement may not move an arrival further than this: it would have found another sound.
const FARTHEST_S: f64 = 30e-6;
/// Signal over noise (power) needed throughout the band.
const NEEDED_SNR: f64 = 10.0;

impl Direct {
    /// The direct sound by excess phase, refined where the whole band of the sweep stands above the noise.
    pub fn of(transfer: &Transfer, shape: &SweepShape) -> Self {
        let rate = f64::from(transfer.rate_hz);
        let (low_hz, high_hz) = (INNER_LOW * shape.low_hz, INNER_HIGH * shape.high_hz);
        match arrival_within(&transfer.impulse, rate, low_hz, high_hz) {
            Ok(Arrival { time_s, polarity, confidence, .. }) => {
                let sign = if polarity == Polarity::Normal { 1.0 } else { -1.0 };
                let refined = if full_range(transfer, high_hz) {
                    refine(&transfer.impulse, rate, time_s, sign, low_hz, high_hz)
                } else {
                    None
                };
                Self {
                    at_s: refined.unwrap_or(time_s) - transfer.zero_at_s,
                    polarity: match (confidence, refined, polarity) {
                        (Confidence::Low, None, _) => HeardPolarity::Unclear,
                        (_, _, Polarity::Normal) => HeardPolarity::Normal,
                        (_, _, Polarity::Inverted) => HeardPolarity::Inverted,
                    },
                }
            }
            Err(_) => Self { at_s: transfer.strongest_s, polarity: HeardPolarity::Unclear },
        }
    }
}

/// True where the response stands above its noise from 500 Hz to `high_hz`.
fn full_range(transfer: &Transfer, high_hz: f64) -> bool {
    let power: Vec<f64> = transfer.bins.iter().map(Complex::norm_sqr).collect();
    let at_hz = crate::curve::log_grid_hz(500.0, high_hz.max(501.0), 12.0);
    let over = |values: &[f64]| crate::spectrum::smooth_power(values, transfer.spacing_hz, &at_hz, 12.0);
    high_hz > 2000.0
        && over(&power).iter().zip(over(&transfer.noise)).all(|(p, n)| *p > (1.0 + NEEDED_SNR) * n)
}

/// The delay that is left in the phase beyond the minimum phase, near `rough_s`.
///
/// Beyond the measured band nobody knows the magnitude, and what is assumed there shifts the minimum phase almost like a
/// delay: one decibel between 20 and 24 kHz is worth 0.004 sample. Almost: the shift curves upwards near the edge. So the
/// delay is fitted together with the phase of an unknown step and slope beyond the upper edge, and of an unknown level
/// below the lower one. (The minimum phase as Hilbert transform of log magnitude: Oppenheim and Schafer, *Discrete-Time
/// Signal Processing*; the joint fit is our own, right to 0.0005 sample at 40 dB in simulation.)
fn refine(impulse: &[f64], rate_hz: f64, rough_s: f64, sign: f64, low_hz: f64, high_hz: f64) -> Option<f64> {
    let plan = RealTransform::new(fast_length((0.35 * rate_hz) as usize));
    let spacing_hz = rate_hz / plan.length() as f64;
    let last = (high_hz / spacing_hz) as usize;
    let span = (plan.bins() - 1).checked_sub(last).filter(|s| *s > 0)?;
    let beyond = |power: i32| -> Vec<f64> {
        let shape: Vec<f64> = (0..plan.bins())
            .map(|k| if k < last { 0.0 } else { ((k - last) as f64 / span as f64).powi(power) })
            .collect();
        minimum_phase_rad(&shape, &plan)
    };
    let (step, slope) = (beyond(0), beyond(1));
    let fits: Vec<(f64, f64)> = GATES_S
        .iter()
        .filter_map(|&gate_s| {
            let from_hz = (2.0 / gate_s).max(300.0).max(low_hz);
            let excess = excess_rad(impulse, rate_hz, rough_s, sign, gate_s, low_hz, last, &plan)?;
            fit(&excess, spacing_hz, from_hz, 0.93 * high_hz, &step, &slope)
        })
        .collect();
    let best = fits.iter().map(|(_, left)| *left).fold(f64::INFINITY, f64::min);
    let (late_s, _) =
        fits.into_iter().find(|(_, left)| *left <= NEARLY_BEST * best && *left < EXPLAINED_RAD)?;
    (late_s.abs() < FARTHEST_S).then_some(rough_s + late_s)
}

/// Phase of what passes a gate around `rough_s`, less its minimum phase, with the delay to `rough_s` taken out.
#[expect(clippy::too_many_arguments, reason = "one call; a struct would only rename them")]
fn excess_rad(
    impulse: &[f64],
    rate_hz: f64,
    rough_s: f64,
    sign: f64,
    gate_s: f64,
    low_hz: f64,
    last: usize,
    plan: &RealTransform,
) -> Option<Vec<f64>> {
    let gate = Gate { before_s: gate_s, rise_s: 0.5 * gate_s, after_s: gate_s, fall_s: 0.5 * gate_s };
    let first = ((rough_s - gate_s) * rate_hz).max(0.0) as usize;
    let end = (((rough_s + gate_s) * rate_hz).ceil() as usize).min(impulse.len());
    let inner_s = rough_s - first as f64 / rate_hz;
    let cut = gate.apply(impulse.get(first..end)?, rate_hz, inner_s);
    let spectrum = plan.forward(&cut);
    let spacing_hz = rate_hz / plan.length() as f64;
    let mut log: Vec<f64> = spectrum.iter().map(|h| h.norm().max(1e-15).ln()).collect();
    let mean = |log: &[f64], from: usize, to: usize| -> Option<f64> {
        let part = log.get(from..to.max(from + 1))?;
        Some(part.iter().sum::<f64>() / part.len() as f64)
    };
    let start = ((low_hz / spacing_hz) as usize).max(1);
    let (below, above) =
        (mean(&log, start, start + start / 16 + 1)?, mean(&log, (last as f64 * 0.9715) as usize, last)?);
    log.iter_mut().take(start).for_each(|l| *l = below);
    log.iter_mut().skip(last).for_each(|l| *l = above);
    let minimum = minimum_phase_rad(&log, plan);
    let turn = TAU * spacing_hz * inner_s;
    Some(
        spectrum
            .iter()
            .zip(&minimum)
            .enumerate()
            .map(|(k, (h, phase))| (h * sign * Complex::cis(turn * k as f64 - phase)).arg())
            .collect(),
    )
}

/// Phase of the minimum-phase system with this log magnitude, by folding its cepstrum.
fn minimum_phase_rad(log_magnitude: &[f64], plan: &RealTransform) -> Vec<f64> {
    let even: Vec<Complex> = log_magnitude.iter().map(|&l| Complex::new(l, 0.0)).collect();
    let mut cepstrum = plan.inverse(&even);
    let half = cepstrum.len() / 2;
    for (n, c) in cepstrum.iter_mut().enumerate() {
        *c *= match n {
            0 => 1.0,
            n if n < half => 2.0,
            n if n == half => 1.0,
            _ => 0.0,
        };
    }
    plan.forward(&cepstrum).iter().map(|c| c.im).collect()
}

/// By how much the sound is later than assumed, and the phase (rms) that is left over.
fn fit(
    excess_rad: &[f64],
    spacing_hz: f64,
    from_hz: f64,
    to_hz: f64,
    step: &[f64],
    slope: &[f64],
) -> Option<(f64, f64)> {
    let (from, to) = ((from_hz / spacing_hz) as usize, (to_hz / spacing_hz) as usize);
    if to < 4 * from {
        return None;
    }
    let row = |k: usize| -> Option<(Vector4<f64>, f64)> {
        let share = k as f64 / to as f64;
        let columns = Vector4::new(share, from as f64 / k as f64, *step.get(k)?, *slope.get(k)?);
        Some((columns, *excess_rad.get(k)?))
    };
    let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
    for (x, y) in (from..=to).filter_map(row) {
        // Beyond this the phase has wrapped, and a straight fit means nothing.
        if y.abs() > 0.9 * PI {
            return None;
        }
        normal += x * x.transpose();
        right += x * y;
    }
    let solution = normal.lu().solve(&right)?;
    let rows: Vec<(Vector4<f64>, f64)> = (from..=to).filter_map(row).collect();
    let left = rows.iter().map(|(x, y)| (y - x.dot(&solution)).powi(2)).sum::<f64>() / rows.len() as f64;
    Some((-solution[0] / (TAU * to as f64 * spacing_hz), left.sqrt()))
}
