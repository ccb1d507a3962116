//! An invented head unit: what was found out about it, and its outputs while they are recorded.

use std::sync::Arc;

use dsp::curve::Curve;
use dsp::factory::{AllPass, Taps};
use dsp::tune::{ChannelTune, Tune};
use dsp::verdict::Verdict;
use garage::finding::{
    CleanVolume, Combine, Finding, Flatness, OtherWay, OutputFinding, Sum, ToneStep, VolumeShape, Way,
};
use garage::{TakeKind, TuneNote, TuneRecord};
use workstation::stages::Stage;
use workstation::state::State;

use super::{sample, take, tune, wavy};

/// One band of a split output, with a phase, so that it can be summed.
fn band_of_output(from_hz: f64, to_hz: f64) -> Curve {
    let mut curve = wavy(0.0, 2.0, 0.2, 20.0, 20_000.0);
    for (db, hz) in curve.level_db.iter_mut().zip(&curve.frequency_hz) {
        *db -= 24.0 * ((from_hz / hz).log2().max(0.0) + (hz / to_hz).log2().max(0.0));
    }
    curve.phase_deg = Some(vec![0.0; curve.frequency_hz.len()]);
    curve
}

fn loudness() -> Vec<VolumeShape> {
    let step = |volume: &str, lift: f64, below_loudest_db| VolumeShape {
        volume: volume.into(),
        response: (0..=30)
            .map(|n| 20.0 * 10f64.powf(f64::from(n) / 10.0))
            .map(|hz| [hz, lift * (-(hz / 120.0).powi(2)).exp()])
            .collect(),
        below_loudest_db,
    };
    vec![step("10", 6.1, -24.0), step("18", 3.0, -10.0), step("26", 0.0, 0.0)]
}

/// A tone turned up from step 27, clean up to `highest`.
fn tone(frequency_hz: f64, output: &str, highest: u32) -> CleanVolume {
    let steps = (27..=40).map(|step| ToneStep {
        volume: step.to_string(),
        level_dbfs: -22.0 + 1.4 * f64::from(step - 27),
        thd_percent: if step <= highest { 0.05 } else { 2.2 * f64::from(step - highest) },
        thd_n_percent: 0.1,
    });
    CleanVolume {
        frequency_hz,
        output: output.into(),
        limit_percent: 1.0,
        highest: Some(highest.to_string()),
        next: Some((highest + 1).to_string()),
        steps: steps.collect(),
    }
}

/// A head unit that splits each side in three and has a subwoofer output for both.
pub(super) fn finding() -> Finding {
    let bands = [("tweeter", 3200.0, 20_000.0), ("midrange", 260.0, 3200.0), ("woofer", 78.0, 260.0)];
    let sides = ["left", "right"];
    let mut outputs: Vec<OutputFinding> = bands
        .iter()
        .flat_map(|(name, from, to)| {
            sides.map(|side| OutputFinding {
                name: format!("front {side} {name}"),
                sentence: format!("{from} Hz to {to} Hz, the right way round, fed by the {side} side. Sure."),
                curve: Some(band_of_output(*from, *to)),
            })
        })
        .collect();
    outputs.push(OutputFinding {
        name: "subwoofer".into(),
        sentence: "20 Hz to 78 Hz, fed by both sides alike; hums at 50 Hz. Fairly sure.".into(),
        curve: Some(band_of_output(20.0, 78.0)),
    });
    let sum = |side: &str| Sum {
        name: side.into(),
        parts: ["woofer", "midrange", "tweeter"]
            .iter()
            .enumerate()
            .map(|(n, name)| Combine {
                name: format!("front {side} {name}"),
                gain_db: -0.5 * n as f64,
                delay_ms: 1.8 - 0.6 * n as f64,
                invert: n == 1,
                all_pass: vec![AllPass { frequency_hz: 900.0, q: Some(0.7), order: 2 }],
                fir: None,
            })
            .chain([Combine { name: "subwoofer".into(), gain_db: -3.5, ..Combine::default() }])
            .collect(),
        before: wavy(0.0, 2.5, 0.3, 20.0, 20_000.0),
        predicted: Some(wavy(0.4, 0.2, 0.3, 20.0, 20_000.0)),
        measured: Some(wavy(0.3, 0.25, 0.3, 20.0, 20_000.0)),
        flatness: Some(Flatness {
            from_hz: 30.0,
            to_hz: 18_000.0,
            rms_db_before: 4.9,
            rms_db_after: 0.4,
            rms_db_measured: Some(0.5),
        }),
    };
    Finding {
        made_at: "2026-03-14T09:45:00Z".parse().unwrap(),
        outputs,
        sums: sides.map(sum).into(),
        tune: None,
        way: Way::Bands,
        way_remarks: Vec::new(),
        lost_between_db: None,
        other_way: None,
        loudness: loudness(),
        clean_volume: vec![tone(1000.0, "front left midrange", 35), tone(40.0, "subwoofer", 32)],
        verdict: Verdict::Good,
        remarks: vec!["subwoofer: hum of 50 Hz mains while nothing plays: 50 Hz at \u{2212}79 dBFS".into()],
        simulated: true,
    }
}

