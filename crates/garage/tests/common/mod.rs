//! Invented records that the tests share.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "invented records are right")]

use std::path::Path;

use dsp::curve::Curve;
use dsp::target::Target;
use dsp::tune::{ChannelTune, Section, SectionKind, Tune};
use dsp::verdict::Verdict;
use garage::channels::Place;
use garage::take::{Clock, Heard, Recorded};
use garage::{
    Car, Channel, ChannelMap, Garage, Role, Side, TakeKind, TakeRecord, TuneNote, Visit, VisitFolder,
};

/// Some moment.
pub const MOMENT: &str = "2026-03-14T09:30:00Z";

pub fn car() -> Car {
    Car {
        name: "Corvane Estate".to_owned(),
        description: "five doors".to_owned(),
        wishes: "voices in the middle".to_owned(),
        channel_map: ChannelMap {
            channels: vec![Channel {
                name: "front left tweeter".to_owned(),
                output: 1,
                role: Role::Tweeter,
                side: Side::Left,
                place: Place::Front,
                safe_band_hz: (2500.0, 20_000.0),
                safe_frequency_hz: Some(2500.0),
                note: String::new(),
            }],
        },
        simulated: false,
    }
}

pub fn visit() -> Visit {
    let mut visit = Visit::begin("2026-03-14".parse().unwrap());
    visit.target = Some(target());
    visit
}

pub fn target() -> Target {
    Target {
        name: "Warm".to_owned(),
        points: vec![(20.0, 6.0), (1000.0, 0.0), (16_000.0, -4.0)],
        tolerance_db: 3.0,
    }
}

pub fn take() -> TakeRecord {
    TakeRecord {
        id: "0001".to_owned(),
        kind: TakeKind::Cabin,
        made_at: MOMENT.parse().unwrap(),
        subject: Some("front left tweeter".to_owned()),
        position: Some("P1".to_owned()),
        label: None,
        stimulus: serde_json::json!({"kind": "sweep"}),
        driven: Vec::new(),
        recorded: vec![Recorded { input: 1, heard: Heard::Microphone, name: None }],
        output: String::new(),
        input: String::new(),
        microphone: "M-214".to_owned(),
        clock: Clock { rate_hz: 48_000, frames: 4, lost_frames: 0, skew_ppm: Some(-37.2) },
        tune: None,
        peak_dbfs: vec![-12.5],
        verdict: Verdict::Good,
        remarks: Vec::new(),
        superseded_by: None,
        recording_sha256: None,
        simulated: false,
    }
}

pub fn tune() -> Tune {
    let section = Section { kind: SectionKind::Peaking, frequency_hz: 63.0, gain_db: -6.5, q: 2.1 };
    let mut tune = Tune {
        sample_rate_hz: 48_000.0,
        channels: vec![ChannelTune {
            name: "front left".to_owned(),
            sections: vec![section],
            ..ChannelTune::default()
        }],
        ..Tune::default()
    };
    tune.refresh_biquads().unwrap();
    tune
}

pub fn note() -> TuneNote {
    TuneNote {
        number: 0,
        made_at: MOMENT.parse().unwrap(),
        title: "First".to_owned(),
        reasons: Vec::new(),
        based_on: None,
        takes: Vec::new(),
        simulated: false,
    }
}

pub fn curve() -> Curve {
    Curve {
        spread_db: Some(vec![0.5, 0.25, 1.0 / 3.0]),
        ..Curve::of_levels(vec![20.0, 63.5, 20_000.0], vec![-1.5, 0.1 + 0.2, 7.25e-3])
    }
}

/// The bytes of a small float32 WAV: one channel, four frames.
pub fn wav() -> Vec<u8> {
    let mut bytes =
        b"RIFF\x34\0\0\0WAVEfmt \x10\0\0\0\x03\0\x01\0\x80\xbb\0\0\0\xee\x02\0\x04\0\x20\0data\x10\0\0\0"
            .to_vec();
    bytes.extend([0_u8; 16]);
    bytes
}

/// A garage with one car and one visit with `takes` takes and one tune.
pub fn filled(root: &Path, takes: usize) -> (Garage, VisitFolder) {
    let garage = Garage::create(root, "Test bay").unwrap();
    let visit = garage.add_car(&car()).unwrap().begin_visit(visit()).unwrap();
    for _ in 0..takes {
        add_take(&visit);
    }
    visit.save_tune(&tune(), note()).unwrap();
    (garage, visit)
}

pub fn add_take(visit: &VisitFolder) -> String {
    let open = visit.begin_take().unwrap();
    std::fs::write(&open.recording, wav()).unwrap();
    visit.finish_take(open, take()).unwrap().id
}
