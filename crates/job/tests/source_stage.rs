//! The source stage on a virtual car whose head unit splits its outputs, judged by what its scenario says.
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may stop where it stands")]

use audio::rig::Watch;
use garage::finding::{Finding, OutputFinding};
use garage::{Simulation, VisitFolder};
use job::source::{self, Signal};
use job::{Workplace, cabin, factory, intake};
use virtual_car::Scenario;

const SPLIT: &str = "split-factory";

fn workplace(dir: &std::path::Path, scenario: &str, seed: u64) -> Workplace {
    let simulation = Simulation { scenario: scenario.into(), seed };
    let day = jiff::civil::date(2026, 3, 14);
    let folder = intake::begin_simulated(&dir.join("garage"), &simulation, day).unwrap();
    Workplace::open(folder).unwrap()
}

fn worked_out(place: &mut Workplace) -> Finding {
    source::take(place, Signal::AsItCame, &Watch::default()).unwrap();
    source::work_out(&place.folder, &mut place.clock, &Watch::default()).unwrap().result
}

fn said<'a>(finding: &'a Finding, name: &str) -> &'a OutputFinding {
    finding.outputs.iter().find(|it| it.name == name).unwrap()
}

/// What is typed in is checked by a second recording; what the scenario did to each output is what is found.
#[test]
fn split_outputs_are_joined_undone_and_proved() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path(), SPLIT, 5);
    let finding = worked_out(&mut place);
    for output in &finding.outputs {
        println!("{}: {}", output.name, output.sentence);
    }
    let head_unit = Scenario::named(SPLIT).unwrap().head_unit;
    assert_eq!(finding.outputs.len(), head_unit.outputs.len());
    for output in &head_unit.outputs {
        let words = &said(&finding, &output.name).sentence;
        // A subwoofer output alone cannot tell its polarity from a delay; the others span two octaves and more.
        if output.name != "subwoofer" {
            assert_eq!(words.contains("turned over"), output.inverted, "{}: {words}", output.name);
            assert_eq!(words.contains("all-pass"), !output.all_passes.is_empty(), "{}: {words}", output.name);
        }
        let side = if output.feed.left == output.feed.right {
            "both sides alike"
        } else if output.feed.left > 0.0 {
            "the left side"
        } else {
            "the right side"
        };
        assert!(words.contains(side), "{}: {words}", output.name);
        assert_eq!(words.contains("hums at 50 Hz"), output.hum.is_some(), "{}: {words}", output.name);
    }
    assert_eq!(finding.sums.iter().map(|it| it.name.as_str()).collect::<Vec<_>>(), ["left", "right"]);
    let delay_of = |name: &str| head_unit.outputs.iter().find(|it| it.name == name).unwrap().delay_ms;
    for sum in &finding.sums {
        assert_eq!(sum.parts.len(), 4, "{:?}", sum.parts);
        // Factory delay and added delay come to the same for all that was sure, to a step of the processor.
        let late: Vec<f64> = sum.parts[1..].iter().map(|it| it.delay_ms + delay_of(&it.name)).collect();
        assert!(late.iter().all(|ms| (ms - late[0]).abs() < 0.02), "{}: {late:?}", sum.name);
    }

    let undone = source::take(&mut place, Signal::Undone, &Watch::default()).unwrap();
    assert!(undone.result.recorded.iter().any(|it| it.name.as_deref() == Some("joined left")));
    let proved = source::check(&place.folder).unwrap();
    for sum in &proved.result.sums {
        let flatness = sum.flatness.unwrap();
        let measured = flatness.rms_db_measured.unwrap();
        println!("{}: {flatness:?}", sum.name);
        assert!(flatness.rms_db_before > 2.0, "{}: {flatness:?}", sum.name);
        assert!(measured < 0.5, "{}: {flatness:?}", sum.name);
        // Typed in as found, on the same car: what differs is noise and the grid the figure is taken on.
        assert!((measured - flatness.rms_db_after).abs() < 0.15, "{}: {flatness:?}", sum.name);
    }

    // A number that was not typed in is noticed.
    let mut wrong = proved.result.clone();
    wrong.sums[0].parts[1].invert = !wrong.sums[0].parts[1].invert;
    place.folder.save_finding(&wrong).unwrap();
    source::take(&mut place, Signal::Undone, &Watch::default()).unwrap();
    let doubted = source::check(&place.folder).unwrap();
    let again = |remarks: &[String], name: &str| {
        remarks.iter().any(|it| it.starts_with("A second") && it.contains(name) && it.contains("check gain"))
    };
    assert!(again(&doubted.remarks, "left") && !again(&doubted.remarks, "right"), "{:?}", doubted.remarks);
}

