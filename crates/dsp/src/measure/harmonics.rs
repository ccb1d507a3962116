//! Distortion from the same sweep: each harmonic has its own response, earlier than the linear one.

use super::facts::Distortion;
use super::window::{Cut, Heard};
use crate::bands::{Band, Width};
use crate::spectrum::{Gate, Plans, smooth_power};
use crate::stimulus::SweepShape;

/// Harmonics that are looked at.
const ORDERS: std::ops::RangeInclusive<usize> = 2..=5;

/// Power spectra of the harmonics' own responses.
pub(super) struct Harmonics {
    /// For each order from 2: power bins, their spacing, and the gate's energy.
    spectra: Vec<(Vec<f64>, f64, f64)>,
}

/// The gate around the response of `order`: as wide as its neighbours allow.
fn gate(shape: &SweepShape, order: usize, main: &Gate) -> Gate {
    let to_next_s = shape.harmonic_advance_s(order + 1) - shape.harmonic_advance_s(order);
    let to_previous_s = shape.harmonic_advance_s(order) - shape.harmonic_advance_s(order - 1);
    let before_s = main.before_s.min(0.45 * to_next_s);
    let after_s = main.after_s.min(0.45 * to_previous_s);
    Gate { before_s, rise_s: 0.3 * before_s, after_s, fall_s: 0.3 * after_s }
}

impl Harmonics {
    /// Reads the mean of the repeats at positions `used`, around the advance of each harmonic.
    pub fn read(
        plans: &Plans,
        heard: &Heard,
        used: &[usize],
        main: &Gate,
        direct: i64,
        shape: &SweepShape,
    ) -> Self {
        let mut mean = vec![0.0; heard.length()];
        for (_, cyclic) in used.iter().filter_map(|&r| heard.repeats.get(r)) {
            mean.iter_mut().zip(cyclic).for_each(|(m, c)| *m += c / used.len() as f64);
        }
        let spectra = ORDERS
            .map(|order| {
                let cut = Cut::new(gate(shape, order, main), heard.frames_per_s, plans);
                let centre = direct - (shape.harmonic_advance_s(order) * heard.frames_per_s).round() as i64;
                (cut.power(&mean, centre), cut.spacing_hz(), cut.energy())
            })
            .collect();
        Self { spectra }
    }

    /// Distortion in third-octave bands of the fundamental.
    ///
    /// `linear` and `noise` are the powers of the response and of its noise, `spacing_hz` apart, under a gate of energy
    /// `energy`. `mic_db` is the microphone's level at a frequency: fundamental and harmonic pass it differently.
    pub fn distortion(
        &self,
        shape: &SweepShape,
        linear: &[f64],
        noise: &[f64],
        spacing_hz: f64,
        energy: f64,
        mic_db: impl Fn(f64) -> f64,
    ) -> Vec<Distortion> {
        let mean = |power: &[f64], spacing_hz: f64, hz: f64| {
            smooth_power(power, spacing_hz, &[hz], 3.0).first().copied().unwrap_or(0.0)
        };
        Band::within(Width::ThirdOctave, shape.low_hz * 1.1, shape.high_hz / 2.0)
            .into_iter()
            .filter_map(|band| {
                let hz = band.exact_hz;
                let fundamental = mean(linear, spacing_hz, hz) - mean(noise, spacing_hz, hz);
                if fundamental <= 0.0 {
                    return None;
                }
                let mut floor = 0.0f64;
                let harmonic = |order: usize, floor: &mut f64| -> Option<f64> {
                    let at_hz = hz * order as f64;
                    if at_hz * (1.0f64 / 6.0).exp2() > shape.high_hz {
                        return None;
                    }
                    let (power, own_spacing_hz, own_energy) = self.spectra.get(order - 2)?;
                    let mic = 10f64.powf((mic_db(hz) - mic_db(at_hz)) / 10.0);
                    let ground = mean(noise, spacing_hz, at_hz) * own_energy / energy / fundamental;
                    let ratio = mean(power, *own_spacing_hz, at_hz) / fundamental * mic;
                    *floor = floor.max(ground);
                    // What is left after the noise; a tenth of the noise at least, since less cannot be told.
                    Some((ratio - ground).max(0.1 * ground).max(1e-16))
                };
                let ratios: Vec<Option<f64>> = ORDERS.map(|order| harmonic(order, &mut floor)).collect();
                let db = |i: usize| ratios.get(i).copied().flatten().map(|r| 10.0 * r.log10());
                Some(Distortion {
                    frequency_hz: band.nominal_hz,
                    h2_db: db(0)?,
                    h3_db: db(1),
                    h4_db: db(2),
                    h5_db: db(3),
                    thd_percent: 100.0 * ratios.iter().flatten().sum::<f64>().sqrt(),
                    floor_db: 10.0 * floor.max(1e-16).log10(),
                })
            })
            .collect()
    }
}
