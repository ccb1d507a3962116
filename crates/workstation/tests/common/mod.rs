//! An invented visit to draw, in memory only.

#![allow(dead_code, reason = "each test file uses its own part")]
#![expect(clippy::unwrap_used, reason = "a sample that cannot be made is a failed test")]

pub mod driver;
pub mod head_unit;

use std::path::PathBuf;
use std::sync::Arc;

use self::head_unit::finding;
use dsp::curve::{Curve, log_grid_hz};
use dsp::system::join::SumOverDelay;
use dsp::target::Target;
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, LeftAlone, Pass, Section, SectionKind, Tune};
use dsp::verdict::Verdict;
use eframe::egui::os::OperatingSystem;
use eframe::egui::{ThemePreference, Ui, Vec2};
use egui_kittest::Harness;
use garage::channels::Place;
use garage::proof::{Distance, Proof, ProofErrors, ProofSide};
use garage::rig::{Calibration, Microphone, RigRecord, Simulation};
use garage::take::Clock;
use garage::visit::{Check, CheckKind};
use garage::{Car, Channel, ChannelMap, Role, Side, TakeKind, TakeRecord, TuneNote, TuneRecord, Visit};
use job::voicing::{CrossoverAdvice, Joint, RunnerUp, SeatShare};
use serde_json::json;
use workstation::Opening;
use workstation::app::Workstation;
use workstation::stages::Stage;
use workstation::state::{ChannelView, CurveAt, Draft, OpenVisit, Said, Sheet, State, Subject, Taken};

/// A curve with bumps: invented, only to be looked at.
pub fn wavy(level: f64, ripple: f64, spread: f64, from_hz: f64, to_hz: f64) -> Curve {
    let grid = log_grid_hz(from_hz, to_hz, 48.0);
    let levels = grid
        .iter()
        .map(|f| {
            let octave = (f / 1000.0).log2();
            level - 0.9 * octave + ripple * ((octave * 3.1).sin() + 0.6 * (octave * 7.3).cos())
        })
        .collect();
    let mut curve = Curve::of_levels(grid.clone(), levels);
    curve.spread_db = Some(grid.iter().map(|f| spread * (1.0 + 0.4 * (f / 400.0).ln().sin())).collect());
    curve
}

fn channels() -> ChannelMap {
    let channel = |output: u16, name: &str, role, side, place, band, safe| Channel {
        name: name.into(),
        output,
        role,
        side,
        place,
        safe_band_hz: band,
        safe_frequency_hz: safe,
        note: String::new(),
    };
    let tweeter = (3000.0, 20_000.0);
    ChannelMap {
        channels: vec![
            channel(1, "front left tweeter", Role::Tweeter, Side::Left, Place::Front, tweeter, Some(2500.0)),
            channel(
                2,
                "front right tweeter",
                Role::Tweeter,
                Side::Right,
                Place::Front,
                tweeter,
                Some(2500.0),
            ),
            channel(3, "front left woofer", Role::Woofer, Side::Left, Place::Front, (50.0, 5000.0), None),
            channel(4, "front right woofer", Role::Woofer, Side::Right, Place::Front, (50.0, 5000.0), None),
            channel(5, "subwoofer", Role::Subwoofer, Side::Both, Place::Boot, (20.0, 300.0), None),
        ],
    }
}

fn target() -> Target {
    Target {
        name: "Warm".into(),
        points: vec![(20.0, 8.0), (60.0, 6.0), (200.0, 0.0), (1000.0, 0.0), (16_000.0, -4.0)],
        tolerance_db: 3.0,
    }
}

fn check(kind: CheckKind, verdict: Verdict, remark: &str, figures: serde_json::Value) -> Check {
    let made_at = "2026-03-14T09:30:00Z".parse().unwrap();
    Check { kind, made_at, verdict, remarks: vec![remark.into()], figures, simulated: true }
}

