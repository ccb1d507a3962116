//! `roll-call`, `entry-check` and `apply` against NumPy and SciPy: tests/reference/{roll-call,entry-check,apply}/make.py.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn reference(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference").join(folder)
}

fn cabinwright(folder: &str, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cabinwright"))
        .current_dir(reference(folder))
        .args(arguments)
        .output()
        .unwrap()
}

fn json(done: &Output) -> serde_json::Value {
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    serde_json::from_slice(&done.stdout).unwrap()
}

#[test]
fn a_roll_call_names_what_is_wrong_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let stimulus = dir.path().join("s.wav");
    let stimulus = stimulus.to_str().unwrap();
    let mut make = vec!["stimulus", "roll-call", "--out", stimulus, "--channels", "4", "--seconds", "0.5"];
    for band in ["1:2500-18000", "2:2500-18000", "3:45-4000", "4:45-4000"] {
        make.extend(["--band", band]);
    }
    assert!(cabinwright("roll-call", &make).status.success());
    let faults = |capture: &str| -> Vec<(String, String)> {
        let call = ["roll-call", "--map", "map.json", "--stimulus", stimulus, "--capture", capture];
        let judged =
            json(&cabinwright("roll-call", &[&call[..], &["--seat-side", "left", "--json"]].concat()));
        let text = |value: &serde_json::Value| value.as_str().unwrap().to_owned();
        let list = judged["faults"].as_array().unwrap();
        list.iter().map(|it| (text(&it["name"]), text(&it["trouble"]["kind"]))).collect()
    };
    assert_eq!(faults("sound.wav"), []);
    let named = faults("faults.wav");
    let named: Vec<(&str, &str)> = named.iter().map(|(name, kind)| (&**name, &**kind)).collect();
    assert_eq!(named, [("tweeter left", "silent"), ("woofer right", "inverted")]);
}

#[test]
fn an_entry_check_names_the_slip_and_nothing_else() {
    let check = |kind: &str| {
        let takes = ["left", "right", "sub"].map(|name| format!("{name}={kind}-{name}.csv"));
        let mut arguments = vec!["entry-check", "--tune", "tune.json", "--json"];
        takes.iter().for_each(|take| arguments.extend(["--take", take]));
        json(&cabinwright("entry-check", &arguments))["channels"].as_array().unwrap().clone()
    };
    assert!(check("right").iter().all(|channel| channel["as_typed"] == true));
    let slipped = check("slip");
    assert!(slipped[0]["as_typed"] == true && slipped[2]["as_typed"] == true, "{slipped:?}");
    assert_eq!(slipped[1]["slip"], serde_json::json!({"kind": "wrong_sign", "band": 2}));
}

#[test]
fn a_tune_is_run_over_a_recording_as_scipy_runs_it() {
    let mut state = 12_345u32;
    let noise: Vec<f64> = (0..4000)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (f64::from(state) / f64::from(1u32 << 31) - 1.0) * 0.25
        })
        .collect();
    let dir = tempfile::tempdir().unwrap();
    let (input, output) = (dir.path().join("in.wav"), dir.path().join("out.wav"));
    audio::wav::write_f32(&input, 48_000, &[noise.clone(), noise]).unwrap();
    let (input, output_name) = (input.to_str().unwrap(), output.to_str().unwrap());
    let done = cabinwright("apply", &["apply", "--tune", "tune.json", "--in", input, "--out", output_name]);
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));

    let written = audio::wav::read(&output).unwrap();
    let expected = std::fs::read(reference("apply").join("expected.json")).unwrap();
    let expected: serde_json::Value = serde_json::from_slice(&expected).unwrap();
    for (channel, name) in written.channels.iter().zip(["tweeter", "woofer"]) {
        let samples = expected["samples"][name].as_object().unwrap();
        assert!(samples.len() > 15);
        for (at, value) in samples {
            let got = channel.get(at.parse::<usize>().unwrap()).unwrap();
            // The file's float32 holds a quarter to 1.5e-8.
            assert!((got - value.as_f64().unwrap()).abs() < 1e-7, "{name}, sample {at}: {got} for {value}");
        }
    }
}
