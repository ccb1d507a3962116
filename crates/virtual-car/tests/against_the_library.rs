//! The simulated processor and the library's filters are written apart; where both know the answer they must agree.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use dsp::curve::log_grid_hz;
use dsp::filter::ChannelFilter;
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Polarity, Section, SectionKind, Tune};
use virtual_car::{Scenario, VirtualCar};

const RATE_HZ: u32 = 48_000;

fn check(settings: ChannelTune) {
    let mut car = VirtualCar::new(Scenario::named("plain-front").unwrap(), 0);
    let grid = log_grid_hz(30.0, 18_000.0, 6.0);
    let line = car.input_named("processor front left").unwrap();
    let flat = car.true_response(2, line, &grid, RATE_HZ).unwrap();
    let channels = vec![ChannelTune { name: "front left".into(), ..settings.clone() }];
    car.set_tune(&Tune { sample_rate_hz: f64::from(RATE_HZ), channels, ..Tune::default() }).unwrap();
    let tuned = car.true_response(2, line, &grid, RATE_HZ).unwrap();
    let stated = ChannelFilter::new(&settings, f64::from(RATE_HZ)).unwrap().responses(&grid);
    for ((hz, ratio), stated) in grid.iter().zip(tuned.iter().zip(&flat).map(|(t, f)| t / f)).zip(stated) {
        // The delay is read through a windowed sinc: right to 1e-6 below 20 kHz; the rest is rounding.
        let error = (ratio - stated).norm();
        assert!(error < 1e-5, "{settings:?} at {hz} Hz: {ratio} against {stated}");
    }
}

#[test]
fn every_kind_of_section() {
    for kind in [
        SectionKind::Peaking,
        SectionKind::LowShelf,
        SectionKind::HighShelf,
        SectionKind::LowPass,
        SectionKind::HighPass,
        SectionKind::AllPass,
    ] {
        let sections = vec![Section { kind, frequency_hz: 640.0, gain_db: -5.5, q: 1.3 }];
        check(ChannelTune { sections, ..ChannelTune::default() });
    }
}

#[test]
fn every_crossover() {
    for family in [CrossoverFamily::Butterworth, CrossoverFamily::LinkwitzRiley, CrossoverFamily::Bessel] {
        for order in 1..=8 {
            if family == CrossoverFamily::LinkwitzRiley && order % 2 == 1 {
                continue;
            }
            for pass in [Pass::Low, Pass::High] {
                let crossovers = vec![Crossover { pass, family, order, frequency_hz: 2200.0 }];
                check(ChannelTune { crossovers, ..ChannelTune::default() });
            }
        }
    }
}

#[test]
fn level_polarity_delay_and_taps() {
    check(ChannelTune {
        gain_db: -3.5,
        polarity: Polarity::Inverted,
        delay_ms: 2.347,
        fir: Some(vec![0.0, 0.5, 0.25, -0.125]),
        ..ChannelTune::default()
    });
}
