//! Simulated factory outputs: bilinear filters written out here from their poles and zeros, with noise.

use std::f64::consts::PI;

use dsp::factory::channel::{PER_OCTAVE, Sure, explain};
use dsp::factory::LineResponse;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::num_complex::Complex64;

const RATE_HZ: f64 = 48_000.0;
const BINS: usize = 1 << 16;

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
            let pole = Complex64::cis(PI * (2.0 * f64::from(k) + f64::from(order) + 1.0) / (2.0 * f64::from(order)));
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
    LineResponse::from_bins(&spectrum, &sigma, spacing, truth.delay_s, (6.0, 20_000.0), PER_OCTAVE).delayed(truth.delay_s - 0.002)
}

fn random_truth(rng: &mut ChaCha8Rng, place: usize) -> Truth {
    let orders = [(2, true), (4, true), (4, false), (4, true), (8, true), (3, false), (1, false), (6, true), (2, false)];
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

#[test]
fn look() {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    for trial in 0..24 {
        let truth = random_truth(&mut rng, trial % 4);
        let response = measured(&truth, 60.0, &mut rng);
        let start = std::time::Instant::now();
        let found = explain(&response, RATE_HZ).unwrap();
        let m = &found.model;
        println!("--- {trial} {truth:?}");
        println!(
            "  {:.0}ms unexpl {:.3} delay err {:.1}us inv {}/{} ap {:?} edges {:?} {:?} sections {} conf {:?}",
            start.elapsed().as_secs_f64() * 1e3,
            found.unexplained_db,
            (m.delay_s - truth.delay_s + 0.002) * 1e6,
            m.inverted,
            truth.inverted,
            m.all_passes,
            m.high_pass.map(|e| (e.frequency_hz.round(), e.order, e.family)),
            m.low_pass.map(|e| (e.frequency_hz.round(), e.order, e.family)),
            m.sections.len(),
            found.confidence
        );
    }
    let _ = Sure::High;
}
