//! Simulated factory outputs: bilinear filters written out here from their poles and zeros, with noise.

use std::f64::consts::PI;

use dsp::factory::LineResponse;
use dsp::factory::channel::{PER_OCTAVE, Sure, explain};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::num_complex::Complex64;

const RATE_HZ: f64 = 48_000.0;
const BINS: usize = 1 << 16;
/// The response is handed over with this much of its delay taken out.
const BASE_S: f64 = 0.002;

fn draw(rng: &mut ChaCha8Rng, from: f64, to: f64) -> f64 {
    from + (to - from) * rng.random::<f64>()
}

/// Complex normal noise by Box–Muller.
fn noise(rng: &mut ChaCha8Rng) -> Complex64 {
    let (u, v): (f64, f64) = (rng.random(), rng.random());
    Complex64::from_polar((-(1.0 - u).ln()).sqrt(), 2.0 * PI * v)
}

/// Butterworth of an order from its poles, low-pass at warped frequency `x = tan/tan`.
fn butterworth(order: u32, x: f64) -> Complex64 {
    let s = Complex64::new(0.0, x);
    (0..order)
        .map(|k| {
            let pole =
                Complex64::cis(PI * (2.0 * f64::from(k) + f64::from(order) + 1.0) / (2.0 * f64::from(order)));
            -pole / (s - pole)
        })
        .product()
}

fn bell(x: f64, gain_db: f64, q: f64) -> Complex64 {
    let a = 10f64.powf(gain_db / 40.0);
    Complex64::new(1.0 - x * x, x * a / q) / Complex64::new(1.0 - x * x, x / (a * q))
}

#[derive(Debug, Clone)]
struct Truth {
    low: Option<(f64, u32, bool)>,
    high: Option<(f64, u32, bool)>,
    bells: Vec<(f64, f64, f64)>,
    all_pass: Option<(f64, Option<f64>)>,
    delay_s: f64,
    inverted: bool,
}

impl Truth {
    fn response(&self, f: f64) -> Complex64 {
        let t = |f: f64| (PI * f / RATE_HZ).tan();
        let edge = |x: f64, order: u32, squared: bool| {
            if squared { butterworth(order / 2, x).powi(2) } else { butterworth(order, x) }
        };
        let mut h = Complex64::cis(-2.0 * PI * f * self.delay_s) * if self.inverted { -1.0 } else { 1.0 };
        if let Some((corner, order, squared)) = self.low {
            // s → 1/s
            h *= edge(t(corner) / t(f), order, squared).conj();
        }
        if let Some((corner, order, squared)) = self.high {
            h *= edge(t(f) / t(corner), order, squared);
        }
        for &(centre, gain_db, q) in &self.bells {
            h *= bell(t(f) / t(centre), gain_db, q);
        }
        match self.all_pass {
            Some((corner, Some(q))) => {
                let x = t(f) / t(corner);
                h *= Complex64::new(1.0 - x * x, -x / q) / Complex64::new(1.0 - x * x, x / q);
            }
            Some((corner, None)) => {
                let x = t(f) / t(corner);
                h *= Complex64::new(1.0, -x) / Complex64::new(1.0, x);
            }
            None => {}
        }
        h
    }
}

/// As a sweep would measure it: noise of a `snr_db` recording spread over a pink spectrum.
fn measured(truth: &Truth, snr_db: f64, rng: &mut ChaCha8Rng) -> LineResponse {
    let spacing = RATE_HZ / 2.0 / BINS as f64;
    let sigma: Vec<f64> = (0..BINS)
        .map(|k| {
            // A 10 s sweep over 12 octaves: |X| falls 3 dB per octave, white noise keeps its level.
            let f = (k as f64 * spacing).max(1.0);
            10f64.powf(-snr_db / 20.0) * (f / 1_000.0).sqrt() * 0.03
        })
        .collect();
    let spectrum: Vec<Complex64> =
        (0..BINS).map(|k| truth.response((k as f64 * spacing).max(0.01)) + noise(rng) * sigma[k]).collect();
    LineResponse::from_bins(&spectrum, (&sigma, 0.0), spacing, truth.delay_s, (6.0, 20_000.0), PER_OCTAVE)
        .delayed(truth.delay_s - BASE_S)
}

