//! An invented car, visit, tune and proof.

use dsp::curve::{Curve, log_grid_hz};
use dsp::target::Target;
use dsp::tune::{
    ChannelTune, Crossover, CrossoverFamily, LeftAlone, Pass, Polarity, Section, SectionKind, Tune,
};
use dsp::verdict::Verdict;
use garage::finding::{Flatness, OutputFinding, Sum, Way};
use garage::proof::{Distance, ProofErrors, ProofSide};
use garage::{
    Calibration, Car, Conditions, Finding, Microphone, Proof, Reason, RigRecord, TuneNote, TuneRecord, Visit,
};
use jiff::Timestamp;
use report::Document;

/// A visit that has only begun.
pub fn document() -> Document {
    let mut visit = Visit::begin(jiff::civil::date(2026, 3, 14));
    visit.rig = Some(RigRecord {
        output: "USB interface".into(),
        input: "USB interface".into(),
        rate_hz: 48_000,
        microphone_input: 1,
        reference_input: Some(2),
        level_dbfs: -12.0,
        ceiling_dbfs: -6.0,
        simulation: None,
    });
    visit.microphone = Some(Microphone {
        name: "M-214".into(),
        calibration: Some(Calibration { file: "m-214.txt".into(), curve: curve(0.0, 0.3, None) }),
        full_scale_db_spl: Some(121.4),
    });
    Document {
        car: Car {
            name: "Corvane Estate".into(),
            wishes: "calm bass, clear voices".into(),
            ..Car::default()
        },
        visit,
        finding: None,
        tune: None,
        proof: None,
        takes: Vec::new(),
        remarks: Vec::new(),
    }
}

/// A visit that was taken to its end.
pub fn proved() -> Document {
    let sides = vec![side("left"), side("right")];
    Document {
        finding: Some(Finding {
            made_at: Timestamp::UNIX_EPOCH,
            outputs: vec![OutputFinding {
                name: "front left".into(),
                sentence: "Bass raised by 6 dB, treble cut above 10 kHz.".into(),
                curve: None,
            }],
            sums: vec![Sum {
                name: "front left".into(),
                parts: Vec::new(),
                before: curve(3.0, 4.0, None),
                predicted: Some(curve(0.0, 0.3, None)),
                measured: Some(curve(0.0, 0.4, None)),
                flatness: Some(Flatness {
                    from_hz: 30.0,
                    to_hz: 18_000.0,
                    rms_db_before: 4.9,
                    rms_db_after: 0.4,
                    rms_db_measured: Some(0.5),
                }),
            }],
            tune: None,
            way: Way::Bands,
            way_remarks: Vec::new(),
            lost_between_db: None,
            other_way: None,
            loudness: Vec::new(),
            clean_volume: Vec::new(),
            verdict: Verdict::Good,
            remarks: Vec::new(),
            simulated: false,
        }),
        tune: Some(tune(vec![channel("Front left", 3), channel("Front right", 4)])),
        proof: Some(Proof {
            made_at: Timestamp::UNIX_EPOCH,
            tune: 2,
            target: target(),
            sides,
            whole: None,
            sentences: vec!["The boom at 63 Hz is gone.".into()],
            verdict: Verdict::Good,
            remarks: Vec::new(),
            conditions: Conditions::default(),
            simulated: false,
        }),
        ..document()
    }
}

/// Twelve channels of 31 bands: more than a page.
pub fn long_tune() -> TuneRecord {
    tune(
        (1..=12)
            .map(|i| channel(&format!("Output {i:02} with a name that is longer than most"), 31))
            .collect(),
    )
}

fn target() -> Target {
    Target {
        name: "Gentle slope".into(),
        points: vec![(20.0, 6.0), (200.0, 0.0), (16_000.0, -4.0)],
        tolerance_db: 3.0,
    }
}

fn side(name: &str) -> ProofSide {
    ProofSide {
        name: name.into(),
        band_hz: (40.0, 16_000.0),
        before: curve(1.0, 6.0, Some(1.2)),
        predicted: Some(curve(0.0, 1.4, None)),
        after: Some(curve(0.0, 1.8, Some(0.8))),
        errors: ProofErrors {
            before: Distance { rms_error_db: 6.1, half_width_db: 0.3 },
            predicted: Some(Distance { rms_error_db: 1.6, half_width_db: 0.3 }),
            after: Some(Distance { rms_error_db: 1.9, half_width_db: 0.4 }),
            gained: None,
        },
        positions: 9,
        left_alone: vec![LeftAlone {
            from_hz: 82.0,
            to_hz: 96.0,
            reason: "a dip from cancellation: boost would only heat the voice coil".into(),
        }],
        remarks: Vec::new(),
    }
}

fn curve(offset_db: f64, swing_db: f64, spread_db: Option<f64>) -> Curve {
    let frequency_hz = log_grid_hz(20.0, 20_000.0, 24.0);
    let shape = target();
    let level = |hz: &f64| shape.level_at_db(*hz) + offset_db + swing_db * (2.0 * hz.ln()).sin();
    let level_db: Vec<f64> = frequency_hz.iter().map(level).collect();
    let spread_db = spread_db.map(|it| vec![it; frequency_hz.len()]);
    Curve { spread_db, ..Curve::of_levels(frequency_hz, level_db) }
}

fn channel(name: &str, bands: usize) -> ChannelTune {
    let section = |i: usize| Section {
        kind: SectionKind::Peaking,
        frequency_hz: if i == 0 { 1250.0 } else { 31.5 * 1.2_f64.powi(i as i32) },
        gain_db: -6.5 + i as f64 * 0.25,
        q: 2.1,
    };
    let crossover =
        Crossover { pass: Pass::High, family: CrossoverFamily::LinkwitzRiley, order: 4, frequency_hz: 80.0 };
    ChannelTune {
        name: name.into(),
        gain_db: -1.5,
        polarity: Polarity::Inverted,
        delay_ms: 2.35,
        crossovers: vec![crossover],
        sections: (0..bands).map(section).collect(),
        ..ChannelTune::default()
    }
}

fn tune(channels: Vec<ChannelTune>) -> TuneRecord {
    TuneRecord {
        record: TuneNote {
            number: 2,
            made_at: Timestamp::UNIX_EPOCH,
            title: "Calm bass".into(),
            reasons: vec![Reason {
                subject: "left".into(),
                words: "Lowered 63 Hz by 6.5 dB, where the cabin booms.".into(),
            }],
            based_on: None,
            takes: Vec::new(),
            simulated: false,
        },
        tune: Tune { sample_rate_hz: 48_000.0, channels, headroom_db: 2.5, ..Tune::default() },
    }
}
