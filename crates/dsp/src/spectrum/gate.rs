//! Windows on impulse responses.

use std::f64::consts::{PI, TAU};

use super::fft::Complex;

/// An asymmetric gate around one instant: raised-cosine rise, flat, raised-cosine fall.
///
/// A response limited to 20 Hz and up rings before its own arrival as well as after it, so the gate must open early:
/// at least 150 ms before the arrival when 20 Hz is to be right (found by simulation; no published source).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gate {
    /// From the opening of the gate to the instant.
    pub before_s: f64,
    /// Length of the rise, within `before_s`.
    pub rise_s: f64,
    /// From the instant to the closing of the gate.
    pub after_s: f64,
    /// Length of the fall, within `after_s`.
    pub fall_s: f64,
}

impl Gate {
    /// The gate for a whole response down to 20 Hz: opens 150 ms before the arrival, closes `after_s` after it.
    pub fn whole(after_s: f64) -> Self {
        Self { before_s: 0.150, rise_s: 0.050, after_s, fall_s: 0.25 * after_s }
    }

    /// Weight at `t_s` from the instant, 0 to 1.
    pub fn weight(&self, t_s: f64) -> f64 {
        let edge = |inside_s: f64, length_s: f64| {
            if inside_s <= 0.0 {
                0.0
            } else if inside_s >= length_s {
                1.0
            } else {
                0.5 - 0.5 * (PI * inside_s / length_s).cos()
            }
        };
        edge(t_s + self.before_s, self.rise_s) * edge(self.after_s - t_s, self.fall_s)
    }

    /// `impulse` under the gate, on the same time base and of the same length. `at_s` is the instant from sample 0.
    pub fn apply(&self, impulse: &[f64], rate_hz: f64, at_s: f64) -> Vec<f64> {
        impulse.iter().enumerate().map(|(n, x)| x * self.weight(n as f64 / rate_hz - at_s)).collect()
    }
}

/// Response under a window that shortens with frequency: `cycles` periods to either side of `at_s`, at each of `at_hz`.
///
/// The window is a raised cosine (Hann) over `±cycles / f`. Phase is counted from sample 0. At low frequency it shows
/// what the cabin adds, at high frequency what arrives first, which is close to how it is heard (common practice, no
/// source). Cost: the sum of the window lengths, a few milliseconds for 500 frequencies.
pub fn frequency_dependent(
    impulse: &[f64],
    rate_hz: f64,
    at_s: f64,
    cycles: f64,
    at_hz: &[f64],
) -> Vec<Complex> {
    at_hz
        .iter()
        .map(|&f| {
            let half_s = cycles / f;
            let first = ((at_s - half_s) * rate_hz).ceil().max(0.0);
            let last = ((at_s + half_s) * rate_hz).floor().min(impulse.len() as f64 - 1.0);
            if last < first {
                return Complex::new(0.0, 0.0);
            }
            let (first, last) = (first as usize, last as usize);
            // Two phasors advance together, the wave and the window; both are set afresh every block.
            let (wave_step, window_step) = (TAU * f / rate_hz, PI / (half_s * rate_hz));
            let (wave_turn, window_turn) = (Complex::cis(-wave_step), Complex::cis(window_step));
            let mut sum = Complex::new(0.0, 0.0);
            for (block, samples) in impulse[first..=last].chunks(512).enumerate() {
                let n0 = (first + block * 512) as f64;
                let mut wave = Complex::cis(-wave_step * n0);
                let mut window = Complex::cis(window_step * (n0 - at_s * rate_hz));
                for &x in samples {
                    sum += wave * (x * (0.5 + 0.5 * window.re));
                    wave *= wave_turn;
                    window *= window_turn;
                }
            }
            sum
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::response_at;

    #[test]
    fn the_gate_opens_and_closes_where_it_says() {
        let gate = Gate { before_s: 0.150, rise_s: 0.050, after_s: 0.300, fall_s: 0.100 };
        for (t_s, weight) in
            [(-0.151, 0.0), (-0.125, 0.5), (-0.1, 1.0), (0.0, 1.0), (0.2, 1.0), (0.25, 0.5), (0.301, 0.0)]
        {
            assert!((gate.weight(t_s) - weight).abs() < 1e-12, "{t_s}");
        }
        assert!(Gate::whole(0.5).before_s >= 0.150);
    }

    #[test]
    fn the_frequency_dependent_window_sees_early_sound_only_at_high_frequency() {
        let mut impulse = vec![0.0; 9600];
        impulse[4800] = 1.0;
        impulse[4848] = 1.0; // 1 ms later
        let (low, high) = (100.0, 10_000.0);
        let seen = frequency_dependent(&impulse, 48_000.0, 0.1, 6.0, &[low, high]);
        // At 10 kHz six cycles are 0.6 ms: the direct sound alone. At 100 Hz they are 60 ms: both, the second under
        // the window's weight 1 ms from its centre.
        assert!((seen[1].norm() - 1.0).abs() < 1e-9);
        let weight = 0.5 + 0.5 * (PI * 0.001 / 0.06f64).cos();
        let mut under_window = impulse.clone();
        under_window[4848] = weight;
        assert!((seen[0] - response_at(&under_window, 48_000.0, low)).norm() < 1e-9);
        assert_eq!(frequency_dependent(&impulse, 48_000.0, 9.0, 1.0, &[high]), [Complex::new(0.0, 0.0)]);
    }
}
