//! `correct --visit`: a whole visit set up without a window, on the ready-made visit of an invented car.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn cabinwright(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cabinwright")).args(arguments).output().unwrap()
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let there = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &there)
        } else {
            drop(std::fs::copy(entry.path(), there))
        }
    }
}

/// The visits of a copy of the ready-made garage, by car.
fn visits(garage: &Path) -> Vec<PathBuf> {
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-sessions/garage"), garage);
    let mut cars: Vec<PathBuf> =
        std::fs::read_dir(garage.join("cars")).unwrap().map(|car| car.unwrap().path()).collect();
    cars.sort();
    cars.into_iter().map(|car| car.join("visits/2026-03-14-1")).collect()
}

#[test]
fn a_visit_is_set_up_and_its_tune_kept() {
    let dir = tempfile::tempdir().unwrap();
    let visits = visits(&dir.path().join("garage"));
    let visit = visits.iter().find(|it| it.to_string_lossy().contains("plover")).unwrap();
    let before = std::fs::read_dir(visit.join("tunes")).unwrap().count();
    let out = dir.path().join("tune.json");
    let done = cabinwright(&[
        "correct",
        "--visit",
        visit.to_str().unwrap(),
        "--keep",
        "--out",
        out.to_str().unwrap(),
        "--json",
    ]);
    assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
    let answer: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(answer["simulated"], true);
    let number = answer["number"].as_u64().unwrap();
    assert!(visit.join(format!("tunes/{number}.json")).is_file());
    assert_eq!(std::fs::read_dir(visit.join("tunes")).unwrap().count(), before + 1);
    let tune = garage::formats::tune::read(&out).unwrap();
    assert!(tune.channels.iter().any(|it| !it.sections.is_empty()));
    assert!(tune.predicted.rms_error_db_after < tune.predicted.rms_error_db_before);
}

#[test]
fn what_is_no_other_seat_is_refused_in_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let visits = visits(&dir.path().join("garage"));
    let (one, other) = (visits.first().unwrap().to_str().unwrap(), visits.last().unwrap().to_str().unwrap());
    for (arguments, words) in [
        (vec!["--visit", one, "--other-seat", one], "is the visit itself"),
        (vec!["--visit", one, "--other-seat", other], "name one of"),
        (vec!["--visit", one, "--other-seat", "nowhere"], "nowhere is no visit"),
        (vec!["--visit", one, "--other-seat", other, "--weight", "120"], "0 to 100"),
        (vec!["--visit", one, "--response", "r.csv"], "cannot be used with"),
        (vec!["--response", "r.csv"], "--target"),
        (vec![], "--response"),
    ] {
        let done = cabinwright(&[&["correct"], &arguments[..]].concat());
        let said = String::from_utf8(done.stderr).unwrap();
        assert_eq!((done.status.code(), said.lines().count()), (Some(2), 1), "{arguments:?}: {said}");
        assert!(said.contains(words), "{arguments:?}: {said}");
    }
}
