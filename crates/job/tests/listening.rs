//! A head unit's outputs recorded one at a time while it plays by itself, on the virtual car, judged by what its scenario
//! says and by the same outputs taken all at once.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may stop where it stands")]

use audio::rig::Watch;
use dsp::verdict::Verdict;
use garage::finding::Finding;
use garage::{Simulation, VisitFolder};
use job::source::{self, Following, Line, Probe, Progress, Signal};
use job::{JobError, Workplace, intake};
use virtual_car::Scenario;
use virtual_car::scenario::{Event, ScriptedEvent};

const SPLIT: &str = "split-factory";

fn workplace(dir: &std::path::Path) -> Workplace {
    let simulation = Simulation { scenario: SPLIT.into(), seed: 5 };
    let day = jiff::civil::date(2026, 3, 14);
    let folder = intake::begin_simulated(&dir.join("garage"), &simulation, day).unwrap();
    Workplace::open(folder).unwrap()
}

fn names() -> Vec<String> {
    Scenario::named(SPLIT).unwrap().head_unit.outputs.into_iter().map(|it| it.name).collect()
}

fn probe() -> Probe {
    Probe { input: 2, reference: Some((names()[0].clone(), 1)) }
}

fn listen(place: &mut Workplace, line: &Line) -> (Verdict, Vec<String>, Progress) {
    let following = Following::default();
    let taken = source::listen(place, line, &probe(), &following, &Watch::default()).unwrap();
    (taken.verdict, taken.remarks, following.progress())
}

fn output(name: &str) -> Line {
    Line::Output(name.into())
}

fn work_out(place: &mut Workplace) -> Finding {
    source::work_out(&place.folder, &mut place.clock, &Watch::default()).unwrap().result
}

#[test]
fn outputs_recorded_one_by_one_say_the_same_as_all_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    source::take(&mut place, Signal::AsItCame, &Watch::default()).unwrap();
    let together = work_out(&mut place);
    for name in names().iter().skip(1) {
        let (verdict, remarks, progress) = listen(&mut place, &output(name));
        println!("{name}: {verdict:?} {remarks:?}");
        assert_eq!(progress, Progress::Done, "{name}");
        assert_ne!(verdict, Verdict::Retake, "{name}: {remarks:?}");
    }
    let alone = work_out(&mut place);
    let sorted = |finding: &Finding| {
        let mut names: Vec<String> = finding.outputs.iter().map(|it| it.name.clone()).collect();
        names.sort();
        names
    };
    assert_eq!(sorted(&alone), sorted(&together));
    assert_eq!(alone.sums.len(), together.sums.len());
    for (one, all) in alone.sums.iter().zip(&together.sums) {
        assert_eq!(one.name, all.name);
        for part in &one.parts {
            let same = all.parts.iter().find(|it| it.name == part.name).unwrap();
            println!("{} {}: {:?} against {:?}", one.name, part.name, part, same);
            // Two steps of the processor's delay; a subwoofer's own delay is known to 60 µs.
            let most_ms = if part.name == "subwoofer" { 0.08 } else { 0.02 };
            assert!((part.delay_ms - same.delay_ms).abs() <= most_ms + 1e-9, "{}", part.name);
            assert!((part.gain_db - same.gain_db).abs() <= 0.5 + 1e-9, "{}", part.name);
            assert_eq!(part.invert, same.invert, "{}", part.name);
        }
        let (one, all) = (one.flatness.unwrap(), all.flatness.unwrap());
        assert!((one.rms_db_after - all.rms_db_after).abs() < 0.2, "{one:?} against {all:?}");
    }
    // Typed in and recorded again, each side by itself.
    for side in ["left", "right"] {
        let (verdict, remarks, _) = listen(&mut place, &Line::Joined(side.into()));
        assert_ne!(verdict, Verdict::Retake, "{side}: {remarks:?}");
    }
    let proved = source::check(&place.folder).unwrap();
    for sum in &proved.result.sums {
        let flatness = sum.flatness.unwrap();
        let measured = flatness.rms_db_measured.unwrap();
        println!("{}: {:.2} dB expected, {measured:.2} dB measured", sum.name, flatness.rms_db_after);
        assert!(measured < flatness.rms_db_after + 0.3, "{}: {flatness:?}", sum.name);
    }
}

#[test]
fn the_volume_is_followed_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let names = names();
    let stands = place.rig.car().unwrap().edit(|car| car.volume());
    listen(&mut place, &output(&names[1]));
    for step in ["30", "24", "16"] {
        let line = Line::AtVolume { output: names[1].clone(), step: step.into() };
        let (verdict, remarks, _) = listen(&mut place, &line);
        assert_ne!(verdict, Verdict::Retake, "{step}: {remarks:?}");
    }
    let midrange = names.iter().find(|it| it.contains("midrange")).unwrap();
    let line = Line::TurnedUp { output: midrange.clone(), frequency_hz: 1000.0, from: 27 };
    let (verdict, remarks, progress) = listen(&mut place, &line);
    println!("{verdict:?} {remarks:?}");
    assert_eq!((verdict, progress), (Verdict::Good, Progress::Done), "{remarks:?}");
    assert_eq!(place.rig.car().unwrap().edit(|car| car.volume()), stands, "the volume was left elsewhere");
    let finding = work_out(&mut place);
    assert_eq!(finding.loudness.iter().map(|it| it.volume.as_str()).collect::<Vec<_>>(), ["30", "24", "16"]);
    assert_eq!(finding.loudness[0].below_loudest_db.abs(), 0.0);
    // A step is 1.5 dB; at 1 kHz the loudness contour does nothing.
    assert!(
        (finding.loudness[1].below_loudest_db + 9.0).abs() < 0.5,
        "{}",
        finding.loudness[1].below_loudest_db
    );
    let tone = &finding.clean_volume[0];
    println!("{tone:?}");
    assert_eq!(
        (tone.frequency_hz, tone.output.as_str(), tone.steps[0].volume.as_str()),
        (1000.0, midrange.as_str(), "27")
    );
    assert!(tone.highest.is_some() && tone.next.is_some(), "{tone:?}");
}

