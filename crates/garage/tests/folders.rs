//! Garages on disk: paths, numbering, two programs, checking, packing.
#![allow(clippy::unwrap_used, reason = "a temporary folder can be made")]

mod common;

use std::fs;
use std::path::Path;

use common::{add_take, car, filled, note, tune, visit};
use garage::check::check;
use garage::lock::WriteLock;
use garage::{Fault, Garage, GarageError, VisitFolder, archive};

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

#[test]
fn the_paths_are_those_of_the_format() {
    let root = folder();
    let (_, visit) = filled(root.path(), 1);
    for path in [
        "garage.json",
        "cars/corvane-estate/car.json",
        "cars/corvane-estate/visits/2026-03-14-1/visit.json",
        "cars/corvane-estate/visits/2026-03-14-1/takes/0001.wav",
        "cars/corvane-estate/visits/2026-03-14-1/takes/0001.json",
        "cars/corvane-estate/visits/2026-03-14-1/tunes/1.json",
        "cars/corvane-estate/visits/2026-03-14-1/report",
    ] {
        assert!(root.path().join(path).exists(), "{path}");
    }
    assert!(fs::read_dir(visit.path().join("takes")).unwrap().count() == 2, "no claim is left");
    // Opened by its folder alone, it knows its car.
    assert_eq!(VisitFolder::open(visit.path()).unwrap().car().name, "Corvane Estate");
}

#[test]
fn a_second_car_and_a_second_visit_get_a_number() {
    let root = folder();
    let (garage, _) = filled(root.path(), 0);
    let again = garage.add_car(&car()).unwrap();
    assert!(again.path().ends_with("cars/corvane-estate-2"));
    let first = garage.car("corvane-estate").unwrap();
    assert!(first.begin_visit(visit()).unwrap().path().ends_with("2026-03-14-2"));
    assert_eq!(garage.cars().unwrap().found.len(), 2);
}

#[test]
fn a_folder_with_other_files_is_not_made_a_garage() {
    let root = folder();
    fs::write(root.path().join("holiday.jpg"), b"x").unwrap();
    let error = Garage::open_or_create(root.path(), "Test bay").unwrap_err();
    assert!(matches!(error, GarageError::NotEmpty { .. }), "{error}");
    assert!(!root.path().join("garage.json").exists());
}

#[test]
fn programs_that_take_and_save_at_once_never_get_the_same_number() {
    let root = folder();
    let (_, visit) = filled(root.path(), 0);
    let path = visit.path();
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                // Each opens the visit for itself, as another program does.
                let visit = VisitFolder::open(path).unwrap();
                for _ in 0..10 {
                    add_take(&visit);
                    visit.save_tune(&tune(), note()).unwrap();
                }
            });
        }
    });
    let (takes, tunes) = (visit.takes().unwrap(), visit.tunes().unwrap());
    assert!(takes.damaged.is_empty() && tunes.damaged.is_empty());
    let ids: Vec<String> = takes.found.into_iter().map(|it| it.id).collect();
    assert_eq!(ids, (1..=40).map(|n| format!("{n:04}")).collect::<Vec<_>>());
    assert_eq!(tunes.found.len(), 41);
    assert!(tunes.found.iter().zip(1..).all(|(tune, n)| tune.record.number == n));
}

#[test]
fn changes_of_two_programs_are_both_kept_or_refused() {
    let root = folder();
    let (_, mut one) = filled(root.path(), 0);
    let mut two = VisitFolder::open(one.path()).unwrap();
    one.update(|visit| visit.tuner = "Ada".to_owned()).unwrap();
    two.update(|visit| visit.seat = "passenger".to_owned()).unwrap();
    let now = VisitFolder::open(one.path()).unwrap();
    assert_eq!((now.record().tuner.as_str(), now.record().seat.as_str()), ("Ada", "passenger"));
    // A whole record that was read before the other's change must not undo it.
    let stale = one.record().clone();
    let error = one.save(&stale).unwrap_err();
    assert!(matches!(error, GarageError::Changed { .. }), "{error}");
}

