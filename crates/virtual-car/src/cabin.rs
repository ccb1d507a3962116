//! From a speaker to the microphone through a small box of air.
//!
//! Mirror images of the source (J. B. Allen and D. A. Berkley, J. Acoust. Soc. Am. 65, 943, 1979). Images are sorted
//! by how often they met each kind of wall; each group is filtered by the power of the walls' minimum-phase
//! reflection factors, so that the absorption may depend on frequency at little cost.

use std::collections::BTreeMap;

use dsp::tune::Biquad;
use rustfft::num_complex::Complex;

use crate::chance::{Chance, Purpose};
use crate::level::factor;
use crate::resample::Reader;
use crate::scenario::{Cabin, Surface};
use crate::transform::{Transform, minimum_phase};

/// Octave bands in which absorption is tabulated.
const OCTAVES_HZ: [f64; 8] = [63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0];
/// Reflections of one path; what would follow lies 40 dB and more down in an upholstered car.
const MOST_REFLECTIONS: i32 = 12;
/// How long paths are followed.
const LONGEST_S: f64 = 0.09;
/// Nearer than this a speaker is not simulated.
const NEAREST_M: f64 = 0.25;

/// Share of the incident power that a surface swallows in each octave band.
///
/// Invented for the demo, of the order that handbooks give for glass, panels, carpet with seats, and lining.
fn absorption(surface: Surface) -> [f64; 8] {
    match surface {
        Surface::Glass => [0.25, 0.30, 0.22, 0.16, 0.12, 0.10, 0.10, 0.12],
        Surface::Trim => [0.30, 0.34, 0.32, 0.28, 0.26, 0.28, 0.30, 0.34],
        Surface::Upholstery => [0.22, 0.30, 0.45, 0.62, 0.72, 0.78, 0.80, 0.82],
        Surface::Headliner => [0.20, 0.26, 0.38, 0.52, 0.60, 0.64, 0.66, 0.68],
    }
}

/// Speed of sound in air, the usual linear form around 20 °C (common practice; 343.2 m/s at 20 °C).
pub fn speed_of_sound_m_s(temperature_c: f64) -> f64 {
    331.3 + 0.606 * temperature_c
}

/// Length of a cabin's response at `rate_hz`: a power of two of about 0.17 s or more.
fn length(rate_hz: f64) -> usize {
    ((0.17 * rate_hz) as usize).next_power_of_two()
}

/// The response from `source_m` to `listener_m`: the pressure at the listener for a source whose pressure at 1 m
/// in open air is the input, sampled at `rate_hz`.
pub fn impulse_response(
    cabin: &Cabin,
    source_m: [f64; 3],
    listener_m: [f64; 3],
    rate_hz: f64,
    seed: u64,
) -> Vec<f64> {
    let transform = Transform::new(length(rate_hz));
    let mut groups = Groups::new(cabin, rate_hz, transform.length());
    groups.gather(source_m, listener_m, seed);
    let walls: Vec<_> = groups.kinds.iter().map(|&kind| reflection(kind, &transform, rate_hz)).collect();
    let mut sum = vec![Complex::default(); transform.length() / 2 + 1];
    for (met, train) in &groups.trains {
        for (bin, (total, direct)) in sum.iter_mut().zip(transform.spectrum(train)).enumerate() {
            let lost: Complex<f64> =
                met.iter().zip(&walls).map(|(&times, wall)| wall[bin].powi(times)).product();
            *total += direct * lost;
        }
    }
    let rise = pressure_rise(cabin, rate_hz);
    let mut response = transform.signal(sum);
    crate::filter::run(&[rise], &mut response);
    response
}

/// A surface's reflection factor at the bins of `transform`.
fn reflection(surface: Surface, transform: &Transform, rate_hz: f64) -> Vec<Complex<f64>> {
    let swallowed = absorption(surface);
    let magnitudes: Vec<f64> = (0..=transform.length() / 2)
        .map(|bin| {
            let frequency_hz = (bin as f64 * rate_hz / transform.length() as f64).clamp(63.0, 8000.0);
            let share = dsp::curve::interpolate_log(&OCTAVES_HZ, &swallowed, frequency_hz).unwrap_or(0.5);
            (1.0 - share).sqrt()
        })
        .collect();
    minimum_phase(transform, &magnitudes)
}

