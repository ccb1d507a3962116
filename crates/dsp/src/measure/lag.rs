//! The time between two spectra of the same sound.

use std::f64::consts::TAU;

use crate::spectrum::Complex;

/// A time difference with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lag {
    /// By how much the second lies after the first.
    pub seconds: f64,
    /// One standard deviation.
    pub sigma_s: f64,
}

/// How far the cross-spectrum is searched for its best lag: this, and half a period of the highest frequency that counts.
const REACH_S: f64 = 0.5e-3;
/// A bin counts where it holds this share of the strongest.
const COUNTS: f64 = 1e-3;

/// The lag at which `cross` (second times conjugate of first, with `weight` per bin) is most in phase.
///
/// `cross[i]` lies at `hz[i]`. First the cross-correlation is searched on a fine raster, then the slope of the phase is
/// fitted, which is the maximum-likelihood lag in weighted noise. `correlated` is the number of neighbouring bins
/// that share one independent value. `None` where there is nothing to compare.
pub(super) fn between(cross: &[Complex], hz: &[f64], correlated: f64) -> Option<Lag> {
    let strongest = cross.iter().map(|x| x.norm()).fold(0.0, f64::max);
    let counts = cross.iter().zip(hz).filter(|(x, _)| x.norm() >= COUNTS * strongest);
    let top_hz = counts.map(|(_, f)| *f).fold(0.0, f64::max);
    let total: f64 = cross.iter().map(|x| x.norm()).sum();
    if top_hz <= 0.0 || total <= 0.0 || !total.is_finite() {
        return None;
    }
    // A raster of an eighth of a period of the highest frequency cannot miss the main lobe.
    let step_s = 0.125 / top_hz;
    let half = (REACH_S.max(0.5 / top_hz) / step_s).ceil() as i64;
    // Each value is turned on by one step after another, which is cheaper than turning it anew each time.
    let turn = |f: &f64, lag_s: f64| Complex::cis(TAU * f * lag_s);
    let mut now: Vec<Complex> =
        cross.iter().zip(hz).map(|(x, f)| x * turn(f, -half as f64 * step_s)).collect();
    let onward: Vec<Complex> = hz.iter().map(|f| turn(f, step_s)).collect();
    let mut best = (f64::NEG_INFINITY, 0.0);
    for i in -half..=half {
        let in_phase: f64 = now.iter().map(|x| x.re).sum();
        if in_phase > best.0 {
            best = (in_phase, i as f64 * step_s);
        }
        now.iter_mut().zip(&onward).for_each(|(x, turn)| *x *= turn);
    }
    let mut seconds = best.1;
    let mut sigma_s = f64::INFINITY;
    for _ in 0..6 {
        let (mut slope, mut curvature, mut scatter) = (0.0, 0.0, 0.0);
        for (x, f) in cross.iter().zip(hz) {
            let turned = x * Complex::cis(TAU * f * seconds);
            let omega = TAU * f;
            slope += omega * turned.im;
            curvature += omega * omega * turned.re;
            scatter += (omega * turned.im).powi(2);
        }
        if curvature <= 0.0 {
            return None;
        }
        seconds -= slope / curvature;
        sigma_s = (scatter * correlated.max(1.0)).sqrt() / curvature;
    }
    // What runs away from the raster's best was no peak.
    let stayed = (seconds - best.1).abs() <= 2.0 * step_s;
    stayed.then_some(Lag { seconds, sigma_s })
}