/// The source undone by bands and taps, on a processor without an all-pass; bands alone leave a hole in the right side.
pub fn undone_by_taps() -> State {
    let mut state = sample(Stage::Source);
    let open = state.open.as_mut().unwrap();
    let finding = Arc::make_mut(open.finding.as_mut().unwrap());
    finding.sums.iter_mut().flat_map(|sum| &mut sum.parts).for_each(|part| part.all_pass.clear());
    let mut bands = OtherWay {
        sums: finding.sums.clone(),
        undo: Vec::new(),
        lost_between_db: Some(4.1),
        remarks: Vec::new(),
    };
    finding.lost_between_db = Some(0.02);
    bands.sums[1].flatness.as_mut().unwrap().rms_db_after = 0.9;
    finding.sums[1].flatness.as_mut().unwrap().rms_db_after = 0.2;
    for part in finding.sums.iter_mut().flat_map(|sum| &mut sum.parts) {
        if part.name == "front right midrange" {
            let taps = [vec![0.01; 510], vec![0.9]].concat();
            part.fir = Some(Taps { rate_hz: 48_000.0, taps });
        } else {
            part.delay_ms += 10.62;
        }
    }
    finding.way_remarks = vec![
        "front right midrange holds an all-pass at 900 Hz, which leaves the sum up to 9.8 dB off at 262 Hz, and the \
         processor has no all-pass to give to the others: taps in that output undo it, 10.6 ms late, for which the \
         others wait; up to 0.1 dB remain at 262 Hz"
            .into(),
    ];
    finding.remarks.extend(finding.way_remarks.clone());
    (finding.way, finding.other_way, finding.tune) = (Way::Taps, Some(Box::new(bands)), Some(3));
    let channels = finding.sums.iter().map(|sum| ChannelTune {
        name: sum.name.clone(),
        sections: tune().channels[0].sections.clone(),
        fir: Some(vec![0.98, 0.02, -0.01]),
        ..ChannelTune::default()
    });
    let undo = Tune { channels: channels.collect(), ..tune() };
    let note = TuneNote { number: 3, title: TuneNote::UNDO.into(), ..open.tunes[0].record.clone() };
    Arc::make_mut(&mut open.tunes).push(TuneRecord { record: note, tune: undo });
    state.source.signal = Some("right".into());
    state
}

/// A real car whose head unit's outputs are being recorded one at a time.
pub fn probing(recording: bool) -> State {
    use job::source::{Following, Line};
    use workstation::state::{Listened, Listening, Running};
    let mut state = sample(Stage::Source);
    let open = state.open.as_mut().unwrap();
    open.car.simulated = false;
    open.visit.simulated = false;
    open.visit.rig.as_mut().unwrap().simulation = None;
    open.visit.head_unit_stimulus = Some(job::source::stick::sweep(&Default::default(), 44_100));
    let names: Vec<String> = finding().outputs.into_iter().map(|output| output.name).collect();
    let mut takes = open.takes.to_vec();
    for (name, verdict) in names.iter().skip(1).zip([Verdict::Good, Verdict::Usable, Verdict::Retake]) {
        let mut take = take(takes.len() as u32 + 1, TakeKind::Source, name, "", None, verdict);
        take.label = Some(Line::Output(name.clone()).of_takes().1);
        take.position = None;
        take.recorded = vec![
            garage::take::Recorded {
                input: 1,
                heard: garage::take::Heard::Reference,
                name: Some(format!("head unit {}", names[0])),
            },
            garage::take::Recorded {
                input: 2,
                heard: garage::take::Heard::Line,
                name: Some(format!("head unit {name}")),
            },
        ];
        takes.push(take);
    }
    open.takes = Arc::new(takes);
    open.finding = None;
    open.undo = Vec::new();
    let page = &mut state.source;
    page.probing.outputs = names;
    page.probing.stays_on = Some(1);
    page.probing.input = 2;
    page.probing.steps = vec!["24".into(), "16".into()];
    page.probing.turned_from = 20;
    if recording {
        let watch = audio::rig::Watch::default();
        watch.set_inputs([(0.12, false), (1.0, true)]);
        watch.set_recorded_frames(480_000);
        state.running = Some(Running {
            what: format!("Recording {}", page.probing.outputs[4]),
            watch: Arc::new(watch),
            sounding: true,
        });
        let line = Line::Output(page.probing.outputs[4].clone());
        page.listening = Some(Listening { line, following: Arc::new(Following::default()) });
    } else {
        page.listened = Some(Listened {
            line: Line::Output(page.probing.outputs[3].clone()),
            verdict: Verdict::Retake,
            remarks: vec![
                "front right midrange is clipped on input 2: turn that input down by 6 dB, leave the volume where it is, and record it again.".into(),
            ],
        });
    }
    state
}