/// The cabin pumps as a whole below its lowest mode: a low shelf.
fn pressure_rise(cabin: &Cabin, rate_hz: f64) -> Biquad {
    let section = dsp::tune::Section {
        kind: dsp::tune::SectionKind::LowShelf,
        frequency_hz: cabin.pressure_rise_hz,
        gain_db: cabin.pressure_rise_db,
        q: 0.6,
    };
    crate::filter::of_section(&section, rate_hz)
}

/// Impulse trains, one for each number of meetings with each kind of wall.
struct Groups<'a> {
    cabin: &'a Cabin,
    rate_hz: f64,
    length: usize,
    kinds: Vec<Surface>,
    reader: Reader,
    trains: BTreeMap<Vec<i32>, Vec<f64>>,
}

impl<'a> Groups<'a> {
    fn new(cabin: &'a Cabin, rate_hz: f64, length: usize) -> Self {
        let mut kinds = cabin.surfaces.to_vec();
        kinds.sort();
        kinds.dedup();
        Self { cabin, rate_hz, length, kinds, reader: Reader::default(), trains: BTreeMap::new() }
    }

    fn gather(&mut self, source_m: [f64; 3], listener_m: [f64; 3], seed: u64) {
        let size = self.cabin.size_m;
        // Along each axis: where the image lies, and how often it met the near and the far wall.
        let axis = |axis: usize| -> Vec<(f64, [i32; 2])> {
            (-MOST_REFLECTIONS / 2..=MOST_REFLECTIONS / 2)
                .flat_map(|n| [(n, 0), (n, 1)])
                .map(|(n, mirrored)| {
                    let place =
                        f64::from(1 - 2 * mirrored) * source_m[axis] + 2.0 * f64::from(n) * size[axis];
                    (place - listener_m[axis], [(n - mirrored).abs(), n.abs()])
                })
                .collect()
        };
        let axes: [_; 3] = std::array::from_fn(axis);
        // The scattering belongs to the speaker and the walls: it must not move with the microphone.
        let place = source_m.iter().fold(0u64, |hash, m| hash.wrapping_mul(31).wrapping_add(m.to_bits()));
        let mut chance = Chance::new(seed, place, Purpose::Scatter, 0);
        for (x, x_met) in &axes[0] {
            for (y, y_met) in &axes[1] {
                for (z, z_met) in &axes[2] {
                    let shift: [f64; 3] = std::array::from_fn(|_| chance.uniform() - 0.5);
                    let met = [x_met[0], x_met[1], y_met[0], y_met[1], z_met[0], z_met[1]];
                    self.add([*x, *y, *z], shift, met);
                }
            }
        }
    }

    fn add(&mut self, way_m: [f64; 3], shift: [f64; 3], met: [i32; 6]) {
        let times: i32 = met.iter().sum();
        if times > MOST_REFLECTIONS {
            return;
        }
        let moved = 2.0 * self.cabin.scatter_m * f64::from(times.min(4));
        let distance_m = (0..3).map(|i| (way_m[i] + moved * shift[i]).powi(2)).sum::<f64>().sqrt();
        let distance_m = distance_m.max(NEAREST_M);
        let flight_s = distance_m / speed_of_sound_m_s(self.cabin.temperature_c);
        if flight_s > LONGEST_S {
            return;
        }
        let key = self
            .kinds
            .iter()
            .map(|kind| (0..6).filter(|&wall| self.cabin.surfaces[wall] == *kind).map(|wall| met[wall]).sum())
            .collect();
        let length = self.length;
        let train = self.trains.entry(key).or_insert_with(|| vec![0.0; length]);
        self.reader.add_impulse(train, flight_s * self.rate_hz, 1.0 / distance_m);
    }
}

/// Gain from a speaker's nominal drive to digital full scale of the microphone, at 1 m.
pub fn microphone_gain(sensitivity_db_spl: f64, full_scale_db_spl: f64) -> f64 {
    factor(sensitivity_db_spl - full_scale_db_spl)
}
