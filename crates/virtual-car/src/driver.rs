//! A loudspeaker: band-limited, minimum-phase, with second and third harmonic.

use dsp::tune::Biquad;

use crate::filter;
use crate::level::factor;
use crate::scenario::{Speaker, SplitEdge};
use crate::transform::Convolver;

/// Taps of the filters ahead of the squarer and the cuber; odd, so that their delay is whole.
const GUARD_TAPS: usize = 127;

/// A speaker's own filters, minimum-phase by construction.
pub fn cascade(speaker: &Speaker, rate_hz: f64) -> Vec<Biquad> {
    let mut cascade = Vec::new();
    if let Some(edge) = &speaker.low_edge {
        cascade.extend(filter::of_edge(edge, SplitEdge::HighPass, rate_hz));
    }
    if let Some(edge) = &speaker.high_edge
        && edge.frequency_hz < 0.49 * rate_hz
    {
        cascade.extend(filter::of_edge(edge, SplitEdge::LowPass, rate_hz));
    }
    cascade.extend(speaker.resonances.iter().map(|section| filter::of_section(section, rate_hz)));
    cascade
}

/// What leaves a speaker's cone for `signal` at its terminals, 0 dBFS being its nominal drive.
pub fn drive(speaker: &Speaker, signal: &[f64], rate_hz: f64) -> Vec<f64> {
    distort(speaker, &drive_linear(speaker, signal, rate_hz))
}

/// The same without harmonics.
pub fn drive_linear(speaker: &Speaker, signal: &[f64], rate_hz: f64) -> Vec<f64> {
    let sign = if speaker.inverted { -1.0 } else { 1.0 };
    let mut cone: Vec<f64> = signal.iter().map(|sample| sign * sample).collect();
    filter::run(&cascade(speaker, rate_hz), &mut cone);
    cone
}

/// Adds the harmonics. The input of the squarer is kept below a quarter of the sample rate and that of the cuber
/// below a sixth, so that what would lie above half the rate is left out instead of being folded down.
fn distort(speaker: &Speaker, cone: &[f64]) -> Vec<f64> {
    let mut out = cone.to_vec();
    // sin² = (1 − cos 2ωt) / 2 and sin³ = (3 sin ωt − sin 3ωt) / 4.
    let second = 2.0 * factor(speaker.second_harmonic_db);
    let third = 4.0 * factor(speaker.third_harmonic_db);
    for (divisor, gain, power) in [(4.0, second, 2), (6.0, third, 3)] {
        if gain < 1e-8 {
            continue;
        }
        let lowered = below(cone, 1.0 / divisor);
        for (sample, x) in out.iter_mut().zip(lowered) {
            *sample += gain * x.powi(power);
        }
    }
    out
}

/// `signal` without what lies above `share` of the sample rate, not delayed (a Blackman-windowed sinc).
fn below(signal: &[f64], share: f64) -> Vec<f64> {
    use std::f64::consts::PI;
    let middle = (GUARD_TAPS / 2) as f64;
    // The window's transition is 5.5 / taps wide; half of it must lie below the limit.
    let cutoff = share - 2.75 / GUARD_TAPS as f64;
    let taps: Vec<f64> = (0..GUARD_TAPS)
        .map(|i| {
            let x = i as f64 - middle;
            let sinc = if x == 0.0 { 2.0 * cutoff } else { (2.0 * PI * cutoff * x).sin() / (PI * x) };
            let turn = 2.0 * PI * (i as f64 + 0.5) / GUARD_TAPS as f64;
            sinc * (0.42 - 0.5 * turn.cos() + 0.08 * (2.0 * turn).cos())
        })
        .collect();
    let mut padded = signal.to_vec();
    padded.extend([0.0; GUARD_TAPS / 2]);
    Convolver::new(&taps).run(&padded).split_off(GUARD_TAPS / 2)
}
