//! How long opening a visit with 500 takes takes, against reading the bare files beside it.
//!
//! `cargo run --release -p garage --example bench_garage`. The recordings are deleted first: opening reads no audio.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

#[path = "../tests/common/mod.rs"]
mod common;

use std::fs;
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

use garage::{Garage, VisitFolder};

const TAKES: usize = 500;

fn main() {
    let Ok(dir) = tempfile::tempdir() else { return println!("no temporary folder can be made") };
    let root = dir.path().join("garage");
    let (_, visit) = common::filled(&root, TAKES);
    let takes = visit.path().join("takes");
    for path in files(&takes, "wav") {
        let _ = fs::remove_file(path);
    }
    let bare_ms = best_ms(|| {
        for path in files(&takes, "json") {
            let text = fs::read(path).unwrap_or_default();
            black_box(serde_json::from_slice::<serde_json::Value>(&text).is_ok());
        }
    });
    println!("reading {TAKES} records as bare JSON        {bare_ms:8.2} ms");
    let open_ms = best_ms(|| {
        let visit = VisitFolder::open(visit.path());
        let found = visit.and_then(|visit| visit.takes()).map(|takes| takes.found.len());
        assert!(found.is_ok_and(|count| count == TAKES), "the takes are not all there");
    });
    println!("opening the visit with all its takes     {open_ms:8.2} ms   {:6.2} ×", open_ms / bare_ms);
    let garage_ms = best_ms(|| {
        let visits = Garage::open(&root).and_then(|garage| garage.visits()).map(|visits| visits.found.len());
        assert!(visits.is_ok_and(|count| count == 1), "the visit is not there");
    });
    println!("opening the garage with its visits       {garage_ms:8.2} ms   {:6.2} ×", garage_ms / bare_ms);
}

fn files(folder: &Path, ending: &str) -> Vec<std::path::PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    entries.filter(|path| path.extension().is_some_and(|it| it == ending)).collect()
}

fn best_ms(mut work: impl FnMut()) -> f64 {
    let once = |_| {
        let start = Instant::now();
        work();
        start.elapsed().as_secs_f64() * 1000.0
    };
    (0..10).map(once).fold(f64::INFINITY, f64::min)
}
