use super::tidy::as_one;
use super::*;
use crate::filter::{ChannelFilter, GENTLE_SHELF_Q};
use crate::limits::{DelayRange, Frequencies, Range};
use crate::spectrum::{Bins, Complex};
use crate::system::Speaker;
use crate::system::fixtures::heard_at_two_places;
use crate::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Section, SectionKind};

fn limits() -> Limits {
    Limits {
        sample_rate_hz: 48_000.0,
        bands: 10,
        kinds: vec![SectionKind::Peaking],
        gain_db: Range { min: -15.0, max: 6.0, step: Some(0.1) },
        q: Range { min: 0.3, max: 10.0, step: Some(0.01) },
        frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: None },
        delay_ms: Some(DelayRange { max: 20.0, step: Some(0.01) }),
        fir_taps: 0,
        pre_ringing: crate::limits::PreRinging::default(),
        crossovers: Vec::new(),
        crossovers_take_bands: false,
    }
}

fn peak(frequency_hz: f64, gain_db: f64, q: f64) -> Section {
    Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q }
}

fn tune(sections: [Vec<Section>; 2], gain_db: [f64; 2], delay_ms: [f64; 2]) -> Tune {
    let crossover =
        |pass| Crossover { pass, family: CrossoverFamily::LinkwitzRiley, order: 4, frequency_hz: 400.0 };
    let passes = [Pass::Low, Pass::High];
    let channels = sections
        .into_iter()
        .enumerate()
        .map(|(c, sections)| ChannelTune {
            name: ["low", "high"][c].into(),
            crossovers: vec![crossover(passes[c])],
            gain_db: gain_db[c],
            delay_ms: delay_ms[c],
            sections,
            ..ChannelTune::default()
        })
        .collect();
    Tune { sample_rate_hz: 48_000.0, channels, ..Tune::default() }
}

/// Two speakers that are bent the opposite way of a known tune, heard at two places 3 dB apart: the tune makes the
/// sum flat.
fn system(known: &Tune) -> (System, Aim) {
    let hz = &Bins::standard().frequency_hz;
    let bare = |c: usize| ChannelTune { crossovers: Vec::new(), ..known.channels[c].clone() };
    let speakers = [0, 1]
        .map(|c| {
            let filter = ChannelFilter::new(&bare(c), 48_000.0).unwrap();
            let at = |gain: f64| hz.iter().map(|f| gain / filter.response(*f)).collect::<Vec<Complex>>();
            Speaker { name: known.channels[c].name.clone(), heard: vec![vec![at(1.0), at(0.7)]] }
        })
        .to_vec();
    heard_at_two_places(speakers)
}

#[test]
fn the_slopes_are_those_of_the_residuals() {
    let known = tune([vec![peak(150.0, -5.0, 1.4)], vec![peak(2000.0, 3.0, 2.0)]], [-2.0, 0.0], [0.3, 0.0]);
    let (system, aim) = system(&known);
    let start = tune([vec![peak(180.0, -3.0, 1.0)], vec![peak(1700.0, 2.0, 1.5)]], [0.0, 0.0], [0.1, 0.0]);
    let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.5e-3, 0.0], iterations: 1, prune: false };
    let settings = settings_of(&system, &start, &limits(), &freedom);
    let x: Vec<f64> = settings.iter().map(|it| get(&start, *it)).collect();
    let mut slopes = DMatrix::zeros(0, 0);
    let at = residuals(&system, &aim, &start, &settings, 1.0, Some(&mut slopes));
    for (column, setting) in settings.iter().enumerate() {
        let mut moved = x.clone();
        moved[column] += 1e-5;
        let there = residuals(&system, &aim, &with(&start, &settings, &moved), &settings, 1.0, None);
        let found = (there - &at) / 1e-5;
        let away = (found - slopes.column(column)).norm() / slopes.column(column).norm();
        assert!(
            away < 1e-3,
            "{}: {away}",
            ["gain", "delay", "band"][match setting {
                Setting::Gain(_) => 0,
                Setting::Delay(_) => 1,
                Setting::Band(..) => 2,
            }]
        );
    }
}

