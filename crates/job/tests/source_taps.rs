//! The factory undone by taps on a virtual car: both ways worked out, weighed, changed for one another, and proved.
#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "a test may stop where it stands, and says what it measured"
)]

use audio::rig::Watch;
use dsp::limits::{DelayRange, Limits};
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Section, SectionKind, Tune};
use garage::Simulation;
use garage::finding::{Finding, Way};
use job::source::{self, Signal};
use job::{Workplace, factory, intake};

fn worked_out(
    dir: &std::path::Path,
    scenario: &str,
    seed: u64,
    edit: impl Fn(&mut Limits),
) -> (Workplace, Finding) {
    let simulation = Simulation { scenario: scenario.into(), seed };
    let day = jiff::civil::date(2026, 3, 14);
    let folder = intake::begin_simulated(&dir.join("garage"), &simulation, day).unwrap();
    let mut place = Workplace::open(folder).unwrap();
    place.folder.update(|visit| edit(visit.limits.as_mut().unwrap())).unwrap();
    source::take(&mut place, Signal::AsItCame, &Watch::default()).unwrap();
    let finding = source::work_out(&place.folder, &mut place.clock, &Watch::default()).unwrap().result;
    (place, finding)
}

/// The processor of that car, without an all-pass of its own and with taps.
fn taps_instead(limits: &mut Limits) {
    limits.kinds.retain(|kind| *kind != SectionKind::AllPass);
    limits.fir_taps = 1024;
    limits.delay_ms = Some(DelayRange { max: 40.0, step: Some(0.01) });
}

/// Types the undoing in and records it; gives what was measured, each side.
fn proved(place: &mut Workplace) -> Vec<f64> {
    source::take(place, Signal::Undone, &Watch::default()).unwrap();
    let proved = source::check(&place.folder).unwrap().result;
    for sum in &proved.sums {
        let flatness = sum.flatness.unwrap();
        println!("{:?} {}: {flatness:?}", proved.way, sum.name);
        // Typed in as found, on the same car: what differs is noise and the grid the figure is taken on.
        let apart_db = flatness.rms_db_measured.unwrap() - flatness.rms_db_after;
        assert!(apart_db.abs() < 0.15, "{}: {flatness:?}", sum.name);
    }
    proved.sums.iter().map(|sum| sum.flatness.unwrap().rms_db_measured.unwrap()).collect()
}

/// An all-pass of the factory that the processor cannot give to the other outputs: taps turn it back, the rest waits, both
/// sides alike; by bands alone a hole remains. The scenario has it in the right midrange, at 900 Hz.
#[test]
fn an_all_pass_is_turned_back_by_taps_and_proved() {
    let dir = tempfile::tempdir().unwrap();
    let (mut place, found) = worked_out(dir.path(), "split-factory", 5, taps_instead);
    let weighed = factory::weigh(&found).unwrap();
    println!("{weighed:?}");
    found.remarks.iter().for_each(|it| println!("- {it}"));
    assert_eq!((found.way, weighed.better), (Way::Taps, Way::Taps), "{weighed:?}");
    assert!(weighed.taps.delay_ms > 0.0 && weighed.bands.delay_ms == 0.0);
    let tapped: Vec<(&str, &str)> =
        found.tapped_parts().map(|(sum, part, _)| (sum, part.name.as_str())).collect();
    assert_eq!(tapped, [("right", "front right midrange")]);
    assert!(found.sums.iter().flat_map(|it| &it.parts).all(|it| it.all_pass.is_empty()));
    let reports = place.folder.report_folder();
    let (_, _, fir) = found.tapped_parts().next().unwrap();
    let file = reports.join(format!("tune-{}.joining-1.wav", found.tune.unwrap()));
    assert_eq!(audio::wav::read(&file).unwrap().channels[0].len(), fir.taps.len());
    assert!(file.with_extension("txt").exists());

    // Every output of either side comes at one time, the taps' own delay counted.
    let head_unit = virtual_car::Scenario::named("split-factory").unwrap().head_unit;
    let late: Vec<f64> = found
        .sums
        .iter()
        .flat_map(|sum| &sum.parts)
        .filter(|it| it.name != "subwoofer")
        .map(|it| {
            let own_ms = head_unit.outputs.iter().find(|output| output.name == it.name).unwrap().delay_ms;
            own_ms + it.delay_ms + it.fir.as_ref().map_or(0.0, |fir| fir.delay_ms())
        })
        .collect();
    assert!(late.iter().all(|ms| (ms - late[0]).abs() < 0.03), "{late:?}");
    let by_taps = proved(&mut place);
    assert!(by_taps.iter().all(|db| *db < 0.5), "{by_taps:?}");

    // By bands alone each side is as flat, but the two turn apart, and what both carry is lost between them.
    let bands = factory::choose(&place.folder, &mut place.clock, Way::Bands).unwrap();
    assert!(bands.tune > found.tune && bands.sums.iter().all(|sum| sum.measured.is_none()));
    assert_eq!(bands.tapped_parts().count(), 0);
    proved(&mut place);
    assert!(weighed.bands.lost_between_db > 0.5 && weighed.taps.lost_between_db < 0.1, "{weighed:?}");

    // And back: the same settings under a new number, and the same remarks.
    let again = factory::choose(&place.folder, &mut place.clock, Way::Taps).unwrap();
    assert_eq!(
        again.sums.iter().map(|it| &it.parts).collect::<Vec<_>>(),
        found.sums.iter().map(|it| &it.parts).collect::<Vec<_>>()
    );
    let (mut was, mut is) = (found.remarks.clone(), again.remarks.clone());
    was.sort();
    is.sort();
    assert_eq!(was, is);
    assert_eq!(
        place.folder.tune(again.tune.unwrap()).unwrap().tune,
        place.folder.tune(found.tune.unwrap()).unwrap().tune
    );
}