#[test]
fn a_garage_another_program_writes_to_is_busy() {
    let root = folder();
    let (_, mut visit) = filled(root.path(), 0);
    let before = fs::read(visit.path().join("visit.json")).unwrap();
    let held = WriteLock::take(root.path()).unwrap();
    let error = visit.update(|it| it.tuner = "Ada".to_owned()).unwrap_err();
    assert!(matches!(error, GarageError::Busy { .. }), "{error}");
    assert_eq!(fs::read(visit.path().join("visit.json")).unwrap(), before);
    drop(held);
    visit.update(|it| it.tuner = "Ada".to_owned()).unwrap();
}

#[test]
fn a_record_that_breaks_its_rules_leaves_the_old_file() {
    let root = folder();
    let (_, mut visit) = filled(root.path(), 0);
    let before = fs::read(visit.path().join("visit.json")).unwrap();
    let broken = visit.update(|it| it.conditions.temperature_c = Some(f64::NAN));
    assert!(matches!(broken, Err(GarageError::Format(_))));
    visit.update(|it| it.positions.push(it.positions[0].clone())).unwrap_err();
    assert_eq!(fs::read(visit.path().join("visit.json")).unwrap(), before);
}

#[test]
fn retakes_keep_both_recordings() {
    let root = folder();
    let (_, visit) = filled(root.path(), 2);
    visit.supersede("0001", "0002").unwrap();
    let current: Vec<_> =
        visit.takes().unwrap().found.into_iter().filter(|it| it.is_current()).map(|it| it.id).collect();
    assert_eq!(current, ["0002"]);
    assert!(visit.recording("0001").exists());
    let error = visit.supersede("0001", "0009").unwrap_err();
    assert!(error.to_string().contains("0001, 0002"), "{error}");
}

#[test]
fn takes_are_listed_without_their_audio() {
    let root = folder();
    let (_, visit) = filled(root.path(), 3);
    // A recording that cannot be read at all changes nothing about the list.
    fs::remove_file(visit.recording("0002")).unwrap();
    fs::create_dir(visit.recording("0002")).unwrap();
    let takes = visit.takes().unwrap();
    assert_eq!((takes.found.len(), takes.damaged.len()), (3, 0));
}

#[test]
fn an_interrupted_take_costs_that_take_only() {
    let root = folder();
    let (_, visit) = filled(root.path(), 1);
    let open = visit.begin_take().unwrap();
    fs::write(&open.recording, &common::wav()[..50]).unwrap();
    // The program dies here: neither finished nor abandoned.
    drop(open);
    assert_eq!(add_take(&visit), "0003");
    let report = check(root.path(), |_| ()).unwrap();
    assert_eq!((report.takes, report.damaged.len(), report.left_over.len()), (2, 0, 1), "{report:?}");
    assert!(report.left_over[0].contains("0002.claim") && report.left_over[0].contains("50 bytes"));
}

#[test]
fn an_abandoned_take_leaves_nothing() {
    let root = folder();
    let (_, visit) = filled(root.path(), 0);
    let open = visit.begin_take().unwrap();
    fs::write(&open.recording, common::wav()).unwrap();
    visit.abandon_take(open).unwrap();
    assert_eq!(fs::read_dir(visit.path().join("takes")).unwrap().count(), 0);
}

#[test]
fn the_check_names_every_damaged_file_and_changes_none() {
    let root = folder();
    let (_, visit) = filled(root.path(), 4);
    let at = |name: &str| visit.path().join(name);
    assert_eq!(check(root.path(), |_| ()).unwrap().damaged, Vec::<String>::new());

    let mut changed = common::wav();
    changed[50] ^= 1;
    fs::write(at("takes/0001.wav"), changed).unwrap();
    fs::remove_file(at("takes/0002.wav")).unwrap();
    let record = fs::read(at("takes/0003.json")).unwrap();
    fs::write(at("takes/0003.json"), &record[..record.len() / 2]).unwrap();
    fs::write(at("takes/0004.wav"), b"not sound").unwrap();
    fs::write(at("tunes/1.json"), b"").unwrap();
    fs::write(at("visit.json"), [0xFF, 0, 1]).unwrap();
    let before = tree(root.path());

    let report = check(root.path(), |_| ()).unwrap();
    let expected = ["visit.json", "0001.wav", "0002.wav", "0003.json", "0004.wav", "tunes/1.json"];
    assert_eq!(report.damaged.len(), expected.len(), "{report:#?}");
    for name in expected {
        assert!(report.damaged.iter().any(|line| line.contains(name)), "{name}: {report:#?}");
    }
    assert_eq!(tree(root.path()), before);
}

