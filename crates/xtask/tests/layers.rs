//! The layer rule of docs/architecture.md, read from what cargo itself knows.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// Each crate with those of ours that it may import.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("dsp", &[]),
    ("audio", &["dsp"]),
    ("garage", &["dsp"]),
    ("virtual-car", &["dsp", "audio"]),
    ("job", &["dsp", "audio", "garage", "virtual-car"]),
    ("report", &["dsp", "garage"]),
    ("workstation", &["dsp", "audio", "garage", "virtual-car", "job", "report"]),
    ("cabinwright", &["dsp", "audio", "garage", "virtual-car", "job", "report", "workstation"]),
    ("xtask", &[]),
];

/// Libraries that belong to one crate alone.
const ONLY_IN: &[(&str, &[&str])] = &[
    ("cpal", &["audio"]),
    ("hound", &["audio"]),
    ("eframe", &["workstation"]),
    ("rfd", &["workstation"]),
    ("krilla", &["report"]),
    ("plotters", &["report"]),
    ("clap", &["cabinwright"]),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().nth(2).unwrap().to_owned()
}

/// Name of each workspace crate with its dependencies that end up in the program (not those of its tests).
fn imports() -> BTreeMap<String, Vec<String>> {
    let answer = Command::new(env!("CARGO"))
        .args(["metadata", "--no-deps", "--format-version", "1", "--offline"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(answer.status.success(), "{}", String::from_utf8_lossy(&answer.stderr));
    let metadata: Value = serde_json::from_slice(&answer.stdout).unwrap();
    let name = |value: &Value| value["name"].as_str().unwrap().to_owned();
    metadata["packages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|package| {
            let dependencies = package["dependencies"].as_array().unwrap();
            (name(package), dependencies.iter().filter(|d| d["kind"].is_null()).map(name).collect())
        })
        .collect()
}

fn broken_rules(imports: &BTreeMap<String, Vec<String>>) -> Vec<String> {
    let mut broken = Vec::new();
    for (importer, imported) in imports {
        let Some((_, allowed)) = MAY_IMPORT.iter().find(|(name, _)| name == importer) else {
            broken.push(format!("{importer} has no line in the layer rule"));
            continue;
        };
        for name in imported {
            if imports.contains_key(name) && !allowed.contains(&name.as_str()) {
                broken.push(format!("{importer} must not import {name}"));
            }
            if ONLY_IN.iter().any(|(library, owners)| library == name && !owners.contains(&importer.as_str()))
            {
                broken.push(format!("{importer} must not use {name}"));
            }
        }
    }
    broken
}

#[test]
fn imports_run_one_way() {
    assert_eq!(broken_rules(&imports()), Vec::<String>::new());
}

#[test]
fn a_crossed_layer_is_noticed() {
    let mut crossed = imports();
    crossed.get_mut("dsp").unwrap().extend(["garage".to_owned(), "cpal".to_owned()]);
    assert_eq!(broken_rules(&crossed), ["dsp must not import garage", "dsp must not use cpal"]);
}

#[test]
fn the_architecture_page_names_every_crate() {
    let page = std::fs::read_to_string(root().join("docs/architecture.md")).unwrap();
    let unnamed: Vec<_> = imports().into_keys().filter(|name| !page.contains(&format!("`{name}`"))).collect();
    assert_eq!(unnamed, Vec::<String>::new());
}

/// Every Rust file under `folder`.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries
        .flat_map(|path| match path.is_dir() {
            true => sources(&path),
            false => vec![path],
        })
        .filter(|path| path.extension().is_some_and(|extension| extension == "rs"))
        .collect()
}

#[test]
fn the_numbers_see_no_disk_no_clock_and_no_environment() {
    for path in sources(&root().join("crates/dsp/src")) {
        // Tests may print and be told how long to run.
        if path.components().any(|part| part.as_os_str() == "tests") || path.ends_with("tests.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        let text = text.split("#[cfg(test)]").next().unwrap_or_default();
        for seen in ["std::fs", "std::io", "std::env", "std::net", "std::time", "std::process", "println!"] {
            assert!(!text.contains(seen), "{} uses {seen}", path.display());
        }
    }
}

#[test]
fn colours_come_from_one_file() {
    for path in sources(&root().join("crates/workstation/src")) {
        let text = std::fs::read_to_string(&path).unwrap();
        let is_theme = path.file_name().is_some_and(|name| name == "colours.rs");
        for raw in ["Color32::from_rgb", "Color32::from_rgba", "Color32::from_hex", "hex_color!"] {
            assert!(
                is_theme || !text.contains(raw),
                "{} makes a colour of its own with {raw}",
                path.display()
            );
        }
    }
}

#[test]
fn every_dependency_has_its_reason() {
    let reasons = std::fs::read_to_string(root().join("docs/decisions/dependencies.md")).unwrap();
    let manifest = std::fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let listed = manifest.split("[workspace.dependencies]").nth(1).unwrap().split("\n[").next().unwrap();
    let names = listed.lines().filter_map(|line| Some(line.split_once('=')?.0.trim()));
    let ours = imports();
    let unexplained: Vec<_> =
        names.filter(|name| !ours.contains_key(*name) && !reasons.contains(name)).collect();
    assert_eq!(unexplained, Vec::<&str>::new());
}
