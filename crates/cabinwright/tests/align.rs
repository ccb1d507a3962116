//! `align` on responses made with SciPy: tests/reference/align/make.py, truth in truth.json beside it.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn reference() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/align")
}

fn align(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cabinwright"))
        .current_dir(reference())
        .arg("align")
        .args(arguments)
        .output()
        .unwrap()
}

#[test]
fn arrivals_of_scipy_drivers_are_found() {
    let truth: serde_json::Value =
        serde_json::from_slice(&std::fs::read(reference().join("truth.json")).unwrap()).unwrap();
    let out = tempfile::tempdir().unwrap();
    let out_dir = out.path().to_str().unwrap();
    let done = align(&[
        "--impulse",
        "tweeter=tweeter.wav",
        "--impulse",
        "wide-range=wide-range.wav",
        "--impulse",
        "midrange=midrange.wav",
        "--impulse",
        "subwoofer=subwoofer.wav",
        "--temperature-c",
        "20",
        "--json",
        "--out",
        out_dir,
    ]);
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    let printed: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    let written: serde_json::Value =
        serde_json::from_slice(&std::fs::read(out.path().join("alignment.json")).unwrap()).unwrap();
    assert_eq!(printed, written);
    // The limits asked for, 95 % of cabins; a subwoofer's own arrival is only a start for its sum.
    let within_ms = [0.010, 0.005, 0.025, 4.0];
    let channels = written["channels"].as_array().unwrap();
    let latest_ms = channels[..3].iter().map(|c| c["arrival_ms"].as_f64().unwrap()).fold(0.0, f64::max);
    let shift_ms =
        channels[0]["delay_ms"].as_f64().unwrap() - latest_ms + channels[0]["arrival_ms"].as_f64().unwrap();
    for ((channel, true_channel), within) in
        channels.iter().zip(truth["channels"].as_array().unwrap()).zip(within_ms)
    {
        let name = channel["name"].as_str().unwrap();
        let number = |key: &str| channel[key].as_f64().unwrap();
        assert_eq!(name, true_channel["name"]);
        let error_ms = number("arrival_ms") - true_channel["arrival_ms"].as_f64().unwrap();
        assert!(error_ms.abs() < within, "{name}: {error_ms} ms");
        assert!((number("distance_m") - 0.3432 * number("arrival_ms")).abs() < 1e-9);
        assert!(number("delay_ms") >= 0.0 && number("gain_db") <= 0.0);
        if name != "subwoofer" {
            assert_eq!(channel["invert"], true_channel["inverted"], "{name}");
            assert_ne!(channel["confidence"], "low", "{name}");
            // All that is not a subwoofer reaches the seat together.
            let late_ms = number("arrival_ms") + number("delay_ms") - shift_ms - latest_ms;
            assert!(late_ms.abs() < 1e-6, "{name}: {late_ms}");
        }
    }
    let again = align(&["--impulse", "tweeter=tweeter.wav", "--out", out_dir]);
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("--force"));
}

#[test]
fn bad_input_gets_one_line_that_names_it() {
    for (arguments, words) in [
        (vec!["--impulse", "a=truth.json"], "truth.json"),
        (vec!["--impulse", "a=gone.wav"], "gone.wav"),
        (vec!["--impulse", "a=tweeter.wav", "--limits", "truth.json"], "truth.json"),
        (vec!["--impulse", "a=tweeter.wav", "--temperature-c", "900"], "900"),
        (
            vec!["--impulse", "a=tweeter.wav", "--impulse", "a=midrange.wav", "--impulse", "b=midrange.wav"],
            "b 1, a 2",
        ),
    ] {
        let refused = align(&arguments);
        let line = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(refused.status.code(), Some(2), "{arguments:?}: {line}");
        assert!(line.contains(words) && line.trim_end().lines().count() == 1, "{arguments:?}: {line}");
        assert!(refused.stdout.is_empty());
    }
}