fn random_truth(rng: &mut ChaCha8Rng, place: usize) -> Truth {
    let orders = [
        (2, true),
        (4, true),
        (4, false),
        (4, true),
        (8, true),
        (3, false),
        (1, false),
        (6, true),
        (2, false),
    ];
    let (order, squared) = orders[rng.random_range(0..orders.len())];
    let corners = [None, Some((80.0, 300.0)), Some((2_000.0, 4_000.0))];
    let (low, high) = match place {
        0 => (None, None),
        1 => (corners[2], None),
        2 => (corners[1], corners[2]),
        _ => (None, Some((60.0, 150.0))),
    };
    let mut pick = |range: Option<(f64, f64)>| range.map(|(a, b)| (draw(rng, a, b), order, squared));
    let (low, high) = (pick(low), pick(high));
    let (from, to) = (low.map_or(40.0, |l| l.0), high.map_or(12_000.0, |h| h.0));
    let bells = (0..rng.random_range(1..4))
        .map(|_| (from * (to / from).powf(rng.random::<f64>()), draw(rng, -9.0, 9.0), draw(rng, 0.7, 4.0)))
        .collect();
    let all_pass = match rng.random_range(0..4) {
        0 => Some((from * 1.3 * (0.6 * to / from).powf(rng.random::<f64>()), Some(draw(rng, 0.5, 2.0)))),
        1 => Some((from * 1.3 * (0.6 * to / from).powf(rng.random::<f64>()), None)),
        _ => None,
    };
    Truth { low, high, bells, all_pass, delay_s: draw(rng, 0.0, 0.008), inverted: rng.random_bool(0.3) }
}

/// What is wrong with a finding, and whether it was called sure.
fn wrongs(truth: &Truth, found: &dsp::factory::channel::ChannelFinding) -> Vec<(String, Sure)> {
    let (model, sure) = (&found.model, &found.confidence);
    let mut wrong = Vec::new();
    let order = |edge: Option<dsp::tune::Crossover>| edge.map(|e| u32::from(e.order));
    if order(model.high_pass) != truth.low.map(|l| l.1) || order(model.low_pass) != truth.high.map(|h| h.1) {
        wrong.push((format!("edges {:?} {:?}", model.high_pass, model.low_pass), sure.edges));
    }
    if model.inverted != truth.inverted {
        wrong.push(("polarity".into(), sure.polarity));
    }
    let same_all_pass = match (truth.all_pass, model.all_passes.first()) {
        (None, None) => true,
        (Some((f, q)), Some(a)) => q.is_some() == a.q.is_some() && (a.frequency_hz / f).log2().abs() < 0.1,
        _ => false,
    };
    if !same_all_pass {
        wrong.push((format!("all-pass {:?}", model.all_passes), sure.all_passes));
    }
    wrong
}

/// The figures asked of line-level findings: slopes and all-passes ≥ 95 % right, every polarity right, delays within
/// 0.1 / 2 / 8 / 60 µs for a full-range output, a tweeter's, a midrange's and a woofer's.
#[test]
fn outputs_at_60_db_are_explained() {
    let seed = 7;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (trials, mut wrong) = (40, Vec::new());
    for trial in 0..trials {
        let truth = random_truth(&mut rng, trial % 4);
        let found = explain(&measured(&truth, 60.0, &mut rng), RATE_HZ).unwrap();
        let wrong_here = wrongs(&truth, &found);
        assert!(wrong_here.iter().all(|w| w.0 != "polarity"), "seed {seed}, trial {trial}: {truth:?}");
        if wrong_here.is_empty() {
            let error_us = (found.model.delay_s - truth.delay_s + BASE_S) * 1e6;
            let allowed_us = [0.1, 2.0, 8.0, 60.0][trial % 4];
            assert!(error_us.abs() <= allowed_us, "seed {seed}, trial {trial}: {error_us} µs, {truth:?}");
        }
        wrong.extend(wrong_here);
    }
    assert!(wrong.len() * 20 <= trials, "seed {seed}: {wrong:?}");
}

/// In more noise a finding may be doubted, but not wrong and sure.
#[test]
fn at_40_db_nothing_wrong_is_called_sure() {
    let seed = 8;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for trial in 0..40 {
        let truth = random_truth(&mut rng, trial % 4);
        let Some(found) = explain(&measured(&truth, 40.0, &mut rng), RATE_HZ) else { continue };
        let sure_and_wrong: Vec<_> =
            wrongs(&truth, &found).into_iter().filter(|w| w.1 == Sure::High).collect();
        assert!(sure_and_wrong.is_empty(), "seed {seed}, trial {trial}: {sure_and_wrong:?}, {truth:?}");
    }
}
