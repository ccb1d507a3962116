//! How long the proposals of Voicing take, against a transform of 2^19 samples beside them.
//!
//! `cargo run --release -p job --example bench_voicing`. Eight channels, nine positions, invented responses.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::hint::black_box;
use std::time::Instant;

use dsp::average::{Method, spatial_average};
use dsp::curve::Curve;
use dsp::limits::Limits;
use dsp::spectrum::{Bins, Complex, RealTransform};
use garage::channels::Place;
use garage::{Channel, ChannelMap, Role, Side};
use job::cabin::{CabinCurves, ChannelCurves, PositionCurve};
use job::voicing::{self, Scope, Wish, curve_grid_hz};

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

fn main() {
    let (map, cabin) = car();
    let Ok(limits) =
        serde_json::from_str::<Limits>(include_str!("../../../assets/limits/small-parametric.json"))
    else {
        println!("the limits in assets cannot be read");
        return;
    };
    let target = job::intake::default_target();
    let plan = RealTransform::new(1 << 19);
    let noise: Vec<f64> = (0..1 << 19).map(|n| (f64::from(n) * 0.7).sin()).collect();
    let reference_ms = best_ms(5, || {
        black_box(plan.forward(black_box(&noise)));
    });

    let mut made = None;
    let set_up_ms = best_ms(1, || {
        made = voicing::set_up(&cabin, &map, &target, &limits, &Wish::default()).ok();
    });
    let Some(made) = made else {
        println!("the invented car cannot be set up");
        return;
    };
    let mut brighter = target.clone();
    brighter.points.iter_mut().filter(|it| it.0 > 10_000.0).for_each(|it| it.1 += 2.0);
    let follow_ms = best_ms(5, || {
        let found =
            voicing::propose_quickly(&cabin, &Scope::Whole, &made.result.tune, &brighter, &limits).is_ok();
        black_box(found);
    });
    let predict_ms = best_ms(10, || {
        black_box(voicing::predict(&cabin, &made.result.tune, &Scope::Whole).is_ok());
    });
    println!("reference: a transform of 2^19 samples takes {reference_ms:.1} ms here");
    for (what, ms) in [
        ("prediction of the whole car", predict_ms),
        ("new proposal after a target change (asked: 150 ms)", follow_ms),
        ("set up in one call", set_up_ms),
    ] {
        println!("{what}: {ms:.1} ms, {:.1} of the reference", ms / reference_ms);
    }
}

fn best_ms(times: usize, mut work: impl FnMut()) -> f64 {
    let once = |_| {
        let started = Instant::now();
        work();
        1e3 * started.elapsed().as_secs_f64()
    };
    (0..times).map(once).fold(f64::INFINITY, f64::min)
}

/// Each channel a second-order band-pass with a dozen echoes that differ from place to place.
fn car() -> (ChannelMap, CabinCurves) {
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
            band_hz,
            positions,
            average,
            thd_percent: Vec::new(),
        });
    }
    (map, cabin)
}
