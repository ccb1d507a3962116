//! Phase, group delay, and the phase beyond minimum phase.

use std::f64::consts::{PI, TAU};

use super::fft::Complex;

/// Takes the jumps of a turn out of a phase in radians: neighbours end up within half a turn of each other.
///
/// Right only where the phase truly changes by less than half a turn between neighbours: remove a known delay first.
pub fn unwrap(phase_rad: &[f64]) -> Vec<f64> {
    let mut turns = 0.0;
    let mut out = Vec::with_capacity(phase_rad.len());
    let mut previous: Option<f64> = None;
    for &phase in phase_rad {
        if let Some(previous) = previous {
            turns -= ((phase - previous) / TAU).round();
        }
        previous = Some(phase);
        out.push(phase + turns * TAU);
    }
    out
}

/// An angle in degrees, wrapped to (−180, 180].
pub fn wrap_deg(angle_deg: f64) -> f64 {
    let wrapped = angle_deg.rem_euclid(360.0);
    if wrapped > 180.0 { wrapped - 360.0 } else { wrapped }
}

/// Group delay `−dφ/dω` in seconds, by central differences, from an unwrapped phase in radians.
///
/// The two slices have the same length; fewer than two points give zeros.
pub fn group_delay_s(frequency_hz: &[f64], phase_rad: &[f64]) -> Vec<f64> {
    let n = frequency_hz.len().min(phase_rad.len());
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            if a == b {
                return 0.0;
            }
            -(phase_rad[b] - phase_rad[a]) / (TAU * (frequency_hz[b] - frequency_hz[a]))
        })
        .collect()
}

/// Phase of `response` beyond that of `minimum`, in radians within (−π, π], bin by bin.
///
/// A pure delay τ leaves `−2πfτ`; an inverted polarity leaves π; an all-pass leaves its own phase.
pub fn excess_phase(response: &[Complex], minimum: &[Complex]) -> Vec<f64> {
    response
        .iter()
        .zip(minimum)
        .map(|(h, m)| {
            let angle = (h * m.conj()).arg();
            if angle <= -PI { PI } else { angle }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delay_unwraps_to_a_line_and_its_group_delay() {
        let delay_s = 0.004;
        let frequency_hz: Vec<f64> = (0..2000).map(|k| 50.0 * k as f64).collect();
        let wrapped: Vec<f64> = frequency_hz.iter().map(|f| Complex::cis(-TAU * f * delay_s).arg()).collect();
        let unwrapped = unwrap(&wrapped);
        for (f, phase) in frequency_hz.iter().zip(&unwrapped) {
            assert!((phase + TAU * f * delay_s).abs() < 1e-8);
        }
        for delay in group_delay_s(&frequency_hz, &unwrapped) {
            assert!((delay - delay_s).abs() < 1e-9);
        }
        assert_eq!(group_delay_s(&[10.0], &[1.0]), [0.0]);
    }

    #[test]
    fn angles_wrap_to_the_half_open_turn() {
        for (angle, wrapped) in
            [(0.0, 0.0), (180.0, 180.0), (-180.0, 180.0), (190.0, -170.0), (-730.0, -10.0)]
        {
            assert_eq!(wrap_deg(angle), wrapped);
        }
    }

    #[test]
    fn excess_phase_of_an_inverted_minimum_phase_system_is_half_a_turn() {
        let minimum = [Complex::new(0.3, 0.4), Complex::new(-2.0, 1.0)];
        let inverted: Vec<Complex> = minimum.iter().map(|m| -m).collect();
        assert!(excess_phase(&inverted, &minimum).iter().all(|e| (e.abs() - PI).abs() < 1e-12));
    }
}
