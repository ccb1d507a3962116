//! A program that is killed in the middle of the work costs at most the take it was recording.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

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

/// Runs the program with files limited to `blocks` blocks of 512 bytes: to the program a disk that fills up, its write
/// failing in the middle of a file.
#[cfg(unix)]
fn on_a_small_disk(at: &Path, blocks: u32, args: &str) -> (i32, String) {
    let program = env!("CARGO_BIN_EXE_cabinwright");
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec '{program}' {args}");
    let out = Command::new("sh").args(["-c", &script]).current_dir(at).output().unwrap();
    (out.status.code().unwrap_or(-1), String::from_utf8_lossy(&out.stderr).into_owned())
}

#[cfg(unix)]
#[test]
fn a_disk_that_fills_up_is_said_in_one_line_and_spoils_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    // The records fit, the first recordings do not.
    let (code, said) = on_a_small_disk(at, 64, "demo --extent begun --out d");
    assert_eq!((code, said.trim_end().lines().count()), (2, 1), "{said}");
    assert!(said.contains("d/garage") && said.matches("cannot write").count() <= 1, "{said}");
    let visit = takes_in(&at.join("d/garage")).expect("the visit still opens");
    assert!(visit.takes().unwrap().damaged.is_empty());

    // What was there before is still there, whole, and nothing half-written lies beside it.
    for (args, file) in [
        ("stimulus sweep --seconds 2 --force --out kept.wav", "kept.wav"),
        ("garage export --garage d/garage --force --out kept.tar", "kept.tar"),
        ("demo --extent begun --force --out e", "e/summary.json"),
    ] {
        std::fs::create_dir_all(at.join("e")).unwrap();
        std::fs::write(at.join(file), "before").unwrap();
        let (code, said) = on_a_small_disk(at, 8, args);
        assert_eq!((code, said.trim_end().lines().count()), (2, 1), "{args}: {said}");
        assert_eq!(std::fs::read(at.join(file)).unwrap(), b"before", "{args}");
    }
    let mut left = std::fs::read_dir(at).unwrap().map(|it| it.unwrap().file_name().into_string().unwrap());
    assert!(left.all(|name| ["d", "e", "kept.wav", "kept.tar"].contains(&name.as_str())));
}

/// An archive that is no good leaves no garage behind; one that is good comes in once, however often and by however many
/// programs at the same time it is brought.
#[test]
fn imports_leave_all_or_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    std::fs::write(at.join("bad.tar"), "no archive").unwrap();
    for archive in ["bad.tar", "missing.tar"] {
        let run = common::cabinwright(at, &["garage", "import", "--garage", "new", "--from", archive]);
        run.refused(&[archive]);
        assert!(!at.join("new").exists(), "an empty garage is left");
    }
    let sessions = common::root().join("demo-sessions/garage").display().to_string();
    common::cabinwright(at, &["garage", "export", "--garage", &sessions, "--out", "good.tar"]).done();
    let import = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cabinwright"));
        command.args(["garage", "import", "--garage", "new", "--from", "good.tar"]).current_dir(at);
        command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
    };
    let both: Vec<_> = [import(), import()].into_iter().map(|it| it.wait_with_output().unwrap()).collect();
    for out in &both {
        // The second may find the garage busy, or half made; it says so and changes nothing.
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success() || out.status.code() == Some(2) && said.lines().count() == 1, "{said}");
    }
    assert!(both.iter().any(|out| out.status.success()));
    common::cabinwright(at, &["garage", "import", "--garage", "new", "--from", "good.tar"]).done();
    common::cabinwright(at, &["garage", "check", "--garage", "new"]).done();
    let cars = Garage::open(&at.join("new")).unwrap().cars().unwrap();
    assert_eq!((cars.found.len(), cars.damaged.len()), (3, 0));
}
