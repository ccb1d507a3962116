//! Cars drawn afresh: simulated, with random dimensions, places, levels and wiring.
//!
//! The virtual car has its own filters, transforms and cabin, and knows nothing of how it is judged.
#![allow(dead_code, reason = "each test file uses its own part")]
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test fails by panicking")]

use dsp::average::{Method, spatial_average};
use dsp::curve::Curve;
use dsp::limits::Limits;
use dsp::spectrum::{Bins, Complex, RealTransform, continue_beyond};
use dsp::target::Target;
use garage::{Channel, ChannelMap};
use job::cabin::{CabinCurves, ChannelCurves, PositionCurve};
use job::intake::{default_target, scenario_sheet};
use job::voicing::{self, curve_grid_hz};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use virtual_car::VirtualCar;
use virtual_car::scenario::{Position, Scenario, Wiring};

/// Of everything heard.
pub const RATE_HZ: u32 = 48_000;
/// The grid of [`Bins::standard`].
pub const LENGTH: usize = 32_768;
/// The first of the processor's channels among the car's outputs; before it come the music's two.
pub const FIRST_CHANNEL: u16 = 2;

/// A drawn car, its channels, and what it is to be corrected with and towards.
pub struct Bench {
    pub car: VirtualCar,
    pub map: ChannelMap,
    pub limits: Limits,
    pub target: Target,
}

/// The car of that name with random dimensions, places, levels and wiring.
pub fn bench(name: &str, rng: &mut ChaCha8Rng) -> Bench {
    let sheet = scenario_sheet(&garage::Simulation { scenario: name.into(), seed: 1 }).unwrap();
    let mut scenario = Scenario::named(name).unwrap();
    for size in &mut scenario.cabin.size_m {
        *size *= rng.random_range(0.96..1.12);
    }
    scenario.seed = rng.random_range(0..u64::from(u32::MAX));
    for channel in &mut scenario.channels {
        channel.amplifier_gain_db += rng.random_range(-3.0..3.0);
        // Sound but for polarity: what is dead or swapped is for the roll call to find.
        channel.wiring = Wiring { inverted: rng.random_range(0.0..1.0) < 0.15, ..Wiring::default() };
        for speaker in &mut channel.speakers {
            for place in &mut speaker.place_m {
                *place *= rng.random_range(0.93..1.07);
            }
        }
    }
    for (place, size) in
        scenario.channels.iter_mut().flat_map(|it| &mut it.speakers).flat_map(|speaker| {
            speaker.place_m.iter_mut().zip([0, 1, 2].map(|axis| scenario.cabin.size_m[axis]))
        })
    {
        *place = place.clamp(0.04, size - 0.04);
    }
    Bench {
        car: VirtualCar::new(scenario, 1),
        map: sheet.car.channel_map,
        limits: sheet.limits.unwrap(),
        target: default_target(),
    }
}

/// An impulse response with noise 40 dB below it, and its transform at the standard bins within `band_hz`.
pub fn heard(
    car: &VirtualCar,
    output: u16,
    band_hz: (f64, f64),
    noise: bool,
    rng: &mut ChaCha8Rng,
) -> (Vec<f64>, Vec<Complex>) {
    let mut impulse = car.true_impulse(output, 0, 12_000, RATE_HZ).unwrap();
    if noise {
        let power = impulse.iter().map(|x| x * x).sum::<f64>() / impulse.len() as f64;
        for x in &mut impulse {
            let normal = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
            *x += 0.01 * power.sqrt() * normal;
        }
    }
    let mut padded = impulse.clone();
    padded.resize(LENGTH, 0.0);
    let spectrum = RealTransform::new(LENGTH).forward(&padded);
    let bins = Bins::standard();
    let inside = |f: f64| (band_hz.0..=band_hz.1).contains(&f);
    let pairs = bins.kept.iter().zip(&bins.frequency_hz);
    let mut response: Vec<Complex> =
        pairs.map(|(&k, &f)| if inside(f) { spectrum[k] } else { Complex::default() }).collect();
    continue_beyond(&bins.frequency_hz, &mut response, band_hz, 0.0);
    (impulse, response)
}

/// Smoothed as the cabin stage does.
pub fn curve_of(response: &[Complex], band_hz: (f64, f64)) -> Curve {
    let grid: Vec<f64> =
        curve_grid_hz().into_iter().filter(|f| (1.06 * band_hz.0..band_hz.1 / 1.06).contains(f)).collect();
    let power: Vec<f64> = response.iter().map(Complex::norm_sqr).collect();
    let smooth = Bins::standard().smooth(&power, &grid, voicing::SMOOTHING_PER_OCTAVE);
    Curve::of_levels(grid, smooth.iter().map(|p| 10.0 * p.log10()).collect())
}

/// Every channel at `places`, as the cabin stage would have it.
pub fn cabin(bench: &Bench, places: &[(String, [f64; 3])], rng: &mut ChaCha8Rng) -> CabinCurves {
    let mut car = bench.car.clone();
    car.clear_tune();
    let channel = |(index, channel): (usize, &Channel)| {
        let band_hz = channel.safe_band_hz;
        let mut positions = Vec::new();
        for (name, place_m) in places {
            car.set_microphone_at(*place_m);
            let (impulse, response) = heard(&car, FIRST_CHANNEL + index as u16, band_hz, true, rng);
            positions.push(PositionCurve {
                position: name.clone(),
                take: String::new(),
                curve: curve_of(&response, band_hz),
                arrival_ms: Some(0.0),
                sharp_arrival_ms: None,
                disagrees: None,
                impulse,
                rate_hz: f64::from(RATE_HZ),
                response,
            });
        }
        let all: Vec<Curve> = positions.iter().map(|it| it.curve.clone()).collect();
        ChannelCurves {
            name: channel.name.clone(),
            side: channel.side,
            place: channel.place,
            band_hz,
            positions,
            average: spatial_average(&all, Method::Power).unwrap(),
            thd_percent: Vec::new(),
        }
    };
    CabinCurves {
        simulated: true,
        channels: bench.map.channels.iter().enumerate().map(channel).collect(),
        feeds: Vec::new(),
    }
}

/// The nine positions of a seat, and nine others within the same head volume.
pub fn places(bench: &Bench, seat: usize, rng: &mut ChaCha8Rng) -> [Vec<(String, [f64; 3])>; 2] {
    let head_m = bench.car.scenario().seats[seat].head_m;
    let at = |offset_m: [f64; 3]| [0, 1, 2].map(|axis| head_m[axis] + offset_m[axis]);
    let measured = Position::ALL.iter().map(|it| (it.name().to_owned(), at(it.offset_m()))).collect();
    let others = (0..9)
        .map(|i| {
            let offset_m = [0.09, 0.08, 0.09].map(|reach| rng.random_range(-reach..reach));
            (format!("other {i}"), at(offset_m))
        })
        .collect();
    [measured, others]
}

/// A number from the environment, for longer runs and other cars than the usual ones.
pub fn asked<T: std::str::FromStr>(variable: &str, usual: T) -> T {
    std::env::var(variable).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// The middle of some values, of an even number the upper.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
