//! The correction against the best ten bands that a long search with SciPy found on the same curves.
//!
//! `tests/reference/correction/curves.json` holds the curves and what was found, `make.py` beside it how.
#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use dsp::correct::{Effort, Options, propose};
use dsp::curve::Curve;
use dsp::limits::{Frequencies, Limits, Range};
use dsp::target::Target;
use dsp::tune::{Section, SectionKind};
use serde::Deserialize;

#[derive(Deserialize)]
struct Found {
    frequency_hz: Vec<f64>,
    curves: Vec<FoundCurve>,
}

#[derive(Deserialize)]
struct FoundCurve {
    level_db: Vec<f64>,
    best_rms_db: f64,
    bands: Vec<Section>,
}

fn found() -> Found {
    serde_json::from_str(include_str!("../../../tests/reference/correction/curves.json")).unwrap()
}

/// The limits that `make.py` searched within; `step` rounds gains, `list` gives the only frequencies.
fn limits(step: Option<f64>, per_octave: Option<f64>, list: Option<Vec<f64>>) -> Limits {
    Limits {
        sample_rate_hz: 48_000.0,
        bands: 10,
        kinds: vec![SectionKind::Peaking, SectionKind::LowShelf, SectionKind::HighShelf],
        gain_db: Range { min: -15.0, max: 6.0, step },
        q: Range { min: 0.3, max: 10.0, step: None },
        frequency_hz: match list {
            Some(list) => Frequencies::List { list },
            None => Frequencies::Span { min: 20.0, max: 20_000.0, per_octave },
        },
        delay_ms: None,
        fir_taps: 0,
        pre_ringing: dsp::limits::PreRinging::default(),
        crossovers: Vec::new(),
        crossovers_take_bands: false,
    }
}

/// Distance from flat, the level free, on the reference's own grid.
fn rms_db(hz: &[f64], level_db: &[f64], bands: &[Section]) -> f64 {
    let left: Vec<f64> = hz
        .iter()
        .zip(level_db)
        .map(|(&f, level)| {
            level + bands.iter().map(|it| 20.0 * it.response(f, 48_000.0).norm().log10()).sum::<f64>()
        })
        .collect();
    let mean = left.iter().sum::<f64>() / left.len() as f64;
    (left.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / left.len() as f64).sqrt()
}

/// What is left of each curve, as shares of the best that was found.
fn shares(effort: Effort, limits: &Limits) -> Vec<f64> {
    let found = found();
    let hz = &found.frequency_hz;
    let options = Options { from_hz: hz[0], to_hz: hz[hz.len() - 1], effort, ..Options::default() };
    let flat = Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 3.0 };
    let share = |curve: &FoundCurve| {
        let response = Curve::of_levels(hz.clone(), curve.level_db.clone());
        let proposal = propose(&response, &flat, limits, &options).unwrap();
        rms_db(hz, &curve.level_db, &proposal.sections) / curve.best_rms_db
    };
    found.curves.iter().map(share).collect()
}

fn mean(shares: &[f64]) -> f64 {
    shares.iter().sum::<f64>() / shares.len() as f64
}

/// The reference's own bands give the reference's own figure, so both sides mean the same by a band.
#[test]
fn the_reference_means_the_same_by_a_band() {
    let found = found();
    for curve in &found.curves {
        let rms = rms_db(&found.frequency_hz, &curve.level_db, &curve.bands);
        // Levels are kept to 1e-4 dB, gains to 1e-4 dB, frequencies to 1e-3 Hz.
        assert!((rms - curve.best_rms_db).abs() < 1e-3, "{rms} and {}", curve.best_rms_db);
    }
}

#[test]
fn the_quick_search_comes_within_a_twentieth_on_average() {
    let shares = shares(Effort::Quick, &limits(None, None, None));
    println!("quick: {:.3} on average, {shares:.3?}", mean(&shares));
    assert!(mean(&shares) <= 1.05, "{shares:.3?}");
}

#[test]
fn the_thorough_search_comes_within_a_fiftieth_on_average() {
    let shares = shares(Effort::Thorough, &limits(None, None, None));
    println!("thorough: {:.3} on average, {shares:.3?}", mean(&shares));
    assert!(mean(&shares) <= 1.02, "{shares:.3?}");
}

/// Third-octave frequencies from 1 kHz (ISO 266), gains in half decibels.
#[test]
fn third_octave_frequencies_and_half_decibels_cost_less_than_half_as_much_again() {
    let rounded = shares(Effort::Thorough, &limits(Some(0.5), Some(3.0), None));
    let ratio = mean(&rounded) / mean(&shares(Effort::Thorough, &limits(None, None, None)));
    println!("rounded: {ratio:.3} times the unrounded, {rounded:.3?}");
    assert!(ratio <= 1.45, "{ratio:.3}: {rounded:.3?}");
}

/// The same on a fixed list, 10^(n/10) Hz (the exact ones of IEC 61260-1).
#[test]
fn a_fixed_list_of_third_octaves_costs_less_than_half_as_much_again() {
    let list = (15..=42).map(|n| 10f64.powf(f64::from(n) / 10.0)).collect();
    let rounded = shares(Effort::Thorough, &limits(Some(0.5), None, Some(list)));
    let ratio = mean(&rounded) / mean(&shares(Effort::Thorough, &limits(None, None, None)));
    println!("listed: {ratio:.3} times the unrounded, {rounded:.3?}");
    assert!(ratio <= 1.45, "{ratio:.3}: {rounded:.3?}");
}