/// Two bells that undo each other at nearly one frequency become one; a broad one with a narrow one in it stays.
#[test]
fn bells_at_one_frequency_become_one() {
    let limits = limits();
    let one = as_one(peak(1000.0, 6.0, 6.0), peak(1050.0, -5.0, 5.0), &limits);
    assert_eq!(one, Some(peak(1000.0, 1.0, 6.0)));
    let twins = as_one(peak(1000.0, 5.0, 4.0), peak(1000.0, 5.0, 4.0), &limits).unwrap();
    assert!((twins.q - 4.0).abs() < 1e-9 && twins.gain_db == 6.0, "{twins:?}");
    assert_eq!(as_one(peak(1000.0, 6.0, 6.0), peak(1050.0, -5.0, 0.7), &limits), None);
    assert_eq!(as_one(peak(1000.0, 6.0, 6.0), peak(1200.0, -5.0, 6.0), &limits), None);
    let known = tune([vec![peak(150.0, -5.0, 1.4)], Vec::new()], [-2.0, 0.0], [0.3, 0.0]);
    let (system, aim) = system(&known);
    let start =
        tune([vec![peak(150.0, -9.0, 1.4), peak(156.0, 4.0, 1.6)], Vec::new()], [-1.0, 0.0], [0.3, 0.0]);
    let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.0; 2], iterations: 60, prune: true };
    let found = refine(&system, &aim, &start, &limits, &freedom);
    assert!(found.after_db < 0.1 && found.tune.channels[0].sections.len() == 1, "{found:?}");
}

/// A shelf is no steeper than one that rises all the way, unless a hand made it so.
#[test]
fn shelves_stay_gentle() {
    let known = tune([vec![peak(150.0, -5.0, 1.4)], Vec::new()], [-2.0, 0.0], [0.3, 0.0]);
    let (system, aim) = system(&known);
    let shelf = |q| Section { kind: SectionKind::LowShelf, ..peak(180.0, -3.0, q) };
    let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.0; 2], iterations: 60, prune: false };
    for (q, most) in [(0.5, GENTLE_SHELF_Q + 0.01), (2.0, 2.0)] {
        let start = tune([vec![shelf(q)], Vec::new()], [0.0, 0.0], [0.3, 0.0]);
        let found = refine(&system, &aim, &start, &limits(), &freedom);
        assert!(found.tune.channels[0].sections.iter().all(|it| it.q <= most), "{q}: {found:?}");
    }
}

#[test]
fn an_all_pass_stays_as_its_joint_made_it() {
    let known = tune([vec![peak(150.0, -5.0, 1.4)], Vec::new()], [-2.0, 0.0], [0.3, 0.0]);
    let (system, aim) = system(&known);
    let all_pass = Section { kind: SectionKind::AllPass, frequency_hz: 500.0, gain_db: 0.0, q: 1.0 };
    let start = tune([vec![peak(180.0, -3.0, 1.0), all_pass], vec![all_pass]], [0.0, 0.0], [0.1, 0.0]);
    let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.5e-3, 0.0], iterations: 60, prune: true };
    let found = refine(&system, &aim, &start, &limits(), &freedom);
    assert!(found.after_db < found.before_db - 0.5, "{found:?}");
    let kept = |c: usize| found.tune.channels[c].sections.iter().find(|it| it.kind == all_pass.kind);
    assert_eq!((kept(0), kept(1)), (Some(&all_pass), Some(&all_pass)));
}

#[test]
fn a_known_tune_is_found_from_a_poor_start() {
    let known = tune([vec![peak(150.0, -5.0, 1.4)], vec![peak(2000.0, 3.0, 2.0)]], [-2.0, 0.0], [0.3, 0.0]);
    let (system, aim) = system(&known);
    let start = tune([vec![peak(180.0, -3.0, 1.0)], vec![peak(1700.0, 2.0, 1.5)]], [0.0, -1.0], [0.1, 0.0]);
    let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.5e-3, 0.0], iterations: 60, prune: true };
    let found = refine(&system, &aim, &start, &limits(), &freedom);
    assert!(found.before_db > 1.0 && found.after_db < 0.1, "{found:?}");
    let again = refine(&system, &aim, &found.tune, &limits(), &freedom);
    assert!(again.after_db <= again.before_db);
}
