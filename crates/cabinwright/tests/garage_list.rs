//! `garage list` as a shop runs it, in words and as JSON.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::path::Path;
use std::process::{Command, Output};

use garage::{Car, Garage, Visit};
use serde_json::Value;

fn cabinwright(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_cabinwright")).args(words).output().unwrap()
}

fn listed(folder: &Path, json: bool) -> String {
    let folder = folder.display().to_string();
    let mut words = vec!["garage", "list", "--garage", &folder];
    words.extend(json.then_some("--json"));
    let output = cabinwright(&words);
    assert!(output.status.success() && output.stderr.is_empty(), "{output:?}");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn cars_visits_and_damage_are_listed() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("garage");
    let garage = Garage::create(&folder, "Bay four").unwrap();
    assert_eq!(listed(&folder, false).trim_end(), "Bay four: 0 cars");

    let car = |name: &str, simulated| Car { name: name.into(), simulated, ..Car::default() };
    let day = jiff::civil::date(2026, 3, 14);
    let real = garage.add_car(&car("Corvane Estate", false)).unwrap();
    real.begin_visit(Visit::begin(day)).unwrap();
    let again = real.begin_visit(Visit::begin(day)).unwrap();
    garage.add_car(&car("Dunnock saloon", true)).unwrap();
    std::fs::create_dir_all(again.path().join("takes")).unwrap();
    std::fs::write(again.path().join("takes").join("0001.json"), "{").unwrap();

    let words = listed(&folder, false);
    let lines: Vec<&str> = words.lines().collect();
    assert_eq!(lines[0], "Bay four: 2 cars");
    assert!(
        lines[1].starts_with("Corvane Estate (corvane-estate)") && !lines[1].contains("SIMULATED"),
        "{words}"
    );
    assert!(lines[2].contains("2026-03-14, number 1: 0 takes, 0 tunes"), "{words}");
    assert!(lines[3].contains("2026-03-14, number 2: 0 takes, 0 tunes"), "{words}");
    assert!(lines[4].starts_with("Dunnock saloon") && lines[4].contains("SIMULATED"), "{words}");
    assert!(words.contains("Damaged") && words.contains("0001.json"), "{words}");

    let document: Value = serde_json::from_str(&listed(&folder, true)).unwrap();
    assert_eq!(document["garage"], "Bay four");
    let cars = document["cars"].as_array().unwrap();
    let names: Vec<&str> = cars.iter().map(|car| car["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Corvane Estate", "Dunnock saloon"]);
    assert_eq!(cars[0]["visits"].as_array().unwrap().len(), 2);
    assert_eq!((&cars[0]["visits"][1]["number"], &cars[1]["simulated"]), (&2.into(), &true.into()));
    // The folder it names is one that other commands take.
    let visit = Path::new(cars[0]["visits"][0]["folder"].as_str().unwrap());
    assert!(visit.join("visit.json").is_file(), "{}", visit.display());
    assert_eq!(document["damaged"].as_array().unwrap().len(), 1);
}
