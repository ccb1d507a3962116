//! The ready-made visits open, say that they are simulated, can be reported, and follow from their recordings.
#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

mod common;

use std::fs;
use std::path::Path;

use audio::rig::Watch;
use common::{cabinwright, root};
use garage::{CarFolder, Garage, VisitFolder};
use job::WorkClock;

/// What the folder may weigh, in bytes.
const MOST_BYTES: u64 = 15_000_000;

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let (path, place) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy(&path, &place);
        } else {
            fs::copy(&path, &place).unwrap();
        }
    }
}

fn bytes_in(folder: &Path) -> u64 {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries.map(|path| if path.is_dir() { bytes_in(&path) } else { path.metadata().unwrap().len() }).sum()
}

/// Every visit, in a copy that the test may write into.
fn sessions(at: &Path) -> Vec<(CarFolder, VisitFolder)> {
    copy(&root().join("demo-sessions/garage"), &at.join("garage"));
    let cars = Garage::open(&at.join("garage")).unwrap().cars().unwrap();
    assert!(cars.damaged.is_empty(), "{:?}", cars.damaged);
    let visits = cars.found.into_iter().flat_map(|car| {
        let visits = car.visits().unwrap();
        assert!(visits.damaged.is_empty(), "{:?}", visits.damaged);
        visits.found.into_iter().map(move |visit| (car.clone(), visit))
    });
    visits.collect()
}

#[test]
fn they_are_small() {
    let bytes = bytes_in(&root().join("demo-sessions"));
    assert!(bytes < MOST_BYTES, "{bytes} bytes; make them smaller in `cargo xtask demo-sessions`");
}

#[test]
fn every_one_opens_says_that_it_is_simulated_and_can_be_reported() {
    let dir = tempfile::tempdir().unwrap();
    let sessions = sessions(dir.path());
    assert!(sessions.len() >= 3, "{} sessions", sessions.len());
    for (number, (car, visit)) in sessions.iter().enumerate() {
        assert!(car.record().simulated && visit.record().simulated, "{}", car.record().name);
        assert!(car.record().name.contains("invented"), "{}", car.record().name);
        let takes = visit.takes().unwrap();
        assert!(takes.damaged.is_empty() && !takes.found.is_empty());
        assert!(takes.found.iter().all(|take| take.simulated), "{}", car.record().name);
        let report = format!("{number}.pdf");
        let visit = visit.path().display().to_string();
        cabinwright(dir.path(), &["report", "--visit", &visit, "--out", &report]).done();
        assert!(fs::metadata(dir.path().join(report)).unwrap().len() > 10_000);
    }
    cabinwright(dir.path(), &["garage", "check", "--garage", "garage"]).done();
}

/// Figures in the records are what the recordings give today, not what they gave once.
#[test]
fn the_proof_follows_from_the_recordings() {
    let dir = tempfile::tempdir().unwrap();
    let mut proved = 0;
    for (_, visit) in sessions(dir.path()) {
        let Some(kept) = visit.proof().unwrap() else { continue };
        let again = job::handover::prove(&visit, &mut WorkClock::System, kept.tune, &Watch::default());
        let again = again.unwrap().result;
        for (kept, again) in kept.parts().zip(again.parts()) {
            let figures = |it: &garage::proof::ProofSide| {
                [Some(it.errors.before), it.errors.predicted, it.errors.after]
                    .map(|it| it.unwrap().rms_error_db)
            };
            // Another processor rounds the last bits of a sine another way; a thousandth of a decibel is beyond that.
            for (kept, again) in figures(kept).into_iter().zip(figures(again)) {
                assert!((kept - again).abs() < 1e-3, "{kept} kept, {again} worked out");
            }
        }
        proved += 1;
    }
    assert!(proved > 0, "none of the sessions is proved");
}

/// A slip in an order must not set the next one.
#[test]
fn a_refused_take_leaves_the_rig_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let (_, visit) = sessions(dir.path()).swap_remove(0);
    let before = fs::read(visit.path().join("visit.json")).unwrap();
    let path = visit.path().to_str().unwrap().to_owned();
    drop(visit);
    let order =
        ["measure", "--visit", &path, "--position", "P1", "--microphone-input", "7", "--level-dbfs", "-50"];
    cabinwright(dir.path(), &[&order[..], &["--channel", "no such channel"]].concat())
        .refused(&["no such channel"]);
    assert_eq!(fs::read(Path::new(&path).join("visit.json")).unwrap(), before);
}
