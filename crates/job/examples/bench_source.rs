//! How long it takes to find out what six factory outputs do (two sweeps of 11 s each, a reference beside every one),
//! against the bare transforms that dividing those recordings takes.
//!
//! `cargo run --release -p job --example bench_source`. Invented outputs, filtered and delayed; no files but its own.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::error::Error;
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

use dsp::filter::ChannelFilter;
use dsp::spectrum::{RealTransform, fast_length};
use dsp::stimulus::{Markers, Recipe, Signal, Sweep};
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Section, SectionKind};
use job::factory::{CLEAN_PERCENT, CaptureRef, FactoryOrder, work_out};

const RATE_HZ: u32 = 48_000;

fn main() {
    if let Err(error) = run() {
        println!("the bench cannot run: {error}");
    }
}

fn run() -> Result<(), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let plan = Sweep::usual(5.0, 21_500.0, 11.0, 2, Markers::Ends);
    let stretch = ((plan.shape.seconds + plan.gap_s) * f64::from(RATE_HZ)) as usize;
    let recipe = Recipe { rate_hz: RATE_HZ, channels: 1, level_dbfs: -6.0, signal: Signal::Sweep(plan) };
    let stimulus = folder.path().join("stimulus.wav");
    let sidecar = garage::formats::stimulus_sidecar::path_beside(&stimulus);
    garage::formats::stimulus_sidecar::write(&sidecar, &serde_json::to_value(&recipe)?)?;
    let played = recipe.render()?.channels.remove(0);
    let captures =
        (0..6).map(|n| recorded(folder.path(), &played, n)).collect::<Result<_, Box<dyn Error>>>()?;
    let order = FactoryOrder {
        stimulus,
        captures,
        reference_channel: Some(1),
        volumes: Vec::new(),
        steps: Vec::new(),
        clean_percent: CLEAN_PERCENT,
        limits: None,
        target: None,
        fir_taps: None,
        both_ways: false,
    };

    // Two inputs of six recordings, two sweeps each: one transform there and one back.
    let transform = RealTransform::new(fast_length(stretch));
    let bare_ms = best_ms(3, || {
        for _ in 0..24 {
            black_box(transform.inverse(&transform.forward(black_box(&played))));
        }
    });
    println!("24 bare transforms of {} samples and back   {bare_ms:8.0} ms", transform.length());
    let mut why = None;
    let whole_ms = best_ms(3, || {
        why = work_out(black_box(&order), &mut |_| {}).err();
    });
    if let Some(error) = why {
        return Err(error.into());
    }
    println!(
        "six outputs: found, planned, undone              {whole_ms:8.0} ms   {:6.2} ×",
        whole_ms / bare_ms
    );
    Ok(())
}

/// Output `n` of three pairs (woofers, midranges, tweeters) beside a full-range reference.
fn recorded(folder: &Path, played: &[f64], n: usize) -> Result<CaptureRef, Box<dyn Error>> {
    let edge = |pass, frequency_hz| Crossover {
        pass,
        family: CrossoverFamily::LinkwitzRiley,
        order: 4,
        frequency_hz,
    };
    let crossovers = match n / 2 {
        0 => vec![edge(Pass::Low, 250.0)],
        1 => vec![edge(Pass::High, 250.0), edge(Pass::Low, 3_000.0)],
        _ => vec![edge(Pass::High, 3_000.0)],
    };
    let bell = |frequency_hz, gain_db| Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q: 1.4 };
    let middle_hz = [80.0, 900.0, 8_000.0][n / 2];
    let sections = vec![bell(0.7 * middle_hz, 5.0 - n as f64), bell(1.5 * middle_hz, n as f64 - 4.0)];
    let tune = ChannelTune { crossovers, sections, delay_ms: n as f64, ..ChannelTune::default() };
    let silence = vec![0.0; RATE_HZ as usize / 2];
    let reference: Vec<f64> = [&silence, played, &silence].into_iter().flatten().map(|x| 0.5 * x).collect();
    let mut output = reference.clone();
    ChannelFilter::new(&tune, f64::from(RATE_HZ))?.runner().process(&mut output);
    let path = folder.join(format!("{n}.wav"));
    audio::wav::write_f32(&path, RATE_HZ, &[reference, output])?;
    Ok(CaptureRef { name: format!("output {n}"), path, channel: 2 })
}

fn best_ms(runs: usize, mut work: impl FnMut()) -> f64 {
    let once = |()| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1000.0
    };
    std::iter::repeat_n((), runs).map(once).fold(f64::INFINITY, f64::min)
}