/// Where the undoing was not recorded, what it sends each channel is worked out: the same within what is heard.
#[test]
fn a_feed_that_was_not_recorded_is_worked_out() {
    for scenario in [SPLIT, "plain-front"] {
        let dir = tempfile::tempdir().unwrap();
        let mut place = workplace(dir.path(), scenario, 9);
        worked_out(&mut place);
        let channel = place.folder.car().channel_map.channels[0].clone();
        cabin::take(&mut place, &channel.name, "P1", &Watch::default()).unwrap();
        let curves = |folder: &VisitFolder| cabin::curves(folder, &Watch::default()).unwrap();
        let before = curves(&place.folder);
        assert!(before.remarks.iter().any(|it| it.contains("was not recorded")), "{:?}", before.remarks);
        source::take(&mut place, Signal::Undone, &Watch::default()).unwrap();
        let after = curves(&place.folder);
        assert!(!after.remarks.iter().any(|it| it.contains("was not recorded")), "{:?}", after.remarks);
        let mine = |curves: &cabin::CabinCurves| {
            let feed = curves.feeds.iter().find(|it| it.channel == channel.name && it.side == channel.side);
            feed.unwrap().response.clone()
        };
        let (worked_out, recorded) = (mine(&before.result), mine(&after.result));
        let loudest = recorded.iter().map(|h| h.norm()).fold(0.0, f64::max);
        let gaps: Vec<f64> = worked_out
            .iter()
            .zip(&recorded)
            .filter(|(_, b)| b.norm() > 0.1 * loudest)
            .map(|(a, b)| 20.0 * (a.norm() / b.norm()).log10())
            .collect();
        let rms = (gaps.iter().map(|db| db * db).sum::<f64>() / gaps.len() as f64).sqrt();
        println!("{scenario}: {rms:.3} dB rms between worked out and recorded, {} bins", gaps.len());
        // Noise of two recordings of line level, and nothing else.
        assert!(rms < 0.1, "{scenario}: {rms}");
    }
}

/// Volume turned up under a tone: the step found is the last below 1 %, by the scenario's own clipping (closed form below).
#[test]
fn the_volume_is_clean_up_to_the_right_step() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path(), SPLIT, 3);
    for step in source::volumes_to_take(&place).unwrap() {
        source::take_at_volume(&mut place, step, &Watch::default()).unwrap();
    }
    for tone_hz in source::TONES_HZ {
        source::turn_up(&mut place, tone_hz, &Watch::default()).unwrap();
    }
    let stands = place.rig.car().unwrap().edit(|car| car.volume());
    assert_eq!(stands, Scenario::named(SPLIT).unwrap().head_unit.volume.set_to, "turned back");
    let finding = worked_out(&mut place);
    let outputs: Vec<&str> = finding.clean_volume.iter().map(|it| it.output.as_str()).collect();
    assert!(outputs[0].ends_with("midrange") && outputs[1] == "subwoofer", "{outputs:?}");
    for tone in &finding.clean_volume {
        let highest = tone.highest.as_ref().unwrap().parse::<u32>().unwrap();
        let next = tone.next.as_ref().unwrap().parse::<u32>().unwrap();
        let percent = |volume: &str| {
            tone.steps.iter().find(|step| step.volume == volume).map(|step| step.thd_percent).unwrap()
        };
        println!(
            "{} Hz: {highest} {:.2} %, {next} {:.2} %",
            tone.frequency_hz,
            percent(&highest.to_string()),
            percent(&next.to_string())
        );
        assert_eq!(next, highest + 1);
        // The soft clipper by itself: the amplitude of the step below it must make less than 1 % and that of the next more.
        let amplitude = |step: u32| {
            let below = tone.steps.iter().find(|it| it.thd_percent < 0.02).unwrap();
            let from = below.volume.parse::<u32>().unwrap();
            // Line gain of −3 dB lies between the head unit and the recording.
            10f64.powf((below.level_dbfs + 3.0 + 1.5 * f64::from(step - from)) / 20.0)
        };
        assert!(clipped_percent(amplitude(highest)) < 1.0, "{}", clipped_percent(amplitude(highest)));
        assert!(clipped_percent(amplitude(next)) > 1.0, "{}", clipped_percent(amplitude(next)));
    }
    assert_eq!(finding.loudness.len(), 5);
    // Loudness ends at step 28; 18 and 12 lift the bass by half a decibel for each step below, at most 9 dB.
    let bass = |volume: &str| {
        let step = finding.loudness.iter().find(|it| it.volume == volume).unwrap();
        step.response.iter().find(|[hz, _]| (*hz - 31.6).abs() < 1.0).unwrap()[1]
    };
    assert!(bass("24") > 1.0 && bass("12") > 5.0, "{} {}", bass("24"), bass("12"));
    assert!(finding.remarks.iter().any(|it| it.contains("from volume 28 to 30 the shape stays")));
}

