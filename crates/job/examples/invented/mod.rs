//! An invented car of eight channels and nine positions for benches: the same on every machine, and like no real one.

use dsp::average::{Method, spatial_average};
use dsp::curve::Curve;
use dsp::spectrum::{Bins, Complex};
use garage::channels::Place;
use garage::{Channel, ChannelMap, Role, Side};
use job::cabin::{CabinCurves, ChannelCurves, PositionCurve};
use job::voicing::{self, curve_grid_hz};

/// Name, role, side, place, and safe band in Hz.
type Speaker = (&'static str, Role, Side, Place, (f64, f64));

const SPEAKERS: [Speaker; 8] = [
    ("tweeter left", Role::Tweeter, Side::Left, Place::Front, (2200.0, 20_000.0)),
    ("tweeter right", Role::Tweeter, Side::Right, Place::Front, (2200.0, 20_000.0)),
    ("midrange left", Role::Midrange, Side::Left, Place::Front, (200.0, 9000.0)),
    ("midrange right", Role::Midrange, Side::Right, Place::Front, (200.0, 9000.0)),
    ("woofer left", Role::Woofer, Side::Left, Place::Front, (40.0, 2500.0)),
    ("woofer right", Role::Woofer, Side::Right, Place::Front, (40.0, 2500.0)),
    ("centre", Role::FullRange, Side::Both, Place::Front, (90.0, 18_000.0)),
    ("subwoofer", Role::Subwoofer, Side::Both, Place::Boot, (20.0, 300.0)),
];

/// Each channel a direct sound within its band with a dozen echoes that differ from place to place.
pub fn car() -> (ChannelMap, CabinCurves) {
    let bins = Bins::standard();
    let grid = curve_grid_hz();
    let mut cabin = CabinCurves { simulated: true, ..CabinCurves::default() };
    let mut map = ChannelMap::default();
    for (number, (name, role, side, place, band_hz)) in SPEAKERS.into_iter().enumerate() {
        map.channels.push(Channel {
            name: name.into(),
            output: number as u16 + 1,
            role,
            side,
            place,
            safe_band_hz: band_hz,
            safe_frequency_hz: (role == Role::Tweeter).then_some(band_hz.0),
            note: String::new(),
        });
        let curves_hz: Vec<f64> =
            grid.iter().copied().filter(|f| (1.06 * band_hz.0..band_hz.1 / 1.06).contains(f)).collect();
        let positions: Vec<PositionCurve> = (0..9)
            .map(|spot| {
                let heard = |f: &f64| {
                    if !(band_hz.0..=band_hz.1).contains(f) {
                        return Complex::default();
                    }
                    let mut h = Complex::cis(-std::f64::consts::TAU * f * 1e-3 * (2.0 + 0.3 * number as f64));
                    for echo in 1..13 {
                        // Irregular, and the same on every machine.
                        let late_s = 4e-4
                            * f64::from(echo)
                            * (1.0 + 0.07 * ((number * 7 + spot * 3 + echo as usize) as f64).sin());
                        h += Complex::from_polar(
                            0.5 * 0.8_f64.powi(echo),
                            -std::f64::consts::TAU * f * (late_s + 1e-3 * (2.0 + 0.3 * number as f64)),
                        );
                    }
                    h
                };
                let response: Vec<Complex> = bins.frequency_hz.iter().map(heard).collect();
                let power: Vec<f64> = response.iter().map(Complex::norm_sqr).collect();
                let level_db = bins.smooth(&power, &curves_hz, voicing::SMOOTHING_PER_OCTAVE);
                let level_db = level_db.into_iter().map(|p| 10.0 * p.max(1e-12).log10()).collect();
                PositionCurve {
                    position: format!("P{}", spot + 1),
                    take: String::new(),
                    curve: Curve::of_levels(curves_hz.clone(), level_db),
                    arrival_ms: None,
                    sharp_arrival_ms: None,
                    disagrees: None,
                    impulse: Vec::new(),
                    rate_hz: 48_000.0,
                    response,
                }
            })
            .collect();
        let all: Vec<Curve> = positions.iter().map(|it| it.curve.clone()).collect();
        let Ok(average) = spatial_average(&all, Method::Power) else { continue };
        cabin.channels.push(ChannelCurves {
            name: name.into(),
            side,
            place,
            band_hz,
            positions,
            average,
            thd_percent: Vec::new(),
        });
    }
    (map, cabin)
}
