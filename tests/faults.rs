//! A program that is killed in the middle of the work costs at most the take it was recording.

mod common;

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use garage::{Garage, VisitFolder};

/// Takes kept so far, wherever the visit is.
fn takes_in(garage: &Path) -> Option<VisitFolder> {
    let cars = Garage::open(garage).ok()?.cars().ok()?.found;
    cars.first()?.visits().ok()?.found.into_iter().next()
}

#[test]
fn a_kill_in_mid_work_costs_at_most_one_take() {
    let dir = tempfile::tempdir().unwrap();
    let garage = dir.path().join("d/garage");
    // Killed after different numbers of takes, so that it falls into recording, analysing and saving alike.
    for kept_before in [1, 4, 7] {
        let _ = std::fs::remove_dir_all(dir.path().join("d"));
        let mut program = Command::new(env!("CARGO_BIN_EXE_cabinwright"))
            .args(["demo", "--out", "d"])
            .current_dir(dir.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let patience = Instant::now();
        loop {
            let kept =
                takes_in(&garage).and_then(|visit| visit.takes().ok()).map_or(0, |takes| takes.found.len());
            if kept >= kept_before {
                break;
            }
            assert!(program.try_wait().unwrap().is_none(), "it ended before it could be killed");
            assert!(
                patience.elapsed() < Duration::from_secs(240),
                "no {kept_before} takes after four minutes"
            );
            std::thread::sleep(Duration::from_millis(5));
        }
        program.kill().unwrap();
        program.wait().unwrap();

        let visit = takes_in(&garage).expect("the visit still opens");
        let takes = visit.takes().unwrap();
        assert!(takes.damaged.is_empty(), "no record is half written: {:?}", takes.damaged);
        assert!(takes.found.len() >= kept_before);
        for take in &takes.found {
            let recording = audio::wav::read(visit.recording(&take.id)).unwrap();
            assert_eq!(recording.frames() as u64, take.clock.frames, "take {} is whole", take.id);
        }
        let listed = std::fs::read_dir(visit.path().join("takes")).unwrap();
        let recordings = listed
            .filter(|entry| entry.as_ref().unwrap().path().extension().is_some_and(|it| it == "wav"))
            .count();
        assert!(recordings <= takes.found.len() + 1, "at most one recording without its record");
        // The garage is not locked by the dead program.
        let next = visit.begin_take().unwrap();
        visit.abandon_take(next).unwrap();
    }
}