/// THD of a sine of `amplitude` through the head unit's soft limit at −1 dBFS: straight up to half the limit, then a
/// hyperbolic tangent; its Fourier coefficients by the midpoint rule.
fn clipped_percent(amplitude: f64) -> f64 {
    let limit = 10f64.powf(-1.0 / 20.0);
    let knee = limit / 2.0;
    let soften = |x: f64| {
        let over = x.abs() - knee;
        if over <= 0.0 { x } else { (knee + (limit - knee) * (over / (limit - knee)).tanh()).copysign(x) }
    };
    const POINTS: usize = 4096;
    let angle = |n: usize| std::f64::consts::TAU * (n as f64 + 0.5) / POINTS as f64;
    let part = |k: usize| {
        (0..POINTS).map(|n| soften(amplitude * angle(n).sin()) * (k as f64 * angle(n)).sin()).sum::<f64>()
    };
    let rest: f64 = (2..=19).map(|k| part(k).powi(2)).sum();
    100.0 * rest.sqrt() / part(1).abs()
}

/// A plan changed by hand gets an undoing of its own, and the other side keeps what it had.
#[test]
fn a_plan_changed_by_hand_is_undone_anew() {
    let dir = tempfile::tempdir().unwrap();
    let mut place = workplace(dir.path(), SPLIT, 4);
    let found = worked_out(&mut place);
    let mut parts = found.sums[0].parts.clone();
    // The tweeter 3 dB down: a shelf that the undoing has to lift.
    parts.iter_mut().find(|it| it.name.ends_with("tweeter")).unwrap().gain_db -= 3.0;
    factory::keep_plan(&place.folder, &mut place.clock, "left", parts.clone()).unwrap();
    let kept = place.folder.finding().unwrap().unwrap();
    assert_eq!(kept.sums[0].parts, parts);
    assert!(kept.tune > found.tune);
    assert_eq!(kept.sums[1], found.sums[1]);
    let undo = place.folder.tune(kept.tune.unwrap()).unwrap().tune;
    let was = place.folder.tune(found.tune.unwrap()).unwrap().tune;
    assert_ne!(undo.channels[0].sections, was.channels[0].sections);
    assert_eq!(undo.channels[1], was.channels[1]);
    assert!(kept.sums[0].flatness.unwrap().rms_db_after < 0.6, "{:?}", kept.sums[0].flatness);
    source::take(&mut place, Signal::Undone, &Watch::default()).unwrap();
    let proved = source::check(&place.folder).unwrap().result;
    let flatness = proved.sums[0].flatness.unwrap();
    assert!((flatness.rms_db_measured.unwrap() - flatness.rms_db_after).abs() < 0.15, "{flatness:?}");
}
