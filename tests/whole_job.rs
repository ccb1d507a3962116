//! The whole job from the command line: first by the demo, then command by command on files.
#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

mod common;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use audio::rig::{PlayedChannel, TakeOrder, Watch};
use common::cabinwright;
use garage::{Position, Simulation};
use job::rig::JobRig;
use serde_json::Value;

fn json_file(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// The demo goes from an empty folder to a proof, says that it is simulated, and comes out the same again.
#[test]
fn the_demo_does_the_whole_job_and_repeats_itself() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let demo = ["demo", "--out", "d", "--scenario", "plain-front", "--seed", "7"];
    let words = cabinwright(at, &demo).done();
    assert!(words.stdout.contains("SIMULATED"), "{}", words.stdout);
    let summary = json_file(&at.join("d/summary.json"));
    assert_eq!(summary["simulated"], true);
    for side in summary["sides"].as_array().unwrap() {
        let figure = |name: &str| {
            let value = side[name]["value"].as_f64().unwrap();
            let half_width = side[name]["half_width_95"].as_f64().unwrap();
            assert!(value > 0.0 && half_width > 0.0, "{name}: {side}");
            (value, half_width)
        };
        let (before, after) = (figure("rms_error_db_before"), figure("rms_error_db_after"));
        let predicted = figure("rms_error_db_predicted");
        assert_eq!(side["change"], "better", "{side}");
        assert!(before.0 - after.0 > before.1 + after.1, "{side}");
        // A linear car: the prediction is exact up to the noise of single takes, some tenths of a decibel.
        assert!((predicted.0 - after.0).abs() < 0.3, "{side}");
    }

    cabinwright(at, &demo).refused(&["d/garage", "--force"]);
    assert_eq!(json_file(&at.join("d/summary.json")), summary, "a refusal changes nothing");
    // From the root of the disk this time: where the folder is seen from changes nothing.
    let whole = at.join("d").display().to_string();
    let again: Vec<&str> = demo
        .iter()
        .map(|&word| if word == "d" { whole.as_str() } else { word })
        .chain(["--force", "--json"])
        .collect();
    let document = cabinwright(at, &again).done().json();
    assert_eq!(document["scenario"], "plain-front");
    assert_eq!(json_file(&at.join("d/summary.json")), summary, "one seed, one result");
}

/// A head unit that splits its outputs: joined, undone, proved at line level and at the seat, and told in the report.
#[test]
fn a_split_head_unit_goes_the_whole_way() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let words = cabinwright(at, &["demo", "--out", "d", "--scenario", "split-factory", "--seed", "2"]).done();
    println!("{}", words.stdout);
    let summary = json_file(&at.join("d/summary.json"));
    for side in summary["sides"].as_array().unwrap() {
        let value = |name: &str| side[name]["value"].as_f64().unwrap();
        assert_eq!(side["change"], "better", "{side}");
        // A linear car at these levels: the prediction, by way of joined and undone inputs, is exact up to noise.
        assert!((value("rms_error_db_predicted") - value("rms_error_db_after")).abs() < 0.3, "{side}");
    }
    let visit = at.join("d/garage").join(summary["visit"].as_str().unwrap());
    let finding = garage::VisitFolder::open(&visit).unwrap().finding().unwrap().unwrap();
    assert_eq!(finding.sums.iter().map(|it| it.name.as_str()).collect::<Vec<_>>(), ["left", "right"]);
    for sum in &finding.sums {
        let flatness = sum.flatness.unwrap();
        let measured = flatness.rms_db_measured.unwrap();
        assert!(measured < 0.5 && flatness.rms_db_before > 2.0, "{}: {flatness:?}", sum.name);
        assert!((measured - flatness.rms_db_after).abs() < 0.15, "{}: {flatness:?}", sum.name);
    }
    assert_eq!(finding.clean_volume.len(), 2);
    assert!(finding.clean_volume.iter().all(|tone| tone.highest.is_some() && tone.next.is_some()));
    assert!(at.join("d/report.pdf").exists());
}

/// Command by command: every step reads what the step before wrote.
#[test]
fn each_command_takes_what_the_last_one_wrote() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    let mut car = Car::new("plain-front", 3);

    cabinwright(
        at,
        &[
            "stimulus",
            "sweep",
            "--rate",
            "48000",
            "--low-hz",
            "40",
            "--high-hz",
            "20000",
            "--seconds",
            "3",
            "--level-dbfs",
            "-20",
            "--repeats",
            "1",
            "--markers",
            "--out",
            "s.wav",
        ],
    )
    .done();
    std::fs::write(at.join("target.json"), TARGET).unwrap();
    std::fs::write(at.join("limits.json"), LIMITS).unwrap();
    std::fs::write(at.join("mic.txt"), car.calibration()).unwrap();

    // Nine positions of the left side as it comes, through the head unit.
    let before = responses(at, &mut car, "before");
    average(at, &before, "before.csv");
    let words = cabinwright(
        at,
        &[
            "correct",
            "--response",
            "before.csv",
            "--target",
            "target.json",
            "--limits",
            "limits.json",
            "--from-hz",
            "50",
            "--to-hz",
            "16000",
            "--out",
            "tune.json",
            "--json",
        ],
    )
    .done();
    words.json();
    let tune = json_file(&at.join("tune.json"));
    assert_eq!(tune["format"], "cabinwright-tune");
    let sections = tune["channels"][0]["sections"].as_array().unwrap();
    assert!((1..=10).contains(&sections.len()), "{tune}");

    // Typed into the processor, measured again.
    car.enter(&at.join("tune.json"));
    let after = responses(at, &mut car, "after");
    average(at, &after, "after.csv");
    let (was, is) = (error_db(&at.join("before.csv")), error_db(&at.join("after.csv")));
    let promised = tune["predicted"]["rms_error_db_after"].as_f64().unwrap();
    println!("from {was:.2} to {is:.2} dB off the target, {promised:.2} promised");
    assert!(is < 0.5 * was, "from {was} to {is}");
    // The same car at the same places: what differs is noise and the grid the figure is taken on.
    assert!((is - promised).abs() < 0.3, "{is} measured, {promised} promised");

    // The tune runs over a recording, and refuses one of another rate.
    cabinwright(at, &["apply", "--tune", "tune.json", "--in", "s.wav", "--out", "filtered.wav"]).done();
    assert!(at.join("filtered.wav").exists());
    cabinwright(at, &["noise", "--capture", "before-P1.wav", "--json"]).done().json();
}