#[test]
fn a_packed_garage_comes_back_the_same_and_replaces_nothing() {
    let (root, other) = (folder(), folder());
    let (garage, visit) = filled(root.path(), 2);
    fs::create_dir(visit.cache_folder()).unwrap();
    fs::write(visit.cache_folder().join("curve"), b"x").unwrap();
    let file = other.path().join("garage.tar");
    let packed = archive::export(&garage, &[], &file, false, |_| ()).unwrap();
    assert_eq!((packed.cars.len(), packed.files), (1, 1 + 1 + 1 + 4 + 1));
    let error = archive::export(&garage, &[], &file, false, |_| ()).unwrap_err();
    assert!(matches!(&error, GarageError::Format(it) if matches!(it.fault, Fault::AlreadyThere)), "{error}");

    let here = Garage::create(&other.path().join("here"), "Other bay").unwrap();
    let brought = archive::import(&here, &file).unwrap();
    assert_eq!(
        (brought.cars.as_slice(), brought.damaged.len()),
        (["corvane-estate".to_owned()].as_slice(), 0)
    );
    fs::remove_dir_all(visit.cache_folder()).unwrap();
    assert_eq!(tree(&here.root().join("cars")), tree(&root.path().join("cars")));

    // Again: everything is there already and stays, even where it was changed since.
    let car_file = here.root().join("cars/corvane-estate/visits/2026-03-14-1/takes/0001.wav");
    fs::write(&car_file, b"changed").unwrap();
    let again = archive::import(&here, &file).unwrap();
    assert_eq!(again.already_there, ["corvane-estate/2026-03-14-1"]);
    assert_eq!(fs::read(&car_file).unwrap(), b"changed");
    assert_eq!(fs::read_dir(here.root()).unwrap().count(), 3, "nothing unpacked is left behind");
}

#[test]
fn an_archive_cut_short_or_foreign_changes_nothing() {
    let (root, other) = (folder(), folder());
    let (garage, _) = filled(root.path(), 3);
    let file = other.path().join("garage.tar");
    archive::export(&garage, &[], &file, false, |_| ()).unwrap();
    let whole = fs::read(&file).unwrap();
    let here = Garage::create(&other.path().join("here"), "Other bay").unwrap();
    let before = tree(here.root());
    for bad in [&whole[..whole.len() / 2 + 100], b"".as_slice(), b"no archive".as_slice()] {
        fs::write(&file, bad).unwrap();
        let error = archive::import(&here, &file).unwrap_err();
        assert!(error.to_string().contains("the garage is as it was"), "{error}");
        assert_eq!(tree(here.root()), before);
    }
    // A path that climbs out of the garage.
    let mut builder = tar::Builder::new(Vec::new());
    let mut header = tar::Header::new_ustar();
    header.set_size(1);
    let name = b"cars/x/../../../outside";
    header.as_mut_bytes()[..name.len()].copy_from_slice(name);
    header.set_cksum();
    builder.append(&header, b"x".as_slice()).unwrap();
    fs::write(&file, builder.into_inner().unwrap()).unwrap();
    archive::import(&here, &file).unwrap_err();
    assert_eq!(tree(here.root()), before);
    assert!(!other.path().join("outside").exists());
}

/// Every file below `root` with its content, without the lock.
fn tree(root: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files = Vec::new();
    let mut open = vec![root.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else if !path.ends_with("garage.lock") {
                files
                    .push((path.strip_prefix(root).unwrap().display().to_string(), fs::read(&path).unwrap()));
            }
        }
    }
    files.sort();
    files
}
