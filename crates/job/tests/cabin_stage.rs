//! The cabin stage on the virtual car: takes, retakes, mishaps, the cache, and a visit opened again.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may stop where it stands")]

use audio::rig::Watch;
use dsp::verdict::Verdict;
use garage::{Garage, Simulation, VisitFolder};
use job::gates::Gate;
use job::{JobError, Workplace, cabin, intake};
use virtual_car::scenario::{Event, ScriptedEvent};

const LEFT: &str = "front left";

fn workplace(dir: &std::path::Path) -> Workplace {
    let simulation = Simulation { scenario: "plain-front".into(), seed: 11 };
    let day = jiff::civil::date(2026, 3, 14);
    let folder = intake::begin_simulated(&dir.join("garage"), &simulation, day).unwrap();
    Workplace::open(folder).unwrap()
}

fn happens(place: &Workplace, event: Event) {
    let scripted = ScriptedEvent { take: None, at_s: 1.0, event };
    place.rig.car().unwrap().edit(|car| car.schedule(scripted));
}

#[test]
fn a_retake_takes_the_place_of_the_first_and_both_recordings_stay() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let first = cabin::take(&mut place, LEFT, "P1", &Watch::default()).unwrap();
    assert_ne!(first.verdict, Verdict::Retake, "{:?}", first.remarks);
    assert_eq!(first.result.replaces, None);
    let second = cabin::take(&mut place, LEFT, "P1", &Watch::default()).unwrap();
    assert_eq!(second.result.replaces.as_deref(), Some(first.result.id.as_str()));
    let takes = place.folder.takes().unwrap().found;
    assert_eq!(takes[0].superseded_by.as_deref(), Some(second.result.id.as_str()));
    for take in &takes {
        assert!(take.simulated, "a simulated take says so");
        assert!(audio::wav::read(place.folder.recording(&take.id)).is_ok());
    }
    let curves = cabin::curves(&place.folder, &Watch::default()).unwrap().result;
    assert_eq!(curves.channels[0].positions[0].take, second.result.id);
}

/// Curves come from the recordings: without the cache, and in a visit opened afresh, they are the same.
#[test]
fn the_cache_may_be_deleted_at_any_time() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    for position in ["P1", "P2"] {
        cabin::take(&mut place, LEFT, position, &Watch::default()).unwrap();
    }
    let with = cabin::curves(&place.folder, &Watch::default()).unwrap();
    assert!(place.folder.cache_folder().exists());
    std::fs::remove_dir_all(place.folder.cache_folder()).unwrap();
    let again = VisitFolder::open(place.folder.path()).unwrap();
    let without = cabin::curves(&again, &Watch::default()).unwrap();
    let levels =
        |judged: &job::Judged<cabin::CabinCurves>| judged.result.channels[0].average.level_db.clone();
    for (a, b) in levels(&with).iter().zip(levels(&without)) {
        // The cache keeps numbers as decimal text; the last digit may differ.
        assert!((a - b).abs() < 1e-9, "{a} {b}");
    }
    assert_eq!(with.remarks, without.remarks);
    assert!(
        with.remarks.iter().any(|words| words.contains("P3")),
        "what is still to be taken is said: {:?}",
        with.remarks
    );
}

#[test]
fn a_lost_block_is_sent_back_with_advice() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    happens(&place, Event::DroppedBlock { frames: 512 });
    let taken = cabin::take(&mut place, LEFT, "P1", &Watch::default()).unwrap();
    assert_eq!(taken.verdict, Verdict::Retake);
    assert!(taken.result.findings.iter().any(|finding| finding.gate == Gate::Gap), "{:?}", taken.remarks);
    // A take that was sent back is kept, and does not count.
    let error = cabin::curves(&place.folder, &Watch::default()).unwrap_err();
    assert!(matches!(error, JobError::NotYet { .. }), "{error}");
}

#[test]
fn a_recorder_that_vanishes_leaves_what_it_recorded() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    happens(&place, Event::Unplug);
    let error = cabin::take(&mut place, LEFT, "P1", &Watch::default()).unwrap_err();
    assert!(matches!(error, JobError::Rig(_)), "{error}");
    assert!(place.folder.takes().unwrap().found.is_empty(), "no record of a take that was never finished");
    // The next take gets a number of its own, and the visit goes on.
    let next = cabin::take(&mut place, LEFT, "P1", &Watch::default()).unwrap();
    assert_ne!(next.verdict, Verdict::Retake, "{:?}", next.remarks);
}

#[test]
fn stop_ends_a_take_and_keeps_nothing_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let watch = Watch::default();
    watch.stop();
    assert!(matches!(cabin::take(&mut place, LEFT, "P1", &watch), Err(JobError::Stopped)));
    assert!(place.folder.takes().unwrap().found.is_empty());
}

/// One damaged record is named and does not take the others with it; a damaged recording names its file.
#[test]
fn damage_is_named_and_stays_where_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    for position in ["P1", "P2", "P3"] {
        cabin::take(&mut place, LEFT, position, &Watch::default()).unwrap();
    }
    let takes = place.folder.takes().unwrap().found;
    let record = place.folder.recording(&takes[0].id).with_extension("json");
    std::fs::write(&record, "{ half a rec").unwrap();
    let judged = cabin::curves(&place.folder, &Watch::default()).unwrap();
    assert_eq!(judged.result.channels[0].positions.len(), 2);
    let name = record.file_name().unwrap().to_string_lossy().into_owned();
    assert!(judged.remarks.iter().any(|words| words.contains(&name)), "{:?}", judged.remarks);
    assert_eq!(std::fs::read_to_string(&record).unwrap(), "{ half a rec", "a damaged file is left as it is");

    std::fs::remove_dir_all(place.folder.cache_folder()).unwrap();
    let recording = place.folder.recording(&takes[1].id);
    std::fs::write(&recording, b"RIFF").unwrap();
    let error = cabin::curves(&place.folder, &Watch::default()).unwrap_err();
    let name = recording.file_name().unwrap().to_string_lossy().into_owned();
    assert!(error.to_string().contains(&name), "{error}");
}

#[test]
fn names_that_are_not_there_are_refused_with_those_that_are() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let words = cabin::take(&mut place, "rear left", "P1", &Watch::default()).unwrap_err().to_string();
    assert!(words.contains("rear left") && words.contains(LEFT), "{words}");
    let words = cabin::take(&mut place, LEFT, "P99", &Watch::default()).unwrap_err().to_string();
    assert!(words.contains("P99") && words.contains("P1"), "{words}");
    assert!(Garage::open(&dir.path().join("garage")).is_ok());
}