const TARGET: &str =
    r#"{"name":"Warm","points":[[20,8],[60,6],[200,0],[1000,0],[16000,-4]],"tolerance_db":3}"#;
const LIMITS: &str = r#"{"sample_rate_hz":48000,"bands":10,"kinds":["peaking","low_shelf","high_shelf"],
    "gain_db":{"min":-15,"max":6,"step":0.5},"q":{"min":0.3,"max":10,"step":0.1},
    "frequency_hz":{"min":20,"max":20000,"per_octave":24},"delay_ms":{"max":20,"step":0.01},"fir_taps":0}"#;

/// Captures nine positions and runs `response` over each; gives the curve files.
fn responses(at: &Path, car: &mut Car, name: &str) -> Vec<PathBuf> {
    Position::nine()
        .iter()
        .map(|position| {
            let stem = format!("{name}-{}", position.name);
            let capture = format!("{stem}.wav");
            car.record(&at.join("s.wav"), position, &at.join(&capture));
            cabinwright(
                at,
                &[
                    "response",
                    "--stimulus",
                    "s.wav",
                    "--capture",
                    &capture,
                    "--input-channel",
                    "1",
                    "--reference-channel",
                    "2",
                    "--mic-cal",
                    "mic.txt",
                    "--smoothing",
                    "12",
                    "--out",
                    name,
                ],
            )
            .done();
            let facts = json_file(&at.join(name).join(format!("{stem}.facts.json")));
            assert_ne!(facts["verdict"], "retake", "{facts}");
            at.join(name).join(format!("{stem}.response.csv"))
        })
        .collect()
}

fn average(at: &Path, curves: &[PathBuf], out: &str) {
    let mut args = vec!["average".to_owned()];
    args.extend(curves.iter().map(|path| path.display().to_string()));
    args.extend(["--method", "power", "--out", out].map(str::to_owned));
    cabinwright(at, &args).done();
    let header = std::fs::read_to_string(at.join(out)).unwrap();
    assert!(header.starts_with("frequency_hz,level_db") && header.contains("spread_db"), "{header:.60}");
}

/// Rms distance of a curve file from the target between 50 Hz and 16 kHz, its level free, every point alike.
fn error_db(path: &Path) -> f64 {
    let curve = garage::formats::curve_csv::read(path).unwrap();
    let target: dsp::target::Target = serde_json::from_str(TARGET).unwrap();
    let grid = dsp::curve::log_grid_hz(50.0, 16_000.0, 24.0);
    let gaps: Vec<f64> =
        grid.iter().map(|&f| curve.level_at_db(f).unwrap() - target.level_at_db(f)).collect();
    let mean = gaps.iter().sum::<f64>() / gaps.len() as f64;
    (gaps.iter().map(|gap| (gap - mean).powi(2)).sum::<f64>() / gaps.len() as f64).sqrt()
}

/// A virtual car that plays and records files, as a recorder beside a real one would.
struct Car {
    rig: JobRig,
    calibration: String,
}

impl Car {
    fn new(scenario: &str, seed: u64) -> Self {
        let rig = JobRig::virtual_car(&Simulation { scenario: scenario.into(), seed }, false).unwrap();
        let calibration = rig.car().unwrap().edit(|car| car.microphone_calibration());
        Self { rig, calibration }
    }

    fn calibration(&self) -> &str {
        &self.calibration
    }

    /// The correction of the left side, on the left channel.
    fn enter(&mut self, tune: &Path) {
        let mut tune = garage::formats::tune::read(tune).unwrap();
        tune.channels[0].name = "front left".into();
        self.rig.enter_tune(Some(&tune)).unwrap();
    }

    fn record(&mut self, stimulus: &Path, position: &Position, recording: &Path) {
        self.rig.place_microphone("driver", position).unwrap();
        let wav = audio::wav::read(stimulus).unwrap();
        let samples = Arc::new(wav.channels[0].iter().map(|x| *x as f32).collect());
        let order = TakeOrder {
            rate_hz: wav.rate_hz,
            play: vec![PlayedChannel { output: 0, samples }],
            record_inputs: vec![0, 1],
            tail_s: 0.5,
            recording: recording.to_owned(),
            ceiling_dbfs: -6.0,
        };
        self.rig.take(&order, &Watch::default()).unwrap();
    }
}