/// A processor that can delay by little: as many taps as the others can wait for.
#[test]
fn taps_delay_no_more_than_the_processor_can() {
    let dir = tempfile::tempdir().unwrap();
    let (_, found) = worked_out(dir.path(), "split-factory", 5, |limits| {
        taps_instead(limits);
        limits.delay_ms = Some(DelayRange { max: 3.0, step: Some(0.01) });
    });
    found.remarks.iter().for_each(|it| println!("- {it}"));
    println!("{:?}", factory::weigh(&found));
    let way = found.sums_of(Way::Taps);
    let longest = way.iter().flat_map(|it| &it.parts).map(|it| it.delay_ms).fold(0.0, f64::max);
    assert!(longest <= 3.0 && way.iter().flat_map(|it| &it.parts).any(|it| it.fir.is_some()), "{longest}");
    let said = [&found.way_remarks, &found.other_way.as_ref().unwrap().remarks];
    assert!(said.iter().any(|all| all.iter().any(|it| it.contains("3.0 ms at most"))), "{said:?}");
}

/// Taps for what a small equaliser leaves: no delay, and proved. Too few taps are said to be.
#[test]
fn taps_take_what_few_bands_leave() {
    let dir = tempfile::tempdir().unwrap();
    let few_bands = |limits: &mut Limits| (limits.bands, limits.fir_taps) = (2, 2048);
    let (mut place, found) = worked_out(dir.path(), "split-factory", 6, few_bands);
    let weighed = factory::weigh(&found).unwrap();
    println!("{weighed:?}");
    found.remarks.iter().for_each(|it| println!("- {it}"));
    assert_eq!((found.way, weighed.taps.delay_ms), (Way::Taps, 0.0));
    let by_taps = proved(&mut place);
    assert!(weighed.taps.off_db < 0.6 * weighed.bands.off_db, "{weighed:?}");
    assert!(by_taps.iter().all(|db| *db < weighed.bands.off_db), "{by_taps:?}");

    // A plan changed by hand is undone the way that is taken, and the other way follows.
    let mut parts = found.sums[0].parts.clone();
    parts.iter_mut().find(|it| it.name.ends_with("tweeter")).unwrap().gain_db -= 3.0;
    factory::keep_plan(&place.folder, &mut place.clock, "left", parts.clone()).unwrap();
    let kept = place.folder.finding().unwrap().unwrap();
    let undo = place.folder.tune(kept.tune.unwrap()).unwrap().tune;
    assert!(undo.channels[0].fir.is_some() && kept.way == Way::Taps);
    assert!([Way::Bands, Way::Taps].iter().all(|way| kept.sums_of(*way)[0].parts == parts));
    proved(&mut place);

    // Taps hold for one rate.
    place.folder.update(|visit| visit.limits.as_mut().unwrap().sample_rate_hz = 96_000.0).unwrap();
    let refused = factory::choose(&place.folder, &mut place.clock, Way::Bands).unwrap_err().to_string();
    assert!(refused.contains("48000 Hz") && refused.contains("96000 Hz"), "{refused}");

    let dir = tempfile::tempdir().unwrap();
    let (_, found) = worked_out(dir.path(), "split-factory", 6, |limits| limits.fir_taps = 32);
    assert!(found.other_way.is_none() && found.remarks.iter().any(|it| it.contains("32 taps are too few")));
}