fn visit() -> Visit {
    let mut visit = Visit::begin("2026-03-14".parse().unwrap());
    visit.tuner = "Ilse".into();
    visit.processor = "eight channels".into();
    visit.rig = Some(RigRecord {
        output: "virtual car".into(),
        input: "virtual car".into(),
        rate_hz: 48_000,
        microphone_input: 1,
        reference_input: Some(2),
        level_dbfs: -24.0,
        ceiling_dbfs: -6.0,
        simulation: Some(Simulation { scenario: "active-two-way".into(), seed: 1 }),
    });
    let curve = Curve::of_levels(vec![20.0, 20_000.0], vec![0.0, 1.0]);
    visit.microphone = Some(Microphone {
        name: "M-214".into(),
        calibration: Some(Calibration { file: "m214.txt".into(), curve }),
        full_scale_db_spl: Some(124.0),
    });
    visit.target = Some(target());
    let thirds = [
        31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
        1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0, 12_500.0,
        16_000.0,
    ];
    let bands: Vec<_> = thirds
        .iter()
        .map(|&band_hz: &f64| {
            let octaves = (band_hz / 31.5).log10();
            json!({"band_hz": band_hz, "level_db": 52.0 - 13.0 * octaves, "needed_db": 82.0 - 9.0 * octaves})
        })
        .collect();
    let noise = json!({"bands": bands, "planned_db": 80.0, "calibrated": true});
    visit.checks = vec![
        check(CheckKind::Rig, Verdict::Good, "every channel is heard, none clips", json!(null)),
        check(
            CheckKind::Noise,
            Verdict::Usable,
            "31.5 and 40 Hz are 2 dB louder than they should be: turn off the ventilation",
            noise,
        ),
    ];
    for line in &mut visit.conditions.checklist {
        line.met = true;
    }
    visit.simulated = true;
    visit
}

fn take(
    id: u32,
    kind: TakeKind,
    subject: &str,
    position: &str,
    tune: Option<u32>,
    verdict: Verdict,
) -> TakeRecord {
    TakeRecord {
        id: format!("{id:04}"),
        kind,
        made_at: "2026-03-14T10:00:00Z".parse().unwrap(),
        subject: Some(subject.into()),
        position: Some(position.into()),
        label: None,
        stimulus: json!(null),
        driven: Vec::new(),
        recorded: Vec::new(),
        output: String::new(),
        input: String::new(),
        microphone: String::new(),
        clock: Clock { rate_hz: 48_000, frames: 48_000, lost_frames: 0, skew_ppm: None },
        tune,
        peak_dbfs: vec![-12.0],
        verdict,
        remarks: Vec::new(),
        superseded_by: None,
        recording_sha256: None,
        simulated: true,
    }
}

fn tune() -> Tune {
    let section = |frequency_hz, gain_db, q| Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q };
    let channel = |name: &str, gain_db, delay_ms, sections| ChannelTune {
        name: name.into(),
        gain_db,
        delay_ms,
        sections,
        ..ChannelTune::default()
    };
    let crossed = |mut channel: ChannelTune, pass, frequency_hz| {
        let family = CrossoverFamily::LinkwitzRiley;
        channel.crossovers.push(Crossover { pass, family, order: 4, frequency_hz });
        channel
    };
    Tune {
        sample_rate_hz: 48_000.0,
        channels: vec![
            channel("front left tweeter", -3.5, 2.31, vec![section(5200.0, -3.5, 2.1)]),
            channel("front right tweeter", -2.0, 1.18, vec![section(7100.0, -2.5, 1.4)]),
            crossed(
                channel(
                    "front left woofer",
                    -1.0,
                    2.05,
                    vec![section(63.0, -6.5, 2.1), section(142.0, -4.0, 3.2), section(415.0, 2.5, 1.1)],
                ),
                Pass::Low,
                2400.0,
            ),
            channel(
                "front right woofer",
                0.0,
                0.94,
                vec![section(71.0, -5.0, 2.4), section(880.0, -3.0, 1.8)],
            ),
            channel("subwoofer", -4.0, 0.0, vec![section(41.0, -7.5, 3.0)]),
        ],
        predicted: dsp::tune::Predicted { rms_error_db_before: 6.1, rms_error_db_after: 1.7 },
        ..Tune::default()
    }
}

fn left_alone() -> Vec<LeftAlone> {
    vec![LeftAlone {
        from_hz: 140.0,
        to_hz: 190.0,
        reason: "a narrow dip from cancellation; no filter can fill it".into(),
    }]
}

fn proof() -> Proof {
    let distance = |rms_error_db, half_width_db| Distance { rms_error_db, half_width_db };
    let side = |name: &str, ripple: f64| ProofSide {
        name: name.into(),
        band_hz: (30.0, 16_000.0),
        before: wavy(0.0, ripple, 1.4, 20.0, 20_000.0),
        predicted: Some(wavy(0.2, 0.6, 1.2, 20.0, 20_000.0)),
        after: Some(wavy(0.3, 1.0, 1.3, 20.0, 20_000.0)),
        errors: ProofErrors {
            before: distance(6.1, 0.5),
            predicted: Some(distance(1.7, 0.4)),
            after: Some(distance(1.9, 0.3)),
            gained: Some(distance(4.2, 0.4)),
        },
        positions: 9,
        left_alone: left_alone(),
        remarks: Vec::new(),
    };
    Proof {
        made_at: "2026-03-14T15:00:00Z".parse().unwrap(),
        tune: 2,
        target: target(),
        sides: vec![side("left", 4.0), side("right", 3.2)],
        whole: None,
        sentences: vec![
            "The boom between 55 and 75 Hz is 6 dB lower.".into(),
            "Voices are 3 dB clearer around 2 kHz.".into(),
            "A dip at 160 Hz is left as it was: it comes from the cabin, and no setting fills it.".into(),
        ],
        verdict: Verdict::Good,
        remarks: Vec::new(),
        conditions: garage::Conditions::default(),
        simulated: true,
    }
}

