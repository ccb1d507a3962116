//! Targets and limits that come with the program.

use dsp::limits::{DelayRange, Frequencies, Limits, Range};
use dsp::target::Target;
use dsp::tune::SectionKind;

/// Targets to start from (common practice, no source).
pub fn targets() -> Vec<Target> {
    let target = |name: &str, points: &[(f64, f64)]| Target {
        name: name.into(),
        points: points.to_vec(),
        tolerance_db: 3.0,
    };
    vec![
        target("Warm", &[(20.0, 8.0), (60.0, 6.0), (200.0, 0.0), (1000.0, 0.0), (16_000.0, -4.0)]),
        target("Gentle", &[(20.0, 5.0), (70.0, 4.0), (250.0, 0.0), (2000.0, 0.0), (16_000.0, -3.0)]),
        target("Level", &[(20.0, 0.0), (20_000.0, 0.0)]),
    ]
}

/// Limits to start from, by the kind of processor.
pub fn limits() -> Vec<(String, Limits)> {
    let parametric = |bands, taps| Limits {
        sample_rate_hz: 48_000.0,
        bands,
        kinds: vec![SectionKind::Peaking, SectionKind::LowShelf, SectionKind::HighShelf],
        gain_db: Range { min: -15.0, max: 6.0, step: Some(0.5) },
        q: Range { min: 0.3, max: 10.0, step: Some(0.1) },
        frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: Some(24.0) },
        delay_ms: Some(DelayRange { max: 20.0, step: Some(0.01) }),
        fir_taps: taps,
        pre_ringing: dsp::limits::PreRinging::default(),
        crossovers: Vec::new(),
        crossovers_take_bands: false,
    };
    let thirds: Vec<f64> = (-17..=13).map(|n| 1000.0 * 10f64.powf(f64::from(n) / 10.0)).collect();
    let graphic = Limits {
        bands: thirds.len(),
        kinds: vec![SectionKind::Peaking],
        q: Range { min: 4.3, max: 4.3, step: None },
        frequency_hz: Frequencies::List { list: thirds },
        ..parametric(31, 0)
    };
    vec![
        ("10 parametric bands".into(), parametric(10, 0)),
        ("15 parametric bands".into(), parametric(15, 0)),
        ("31 third-octave bands".into(), graphic),
        ("10 parametric bands and 2048 taps".into(), parametric(10, 2048)),
    ]
}