/// Recordings made elsewhere are undone both ways too. The "head unit" is two tunes run over the stimulus: a Linkwitz-Riley
/// split at 400 Hz, and an all-pass at 900 Hz in its upper half.
#[test]
fn recordings_made_elsewhere_are_undone_both_ways() {
    let dir = tempfile::tempdir().unwrap();
    let (mut place, _) = worked_out(dir.path(), "split-factory", 5, taps_instead);
    let stimulus = dir.path().join("source.wav");
    let plan = job::plan::SweepPlan { seconds: 4.0, ..job::plan::SweepPlan::default() };
    let recipe = plan.recipe((6.0, 21_000.0), 48_000, -12.0);
    job::stimulus::make(&recipe, &stimulus, job::stimulus::Encoding::Float32).unwrap();
    let family = CrossoverFamily::LinkwitzRiley;
    let half = |pass, sections| {
        let crossovers = vec![Crossover { pass, family, order: 4, frequency_hz: 400.0 }];
        let channel = ChannelTune { name: "half".into(), crossovers, sections, ..ChannelTune::default() };
        let tune = Tune { sample_rate_hz: 48_000.0, channels: vec![channel], ..Tune::default() };
        let (file, wav) = (dir.path().join("half.json"), dir.path().join("half.wav"));
        let _ = (std::fs::remove_file(&file), std::fs::remove_file(&wav));
        garage::formats::tune::write(&file, &tune).unwrap();
        job::apply::apply_files(&file, &stimulus, &wav).unwrap();
        audio::wav::read(&wav).unwrap().channels.remove(0)
    };
    let all_pass = Section { kind: SectionKind::AllPass, frequency_hz: 900.0, gain_db: 0.0, q: 0.7 };
    let mut halves = [half(Pass::Low, Vec::new()), half(Pass::High, vec![all_pass])];
    let length = halves.iter().map(Vec::len).max().unwrap();
    halves.iter_mut().for_each(|half| half.resize(length, 0.0));
    let path = dir.path().join("both.wav");
    audio::wav::write_f32(&path, 48_000, &halves).unwrap();
    let capture =
        |name: &str, channel| factory::CaptureRef { name: name.into(), path: path.clone(), channel };
    let order = factory::FactoryOrder {
        stimulus: stimulus.clone(),
        captures: vec![capture("low", 1), capture("high", 2)],
        reference_channel: None,
        volumes: Vec::new(),
        steps: Vec::new(),
        clean_percent: factory::CLEAN_PERCENT,
        limits: place.folder.record().limits.clone(),
        target: None,
        fir_taps: None,
        both_ways: true,
    };
    let worked = factory::work_out(&order, &mut |_| {}).unwrap();
    let found = factory::keep(&place.folder, &mut place.clock, worked).unwrap().result;
    let weighed = factory::weigh(&found).unwrap();
    println!("{:?} {weighed:?} {:?}", found.way, found.way_remarks);
    assert_eq!(found.way, weighed.better);
    let parts_with_taps = |way| {
        let parts = found.sums_of(way).iter().flat_map(|sum| &sum.parts);
        parts.filter(|part| part.fir.is_some()).map(|part| part.name.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(parts_with_taps(Way::Taps), ["high"]);
    assert!(parts_with_taps(Way::Bands).is_empty());
    let other = factory::choose(&place.folder, &mut place.clock, found.way.other()).unwrap();
    assert_eq!(other.sums[0].parts, found.other_way.unwrap().sums[0].parts);
}
