//! Any bytes, damaged files and random records through every reader. Seeds of failures are printed by the runner.
#![allow(clippy::unwrap_used, reason = "right files can be written")]

#[path = "../../../tests/fuzz/checks/formats.rs"]
mod checks;

mod common;

use std::path::Path;

use dsp::curve::Curve;
use dsp::tune::{ChannelTune, Section, SectionKind, Tune};
use garage::formats::document::to_text;
use garage::formats::{curve_csv, mic_calibration, tune};
use proptest::collection::vec;
use proptest::prelude::*;

const EVERY: [fn(&[u8]); 9] = [
    checks::curve,
    checks::calibration,
    checks::targets,
    checks::processor_limits,
    checks::tunes,
    checks::channel_maps,
    checks::proofs,
    checks::sidecars,
    checks::records,
];

/// Right files of several kinds, to be damaged.
fn right_files() -> Vec<Vec<u8>> {
    let at = Path::new("x");
    let calibration = Curve { spread_db: None, ..common::curve() };
    [
        curve_csv::to_text(&common::curve(), at),
        mic_calibration::to_text(&calibration, at),
        to_text(&common::target(), at),
        to_text(&common::tune(), at),
        to_text(&common::car(), at),
        to_text(&common::visit(), at),
        to_text(&common::take(), at),
        Ok(LIMITS.to_owned()),
    ]
    .into_iter()
    .map(|text| text.unwrap().into_bytes())
    .collect()
}

const LIMITS: &str = r#"{"sample_rate_hz":48000,"bands":10,"kinds":["peaking","low_shelf"],"gain_db":{"min":-15,"max":6,"step":0.5},"q":{"min":0.3,"max":10},"frequency_hz":{"min":20,"max":20000,"per_octave":24},"delay_ms":{"max":20,"step":0.01},"fir_taps":0}"#;

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_answered(data in vec(any::<u8>(), 0..300)) {
        EVERY.iter().for_each(|check| check(&data));
    }

    #[test]
    fn any_text_of_numbers_is_answered(text in "[-+.,;0-9eE \\t\\r\\n#a]{0,120}") {
        checks::calibration(text.as_bytes());
        checks::curve(format!("frequency_hz,level_db\n{text}").as_bytes());
    }

    #[test]
    fn damaged_files_are_answered(which in 0..8usize, cut in 0.0..1.0f64, at in 0.0..1.0f64, byte in any::<u8>()) {
        let mut data = right_files().swap_remove(which);
        let place = (at * (data.len() - 1) as f64) as usize;
        data[place] = byte;
        EVERY.iter().for_each(|check| check(&data));
        data.truncate((cut * data.len() as f64) as usize);
        EVERY.iter().for_each(|check| check(&data));
    }

    #[test]
    fn curves_read_back_exactly(
        steps in vec((1e-9..3.0f64, -200.0..200.0f64, 0.0..50.0f64, -180.0..180.0f64), 2..60),
        spread in any::<bool>(),
        phase in any::<bool>(),
    ) {
        let mut hz = 1.0;
        let mut curve = Curve::default();
        for (step, level, _, _) in &steps {
            hz *= 1.0 + step;
            curve.frequency_hz.push(hz);
            curve.level_db.push(*level);
        }
        curve.spread_db = spread.then(|| steps.iter().map(|it| it.2).collect());
        curve.phase_deg = phase.then(|| steps.iter().map(|it| it.3).collect());
        prop_assume!(curve.frequency_hz.is_sorted_by(|a, b| a < b) && hz.is_finite());
        let at = Path::new("x");
        let text = curve_csv::to_text(&curve, at).unwrap();
        prop_assert_eq!(&curve_csv::parse(text.as_bytes(), at).unwrap(), &curve);
        // The same with the marks of another system.
        let foreign = format!("\u{feff}{}", text.replace('\n', "\r\n"));
        prop_assert_eq!(&curve_csv::parse(foreign.as_bytes(), at).unwrap(), &curve);
    }

    #[test]
    fn one_calibration_reads_the_same_however_it_is_separated(
        rows in vec((1..40u32, -300..300i32), 2..20),
        form in 0..8usize,
    ) {
        let (between, comma) = [
            (" ", false), ("\t", false), (",", false), (", ", false), (";", false),
            (" ", true), ("\t", true), (" ; ", true),
        ][form];
        let mut text = String::from("* made in a workshop \u{b0}\n");
        let mut curve = Curve::default();
        let mut hz = 10.0;
        for (step, tenths) in rows {
            hz += f64::from(step) / 4.0;
            let db = f64::from(tenths) / 10.0;
            curve.frequency_hz.push(hz);
            curve.level_db.push(db);
            let mut cells = [format!("{hz:.2}"), format!("{db:.1}")];
            if comma {
                cells = cells.map(|cell| cell.replace('.', ","));
            }
            text.push_str(&cells.join(between));
            text.push_str("\r\n");
        }
        prop_assert_eq!(mic_calibration::parse(text.as_bytes(), Path::new("x")).unwrap(), curve);
    }

    #[test]
    fn tunes_read_back_exactly(
        bands in vec((20.0..20_000.0f64, -24.0..12.0f64, 0.1..20.0f64, 0..6usize), 0..12),
        delay_ms in 0.0..50.0f64,
        taps in proptest::option::of(vec(-1.0..1.0f64, 1..64)),
    ) {
        use SectionKind::{AllPass, HighPass, HighShelf, LowPass, LowShelf, Peaking};
        let kinds = [Peaking, LowShelf, HighShelf, LowPass, HighPass, AllPass];
        let sections = bands
            .into_iter()
            .map(|(frequency_hz, gain_db, q, kind)| Section { kind: kinds[kind], frequency_hz, gain_db, q })
            .collect();
        let channel = ChannelTune { name: "front left".to_owned(), delay_ms, sections, fir: taps, ..ChannelTune::default() };
        let mut made = Tune { sample_rate_hz: 48_000.0, channels: vec![channel], ..Tune::default() };
        made.refresh_biquads().unwrap();
        let at = Path::new("x");
        let text = tune::to_text(&made, at).unwrap();
        prop_assert_eq!(tune::parse(text.as_bytes(), at).unwrap(), made);
    }
}
