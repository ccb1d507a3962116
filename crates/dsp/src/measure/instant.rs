//! The arrival of a response that is measured up to a band edge, to thousandths of a sample.

use std::f64::consts::TAU;

use nalgebra::{DMatrix, DVector};

use crate::spectrum::{Complex, Gate, RealTransform, fast_length, minimum_phase};

/// Closing times of the gate. Shorter ones smear the band edge into the fit: 0.0016 sample at 1 ms, 0.0007 from 4 ms on.
const GATES_S: [f64; 4] = [0.004, 0.008, 0.016, 0.032];
/// The fit keeps this far inside the known band, where the phase of the edge is smooth.
const INSIDE: f64 = 0.93;
/// Below this the bass of the response, which a short gate cuts, would take part.
const LOWEST_HZ: f64 = 300.0;
/// A gate tells nothing about frequencies with fewer cycles inside it.
const CYCLES: f64 = 2.0;
/// A transform shorter than this is too coarse for the phase of the bass.
const SHORTEST_S: f64 = 0.34;
/// A fit that leaves more phase than this unexplained is not believed: reflections then outweigh the direct sound.
const WORST_RAD: f64 = 0.03;
/// The coarse arrival is right to this; a correction beyond it is a different answer, not a finer one.
const REACH_FRAMES: f64 = 0.3;
/// The unknown level is tried in this size (nepers) to see which phase it makes.
const PROBE: f64 = 0.1;

/// A finer arrival than `coarse_s` (seconds from sample 0), or `None` where the response does not allow one.
///
/// Within `from_hz..to_hz` the magnitude is known, and so is most of its minimum phase. The level beyond `to_hz` is not,
/// and below that edge the phase it makes looks almost like a delay: a step of 0.5 dB is worth two thousandths of a
/// sample. Almost, since it bends upwards towards the edge. So delay, the step and slope of the unknown level, and the
/// `1/f` that is left of the lower edge are fitted together to the phase (Bode's relation through the cepstrum;
/// the joint fit is common practice in system identification, its limits found in simulation).
pub(super) fn refined(
    impulse: &[f64],
    rate_hz: f64,
    (from_hz, to_hz): (f64, f64),
    coarse_s: f64,
    inverted: bool,
) -> Option<f64> {
    let fits = GATES_S
        .iter()
        .filter_map(|&gate_s| under_gate(impulse, rate_hz, (from_hz, to_hz), coarse_s, inverted, gate_s));
    let (shift_s, unexplained_rad) = fits.min_by(|a, b| a.1.total_cmp(&b.1))?;
    let believed = unexplained_rad < WORST_RAD && (shift_s * rate_hz).abs() < REACH_FRAMES;
    believed.then_some(coarse_s + shift_s)
}

/// By how much the arrival is later than `coarse_s`, and the phase that stays unexplained.
fn under_gate(
    impulse: &[f64],
    rate_hz: f64,
    (from_hz, to_hz): (f64, f64),
    coarse_s: f64,
    inverted: bool,
    gate_s: f64,
) -> Option<(f64, f64)> {
    let gate = Gate { before_s: gate_s, rise_s: 0.5 * gate_s, after_s: gate_s, fall_s: 0.5 * gate_s };
    let first = ((coarse_s - gate_s) * rate_hz).max(0.0) as usize;
    let last = (((coarse_s + gate_s) * rate_hz).ceil() as usize).min(impulse.len());
    let direct_s = coarse_s - first as f64 / rate_hz;
    let gated = gate.apply(impulse.get(first..last)?, rate_hz, direct_s);
    let plan = RealTransform::new(fast_length((2 * gated.len()).max((SHORTEST_S * rate_hz) as usize)));
    let spacing_hz = rate_hz / plan.length() as f64;
    let spectrum = plan.forward(&gated);
    let bin = |hz: f64| ((hz / spacing_hz).ceil() as usize).min(spectrum.len() - 1);
    let (low, edge) = (bin(from_hz), bin(to_hz));
    let (fit_from, fit_to) = (bin(LOWEST_HZ.max(CYCLES / gate_s).max(2.0 * from_hz)), bin(INSIDE * to_hz));
    if low == 0 || edge <= low + 8 || fit_to < fit_from + 16 {
        return None;
    }
    let known = level_known(&spectrum, low, edge);
    let minimum = minimum_phase(&known).ok()?;
    let beyond = |power: i32| {
        let span = (spectrum.len() - edge) as f64;
        let level: Vec<f64> = (0..spectrum.len())
            .map(|k| if k < edge { 1.0 } else { (PROBE * ((k - edge) as f64 / span).powi(power)).exp() })
            .collect();
        minimum_phase(&level).ok()
    };
    let (step, slope) = (beyond(0)?, beyond(1)?);
    let rows = fit_to - fit_from;
    let sign = if inverted { -1.0 } else { 1.0 };
    let phase = DVector::from_fn(rows, |i, _| {
        let k = fit_from + i;
        let turned = spectrum[k] * minimum[k].conj() * sign;
        (turned * Complex::cis(TAU * k as f64 * spacing_hz * direct_s)).arg()
    });
    // Columns are scaled to about one, so that the normal equations stay well conditioned.
    let causes = DMatrix::from_fn(rows, 4, |i, column| {
        let k = fit_from + i;
        match column {
            0 => -(k as f64) / edge as f64,
            1 => fit_from as f64 / k as f64,
            2 => step[k].arg() / PROBE,
            _ => slope[k].arg() / PROBE,
        }
    });
    let shares = causes.clone().svd(true, true).solve(&phase, 1e-12).ok()?;
    let left = phase - causes * &shares;
    let unexplained_rad = (left.norm_squared() / rows as f64).sqrt();
    Some((shares[0] / (TAU * edge as f64 * spacing_hz), unexplained_rad))
}

/// The magnitude, held level beyond both edges at what it is just inside them.
fn level_known(spectrum: &[Complex], low: usize, edge: usize) -> Vec<f64> {
    let mean_of = |from: usize, to: usize| {
        let inside = &spectrum[from..to.max(from + 1)];
        (inside.iter().map(|h| h.norm().max(1e-30).ln()).sum::<f64>() / inside.len() as f64).exp()
    };
    let below = mean_of(low, (1.06 * low as f64) as usize + 1);
    let above = mean_of((edge as f64 * (-1.0f64 / 24.0).exp2()) as usize, edge);
    let held = |(k, h): (usize, &Complex)| {
        if k < low {
            below
        } else if k >= edge {
            above
        } else {
            h.norm()
        }
    };
    spectrum.iter().enumerate().map(held).collect()
}