fn joint() -> Joint {
    let delay_ms: Vec<f64> = (-60..=60).map(|n| f64::from(n) * 0.1).collect();
    let loss = |turn: f64| delay_ms.iter().map(|ms| -3.0 + 2.8 * (ms * 0.5 * 3.0 + turn).cos()).collect();
    Joint {
        lower: vec!["subwoofer".into()],
        upper: vec!["front left woofer".into(), "front right woofer".into()],
        frequency_hz: 80.0,
        region_hz: (50.0, 126.0),
        delay_ms: -1.2,
        inverted: false,
        all_pass: None,
        lost_db: 0.2,
        lost_before_db: 3.4,
        worst_lost_db: 0.6,
        worst_position: "P7".into(),
        runner_up: Some(RunnerUp {
            delay_ms: 4.2,
            turned_over: false,
            lost_db: 0.4,
            worst_lost_db: 2.1,
            why: "it comes a cycle late and leaves a dip at P7".into(),
        }),
        picture: SumOverDelay { as_set_db: loss(0.0), turned_over_db: loss(std::f64::consts::PI), delay_ms },
    }
}

fn advice() -> CrossoverAdvice {
    CrossoverAdvice {
        channel: "front left woofer".into(),
        usable_hz: (55.0, 4000.0),
        clean_from_hz: Some(70.0),
        safe_from_hz: None,
        beams_from_hz: 840.0,
        crossovers: vec![
            Crossover {
                pass: Pass::High,
                family: CrossoverFamily::LinkwitzRiley,
                order: 4,
                frequency_hz: 80.0,
            },
            Crossover {
                pass: Pass::Low,
                family: CrossoverFamily::LinkwitzRiley,
                order: 4,
                frequency_hz: 2600.0,
            },
        ],
        sentence:
            "Usable from 55 Hz to 4 kHz. Crossed at 80 Hz to subwoofer; and at 2.6 kHz to front left tweeter."
                .into(),
    }
}