#[test]
fn a_recording_that_is_no_good_says_why_and_takes_no_place() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let line = output(&names()[1]);
    let (verdict, remarks, _) = listen(&mut place, &line);
    assert_ne!(verdict, Verdict::Retake, "{remarks:?}");
    let schedule = |place: &Workplace, at_s: f64, event| {
        place.rig.car().unwrap().edit(|car| car.schedule(ScriptedEvent { take: None, at_s, event }));
    };
    schedule(&place, 6.0, Event::DroppedBlock { frames: 4800 });
    let (verdict, remarks, _) = listen(&mut place, &line);
    assert_eq!(verdict, Verdict::Retake);
    assert!(remarks.iter().any(|words| words.contains("4800 samples were lost")), "{remarks:?}");
    // Louder than the input takes.
    let full = |place: &Workplace, db| place.rig.car().unwrap().edit(|car| car.set_line_gain_db(db));
    full(&place, 40.0);
    let (verdict, remarks, _) = listen(&mut place, &line);
    assert_eq!(verdict, Verdict::Retake);
    assert!(remarks.iter().any(|words| words.contains("is clipped on input")), "{remarks:?}");
    full(&place, -160.0);
    let (verdict, remarks, progress) = listen(&mut place, &line);
    assert_eq!((verdict, progress), (Verdict::Retake, Progress::Waiting), "{remarks:?}");
    assert!(remarks.iter().any(|words| words.contains("next to silent on input")), "{remarks:?}");
    full(&place, 0.0);
    // None of them took the first one's place.
    let takes = VisitFolder::open(place.folder.path()).unwrap().takes().unwrap().found;
    assert_eq!(takes.len(), 4);
    assert!(takes[0].is_current() && takes[0].verdict != Verdict::Retake);
    let (verdict, _, _) = listen(&mut place, &line);
    assert_ne!(verdict, Verdict::Retake);
    let takes = place.folder.takes().unwrap().found;
    assert!(!takes[0].is_current(), "a good one replaces the one before");
}

#[test]
fn what_cannot_be_recorded_is_said_in_one_line() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let cases = [
        (output("rear left"), "the virtual car has no \"head unit rear left\""),
        (output(" "), "an output without a name"),
        (Line::AtVolume { output: names()[1].clone(), step: "loud".into() }, "\"loud\" is no step"),
        (Line::AtVolume { output: names()[1].clone(), step: "99".into() }, "volume step 99"),
    ];
    for (line, part) in cases {
        let words = source::listen(&mut place, &line, &probe(), &Following::default(), &Watch::default())
            .unwrap_err()
            .to_string();
        assert!(words.contains(part) && !words.contains('\n'), "{words}");
    }
    let watch = Watch::default();
    watch.stop();
    let stopped = source::listen(&mut place, &output(&names()[1]), &probe(), &Following::default(), &watch);
    assert!(matches!(stopped, Err(JobError::Stopped)));
    assert!(place.folder.takes().unwrap().found.is_empty(), "a stopped recording is kept as a take");
}

#[test]
fn the_files_for_the_stick_are_what_the_recording_is_held_against() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path());
    let format = source::stick::StickFormat::default();
    let to = dir.path().join("stick");
    let made = source::stick::save(&mut place.folder, format, &to).unwrap();
    assert_eq!(made.len(), 3);
    let wav = audio::wav::read(to.join("source-sweep.wav")).unwrap();
    assert_eq!((wav.rate_hz, wav.channels.len()), (44_100, 2));
    assert_eq!(job::stimulus::recipe_of(&to.join("source-sweep.wav")).unwrap(), made[0].recipe);
    assert_eq!(place.folder.record().head_unit_stimulus.as_ref(), Some(&made[0].recipe));
    let again = source::stick::save(&mut place.folder, format, &to).unwrap_err().to_string();
    assert!(again.contains("source-sweep.wav is already there"), "{again}");
    // Played at 44.1 kHz and recorded at 48 kHz with a clock that is off.
    let (verdict, remarks, progress) = listen(&mut place, &output(&names()[1]));
    assert_eq!(progress, Progress::Done);
    assert_ne!(verdict, Verdict::Retake, "{remarks:?}");
    let take = place.folder.takes().unwrap().found.pop().unwrap();
    let skew_ppm = take.clock.skew_ppm.unwrap();
    let truth_ppm = Scenario::named(SPLIT).unwrap().recorder.clock_skew_ppm;
    println!("{skew_ppm:.4} ppm found, {truth_ppm} ppm made");
    // The figure asked of a recording.
    assert!((skew_ppm - truth_ppm).abs() < 0.01, "{skew_ppm} ppm found, {truth_ppm} ppm made");
}
