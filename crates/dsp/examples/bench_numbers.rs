//! How long deconvolution, smoothing and correction take, each beside a reference run on the same machine: the bare
//! transforms (rustfft) for the first, NumPy and SciPy, where Python has them, for the others.
//!
//! `cargo run --release -p dsp --example bench_numbers`
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

use dsp::correct::{Effort, Options, propose};
use dsp::curve::{Curve, log_grid_hz};
use dsp::limits::Limits;
use dsp::measure::{Capture, Options as MeasureOptions, Played, analyse, locate};
use dsp::spectrum::{Plans, fast_length, smooth_power};
use dsp::stimulus::{Markers, Recipe, Signal, Sweep};
use dsp::target::Target;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use serde_json::Value;

const RATE_HZ: u32 = 48_000;
/// Of the sweep, in samples.
const SWEEP: f64 = 524_288.0;

fn main() {
    println!("best of several runs; a ratio above 1 is slower than the reference");
    deconvolution();
    let reference = beside_scipy();
    smoothing(reference.as_ref());
    correction(reference.as_ref());
}

fn best_ms(runs: usize, mut work: impl FnMut()) -> f64 {
    let once = |()| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1000.0
    };
    std::iter::repeat_n((), runs).map(once).fold(f64::INFINITY, f64::min)
}

/// A recording of one sweep, against two forward and one inverse transform of a length that holds sweep and ringing.
fn deconvolution() {
    let rate_hz = f64::from(RATE_HZ);
    let plan = Sweep::usual(20.0, 20_000.0, SWEEP / rate_hz, 1, Markers::Ends);
    let length = fast_length((plan.shape.seconds * rate_hz + plan.gap_s * rate_hz) as usize);
    let recipe = Recipe { rate_hz: RATE_HZ, channels: 1, level_dbfs: -12.0, signal: Signal::Sweep(plan) };
    let Ok(played) = recipe.render() else { return println!("the sweep cannot be made") };
    let samples = &played.channels[0];

    let mut planner = FftPlanner::new();
    let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let mut values: Vec<Complex64> =
        (0..length).map(|n| Complex64::new(samples.get(n).copied().unwrap_or(0.0), 0.0)).collect();
    let bare_ms = best_ms(5, || {
        forward.process(black_box(&mut values));
        forward.process(black_box(&mut values));
        inverse.process(black_box(&mut values));
        values.iter_mut().for_each(|x| *x /= 1e3);
    });
    println!("three bare transforms of {length} samples (rustfft)   {bare_ms:8.1} ms");
    let plans = Plans::default();
    let Ok(base) = locate(&plans, &recipe, samples, RATE_HZ) else {
        return println!("the sweep is not found");
    };
    let transfer_ms = best_ms(5, || {
        let played = Played::new(&plans, &recipe, &base, 0.65);
        black_box(played.is_ok_and(|it| it.response(black_box(samples), RATE_HZ, None).bins.len() > 1));
    });
    println!(
        "response and noise of one sweep, time base known      {transfer_ms:8.1} ms   {:6.2} ×",
        transfer_ms / bare_ms
    );
    let capture = Capture { rate_hz: RATE_HZ, microphone: samples, reference: None };
    let options = MeasureOptions::default();
    let analyse_ms = best_ms(3, || {
        black_box(analyse(&recipe, black_box(&capture), &options).is_ok());
    });
    println!(
        "everything: finding it, clock, response, distortion   {analyse_ms:8.1} ms   {:6.2} ×",
        analyse_ms / bare_ms
    );
}

/// What `beside_scipy.py` measured; none where Python, NumPy or SciPy is missing.
fn beside_scipy() -> Option<Value> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/beside_scipy.py");
    let out = Command::new("python3").arg(script).output().ok()?;
    let times = serde_json::from_slice(&out.stdout).ok();
    if times.is_none() {
        println!("python3 with NumPy and SciPy is not installed: no ratios for smoothing and correction");
    }
    times
}

fn ratio(ms: f64, reference: Option<&Value>, key: &str) -> String {
    let theirs = reference.and_then(|it| it.get(key)).and_then(Value::as_f64);
    theirs.map_or_else(String::new, |theirs| format!("   {:6.3} × ({theirs:.2} ms)", ms / theirs))
}

/// 2^18 bins to 480 points by 1/12 octave, as the script does it with NumPy.
fn smoothing(reference: Option<&Value>) {
    let bins = (1 << 18) + 1;
    let power: Vec<f64> = (0..bins).map(|k| 1.0 + (f64::from(k) * 0.001).sin()).collect();
    let at_hz = log_grid_hz(20.0, 20_000.0, 48.0);
    let spacing_hz = f64::from(RATE_HZ) / f64::from(1 << 19);
    let ms = best_ms(20, || {
        black_box(smooth_power(black_box(&power), spacing_hz, &at_hz, 12.0));
    });
    println!(
        "smoothing 2^18 bins by 1/12 octave                    {ms:8.2} ms{}",
        ratio(ms, reference, "smoothing_ms")
    );
}

/// The curves of `tests/reference/correction`, against one fit of ten given bands with SciPy.
fn correction(reference: Option<&Value>) {
    let text = include_str!("../../../tests/reference/correction/curves.json");
    let limits = include_str!("../../../assets/limits/small-parametric.json");
    let (Ok(found), Ok(mut limits)) =
        (serde_json::from_str::<Value>(text), serde_json::from_str::<Limits>(limits))
    else {
        return println!("the curves or the limits cannot be read");
    };
    limits.bands = 10;
    let numbers = |value: &Value| -> Vec<f64> {
        value.as_array().into_iter().flatten().filter_map(Value::as_f64).collect()
    };
    let hz = numbers(&found["frequency_hz"]);
    let (Some(&from_hz), Some(&to_hz)) = (hz.first(), hz.last()) else { return };
    let curves: Vec<Curve> = found["curves"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|curve| Curve::of_levels(hz.clone(), numbers(&curve["level_db"])))
        .collect();
    let flat = Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 3.0 };
    for (name, effort, runs) in [("quick", Effort::Quick, 3), ("thorough", Effort::Thorough, 1)] {
        let options = Options { from_hz, to_hz, effort, ..Options::default() };
        let times: Vec<f64> = curves
            .iter()
            .map(|curve| {
                best_ms(runs, || {
                    black_box(propose(black_box(curve), &flat, &limits, &options).is_ok());
                })
            })
            .collect();
        let mean_ms = times.iter().sum::<f64>() / times.len() as f64;
        let longest_ms = times.iter().copied().fold(0.0, f64::max);
        println!(
            "correction with ten bands, {name:8}  longest {longest_ms:6.0} ms, {mean_ms:8.1} ms{}",
            ratio(mean_ms, reference, "fit_ms")
        );
    }
}
