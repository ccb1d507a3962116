//! A simulated head unit that shares nothing with what judges it: filters run sample by sample from textbook bilinear forms,
//! and a recorder whose clock is its own by windowed-sinc resampling.

use std::f64::consts::PI;
use std::path::Path;
use std::process::{Command, Output};

pub const RATE_HZ: f64 = 48_000.0;

pub fn cabinwright(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cabinwright")).args(arguments).output().unwrap()
}

pub fn text(path: &Path) -> String {
    path.to_str().unwrap().to_owned()
}

/// Writes five seconds of sweep, twice, from 5 Hz to `high_hz` with markers, 6 dB below full scale in 16 bits; `others` are
/// further options.
pub fn make_stimulus(out: &Path, high_hz: &str, others: &[&str]) {
    let out = text(out);
    let usual = ["stimulus", "sweep", "--low-hz", "5", "--seconds", "5", "--repeats", "2", "--markers"];
    let format = ["--high-hz", high_hz, "--level-dbfs", "-6", "--bits", "16", "--out", &out];
    let made = cabinwright(&[&usual[..], &format, others].concat());
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
}

/// One second-order section, direct form.
pub struct Section {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

impl Section {
    pub fn pass(corner_hz: f64, q: f64, high: bool) -> Self {
        let k = (PI * corner_hz / RATE_HZ).tan();
        let norm = 1.0 / (1.0 + k / q + k * k);
        let b0 = if high { norm } else { k * k * norm };
        let b1 = if high { -2.0 * b0 } else { 2.0 * b0 };
        Self { b: [b0, b1, b0], a: [2.0 * (k * k - 1.0) * norm, (1.0 - k / q + k * k) * norm] }
    }

    /// As processors have it: its bandwidth is that of the lift and of the cut alike.
    pub fn bell(centre_hz: f64, gain_db: f64, q: f64) -> Self {
        let k = (PI * centre_hz / RATE_HZ).tan();
        let a = 10f64.powf(gain_db / 40.0);
        let norm = 1.0 / (1.0 + k / (q * a) + k * k);
        Self {
            b: [
                (1.0 + k * a / q + k * k) * norm,
                2.0 * (k * k - 1.0) * norm,
                (1.0 - k * a / q + k * k) * norm,
            ],
            a: [2.0 * (k * k - 1.0) * norm, (1.0 - k / (q * a) + k * k) * norm],
        }
    }

    pub fn run(&self, x: &mut [f64]) {
        let (mut s1, mut s2) = (0.0, 0.0);
        for v in x {
            let y = self.b[0] * *v + s1;
            s1 = self.b[1] * *v - self.a[0] * y + s2;
            s2 = self.b[2] * *v - self.a[1] * y;
            *v = y;
        }
    }
}

/// Linkwitz–Riley of the fourth order: two Butterworth sections of the second.
pub fn edge(corner_hz: f64, high: bool) -> [Section; 2] {
    [(); 2].map(|()| Section::pass(corner_hz, 0.5f64.sqrt(), high))
}

/// `x` as a recorder hears it `delay_s` late whose clock runs `ppm` fast: windowed sinc, 64 taps, Hann.
pub fn recorded(x: &[f64], ppm: f64, delay_s: f64) -> Vec<f64> {
    const HALF: i64 = 32;
    let frames = x.len() + 24_000;
    let ratio = 1.0 / (1.0 + ppm * 1e-6);
    (0..frames)
        .map(|n| {
            let at = n as f64 * ratio - delay_s * RATE_HZ;
            let centre = at.floor();
            let part = at - centre;
            // sin(π(part − i)) is the same but for its sign.
            let sine = (PI * part).sin();
            let mut sum = 0.0;
            for i in 1 - HALF..=HALF {
                let place = centre as i64 + i;
                let Some(v) = usize::try_from(place).ok().and_then(|p| x.get(p)) else { continue };
                let d = part - i as f64;
                let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
                let sinc = if d.abs() < 1e-9 { 1.0 } else { sign * sine / (PI * d) };
                sum += v * sinc * (0.5 + 0.5 * (PI * d / (HALF as f64 + 1.0)).cos());
            }
            sum
        })
        .collect()
}

/// Close to normal noise: the sum of twelve even draws of Knuth's MMIX generator.
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> f64 {
        let draw = |state: &mut u64| {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (*state >> 33) as f64 / f64::from(1u32 << 31)
        };
        (0..12).map(|_| draw(&mut self.0)).sum::<f64>() - 6.0
    }
}

/// Share of left and right, filters, gain and delay of an output.
pub fn head_unit(name: &str) -> ((f64, f64), Vec<Section>, f64, f64) {
    let [a, b] = edge(320.0, name != "woofer");
    match name {
        "woofer" => ((0.5, 0.5), vec![a, b, Section::bell(90.0, 6.0, 1.2)], 0.4, 0.002_31),
        "front" => ((1.0, 0.0), vec![a, b, Section::bell(2_500.0, -7.0, 1.5)], -0.4, 0.000_4),
        _ => ((0.5, -0.5), vec![a, b], 0.4, 0.004),
    }
}