/// The whole visit, with `stage` on the screen.
pub fn sample(stage: Stage) -> State {
    let visit = visit();
    let car = Car {
        name: "Corvane Estate".into(),
        description: "estate, head unit of the maker, five-channel amplifier".into(),
        wishes: "clear voices, bass that does not boom".into(),
        channel_map: channels(),
        simulated: true,
    };
    let mut takes = Vec::new();
    for (index, position) in ["P1", "P2", "P3"].iter().enumerate() {
        for (n, channel) in car.channel_map.channels.iter().enumerate() {
            let verdict = if index == 2 && n == 3 { Verdict::Usable } else { Verdict::Good };
            takes.push(take(takes.len() as u32 + 1, TakeKind::Cabin, &channel.name, position, None, verdict));
        }
        for side in ["left", "right"] {
            takes.push(take(takes.len() as u32 + 1, TakeKind::Proof, side, position, None, Verdict::Good));
        }
    }
    let note = |number| TuneNote {
        number,
        made_at: "2026-03-14T12:00:00Z".parse().unwrap(),
        title: "8 filters on 5 channels".into(),
        reasons: Vec::new(),
        based_on: None,
        takes: Vec::new(),
        simulated: true,
    };
    let mut first = tune();
    first.channels[4].gain_db = -2.5;
    let tunes =
        vec![TuneRecord { record: note(1), tune: first }, TuneRecord { record: note(2), tune: tune() }];
    let sheet = Sheet::of(&car, &visit);
    let bands = [(2500.0, 20_000.0), (2500.0, 20_000.0), (50.0, 6000.0), (50.0, 6000.0), (20.0, 320.0)];
    let views = car.channel_map.channels.iter().zip(bands).enumerate().map(|(n, (channel, (from, to)))| {
        ChannelView {
            name: channel.name.clone(),
            average: Arc::new(wavy(-2.0 - n as f64, 2.5, 1.8, from, to)),
            positions: (0..3)
                .map(|p| CurveAt {
                    position: format!("P{}", p + 1),
                    curve: Arc::new(wavy(-2.5 - n as f64 + f64::from(p), 3.5 + f64::from(p), 0.4, from, to)),
                    disagrees: None,
                })
                .collect(),
        }
    });
    let channels: Vec<ChannelView> = views.collect();
    let open = OpenVisit {
        folder: PathBuf::from("/garage/cars/corvane-estate/visits/2026-03-14-1"),
        car,
        visit,
        takes: Arc::new(takes),
        tunes: Arc::new(tunes),
        proof: Some(Arc::new(proof())),
        finding: Some(Arc::new(finding())),
        undo: ["left", "right"]
            .map(|side| (side.into(), Arc::new(wavy(0.0, -1.5, 0.0, 20.0, 20_000.0))))
            .into(),
    };
    let mut state = State {
        stage,
        open: Some(open),
        draft: Draft { sheet, tune: Some(tune()), taps_are_old: false },
        ..State::default()
    };
    state.cabin.channels = Arc::new(channels);
    state.cabin.level_dba = Some(88.0);
    state.cabin.latest = Some(Taken {
        subject: Subject::Channel("front right woofer".into()),
        position: "P3".into(),
        curve: Some(Arc::new(wavy(-3.0, 3.0, 0.5, 50.0, 6000.0))),
        verdict: Verdict::Usable,
        remarks: vec!["The noise below 60 Hz leaves 14 dB: a second take would help.".into()],
    });
    state.peak_dbfs = Some(-12.3);
    state.voicing.before = Some((Arc::new(wavy(0.0, 4.0, 1.4, 20.0, 20_000.0)), 0.0));
    state.voicing.predicted = Some((Arc::new(wavy(0.3, 0.9, 1.3, 20.0, 20_000.0)), 0.0));
    state.voicing.error_before = Some((6.1, Some(0.5)));
    state.voicing.error_predicted = Some((1.7, Some(0.4)));
    state.voicing.left_alone = left_alone();
    state.voicing.channel = Some("front left woofer".into());
    state.voicing.said = vec![Said {
        subject: "front left woofer".into(),
        words: "Three filters take 6.5 dB from the boom at 63 Hz and smooth the rise to 415 Hz.".into(),
    }];
    state.voicing.in_processor = Some(2);
    state.voicing.joints = Arc::new(vec![joint()]);
    let share = |own_db, other_db, shared_db| SeatShare {
        own_db,
        other_db,
        shared_db,
        own_half_width_95: Some(0.2),
        other_half_width_95: Some(0.5),
        shared_half_width_95: Some(0.3),
        paid_half_width_95: Some(0.1),
        gained_half_width_95: Some(0.2),
    };
    state.voicing.seats.found = Some((share(1.6, 3.4, 1.9), share(1.5, 3.1, 2.2)));
    state.voicing.advice = Arc::new(vec![advice()]);
    state.handover.report = "/garage/cars/corvane-estate/visits/2026-03-14-1/report/report.pdf".into();
    state
}

/// A window without a display, showing what `make` makes.
pub fn window(
    size: Vec2,
    dark: bool,
    make: impl Fn() -> State + 'static,
) -> Harness<'static, Option<Workstation>> {
    scaled(size, 1.0, dark, make)
}

/// The same with fewer pixels to a point, for small images.
pub fn scaled(
    size: Vec2,
    pixels_per_point: f32,
    dark: bool,
    make: impl Fn() -> State + 'static,
) -> Harness<'static, Option<Workstation>> {
    let builder =
        Harness::builder().with_size(size).with_pixels_per_point(pixels_per_point).with_max_steps(64);
    let mut harness = builder.with_os(OperatingSystem::Nix).with_render_cursor(false).wgpu().build_ui_state(
        move |ui: &mut Ui, app: &mut Option<Workstation>| {
            if let Some(app) = app {
                return app.draw(ui);
            }
            // Fonts come into force in the frame after they are set.
            ui.ctx().set_theme(if dark { ThemePreference::Dark } else { ThemePreference::Light });
            let mut fresh = Workstation::new(ui.ctx(), &Opening::default());
            fresh.state = make();
            *app = Some(fresh);
            ui.ctx().request_repaint();
        },
        None,
    );
    harness.run();
    harness
}

/// A processor with 2048 taps for each channel.
pub fn limits_with_taps() -> dsp::limits::Limits {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../../assets/limits/parametric-with-taps.json");
    garage::formats::limits::read(std::path::Path::new(file)).unwrap()
}
