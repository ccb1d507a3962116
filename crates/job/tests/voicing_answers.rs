//! What Voicing answers to a wish or a lack: on cars drawn afresh.

mod drawn;

use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Polarity, SectionKind, Tune};
use garage::Role;
use job::cabin::CabinCurves;
use job::voicing::{self, Refinement, Scope, Wish};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use drawn::{asked, bench, cabin, places};

/// A tweaked target is answered by the same tune moved, not by a new one.
#[test]
fn a_dragged_target_is_followed() {
    let mut rng = ChaCha8Rng::seed_from_u64(43);
    let bench = bench("active-three-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let cabin_here = cabin(&bench, &measured[..3], &mut rng);
    let made = voicing::set_up(&cabin_here, &bench.map, &bench.target, &bench.limits, &Wish::default())
        .unwrap()
        .result;
    let mut brighter = bench.target.clone();
    brighter.points.iter_mut().filter(|it| it.0 > 10_000.0).for_each(|it| it.1 += 3.0);
    let before = voicing::whole_error_db(&cabin_here, &made.tune, &brighter);
    let started = std::time::Instant::now();
    let followed =
        voicing::propose_quickly(&cabin_here, &Scope::Whole, &made.tune, &brighter, &bench.limits).unwrap();
    println!("followed in {:.0} ms", 1e3 * started.elapsed().as_secs_f64());
    let after = voicing::whole_error_db(&cabin_here, &followed.result.tune, &brighter);
    println!("{before:.2} dB to {after:.2} dB");
    assert!(after < before);
    let delays = |tune: &Tune| tune.channels.iter().map(|it| it.delay_ms).collect::<Vec<f64>>();
    assert_eq!(delays(&made.tune), delays(&followed.result.tune));
}

/// Joined alone, a voiced tune may lose what its bands were fitted to; joined again it is never worse.
#[test]
fn a_voiced_tune_joined_again_is_never_worse() {
    const SEED: u64 = 47;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let bench = bench("active-three-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let cabin_here = cabin(&bench, &measured[..3], &mut rng);
    let (map, target, limits) = (&bench.map, &bench.target, &bench.limits);
    let made = voicing::set_up(&cabin_here, map, target, limits, &Wish::default()).unwrap().result;
    let error = |tune: &Tune| voicing::whole_error_db(&cabin_here, tune, target);
    let joined_only = voicing::join(&cabin_here, map, &made.tune, limits).unwrap().result;
    // A tune whose subwoofer was put two milliseconds off by hand has something to gain.
    let mut spoilt = made.tune.clone();
    spoilt.channels.iter_mut().filter(|it| it.name == "subwoofer").for_each(|it| it.delay_ms += 2.0);
    for (what, tune) in [("refined", &made.tune), ("spoilt", &spoilt)] {
        let again = voicing::join_again(&cabin_here, map, tune, target, limits).unwrap().result;
        let (before_db, after_db) = (error(tune), error(&again.tune));
        println!(
            "{what}: {before_db:.2} dB, joined again {after_db:.2}, joined only {:.2}",
            error(&joined_only.tune)
        );
        assert!(after_db <= before_db, "seed {SEED}, {what}: {after_db} after {before_db}");
        assert!(!again.joints.is_empty() && again.joints.iter().all(|it| it.delay_ms == 0.0));
    }
}

/// Two seats: the second gains and the first pays, and with all the weight on the first nothing changes for it.
#[test]
fn a_second_seat_is_paid_for_by_the_first() {
    const SEED: u64 = 45;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let bench = bench("active-two-way", &mut rng);
    let seats: Vec<CabinCurves> = [0, 1]
        .map(|seat| {
            let [measured, _] = places(&bench, seat, &mut rng);
            cabin(&bench, &measured[..4], &mut rng)
        })
        .into();
    let shared = |weight: f64| {
        let (map, target, limits) = (&bench.map, &bench.target, &bench.limits);
        voicing::two_seats(&seats[0], &seats[1], map, target, limits, weight, &Wish::default())
            .unwrap()
            .result
    };
    let half = shared(0.5);
    println!("{:?} {:?}", half.first, half.second);
    assert!(half.second.shared_db < half.second.other_db);
    let mean_square = |a: f64, b: f64| 0.5 * (a * a + b * b);
    let shared_square = mean_square(half.first.shared_db, half.second.shared_db);
    assert!(shared_square <= mean_square(half.first.own_db, half.second.other_db));
    let first_only = shared(1.0);
    assert!(first_only.first.shared_db <= first_only.first.own_db + 1e-9);
    let refused = voicing::two_seats(
        &seats[0],
        &seats[1],
        &bench.map,
        &bench.target,
        &bench.limits,
        1.5,
        &Wish::default(),
    );
    assert!(refused.unwrap_err().to_string().contains("0 to 1"));
}

/// Without a time reference nothing can be added up: levels and bands are set, delays and joints left, and it is said.
#[test]
fn without_a_common_time_nothing_is_joined() {
    let mut rng = ChaCha8Rng::seed_from_u64(46);
    let bench = bench("active-two-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let mut cabin_here = cabin(&bench, &measured[..2], &mut rng);
    cabin_here.channels.iter_mut().flat_map(|it| &mut it.positions).for_each(|it| it.arrival_ms = None);
    let made =
        voicing::set_up(&cabin_here, &bench.map, &bench.target, &bench.limits, &Wish::default()).unwrap();
    assert!(made.result.joints.is_empty());
    assert!(made.result.tune.channels.iter().all(|it| it.delay_ms == 0.0 && it.polarity == Polarity::Normal));
    assert!(made.result.tune.channels.iter().any(|it| !it.sections.is_empty()));
    assert!(made.remarks.iter().any(|words| words.contains("Delays were not set")), "{:?}", made.remarks);
}

/// What is held stays.
#[test]
fn refinement_leaves_held_channels_alone() {
    let mut rng = ChaCha8Rng::seed_from_u64(44);
    let bench = bench("active-two-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let cabin_here = cabin(&bench, &measured[..2], &mut rng);
    let start = voicing::start_tune(&bench.map, &bench.limits).unwrap();
    let what = Refinement { channels: Some(&["subwoofer"]), delays: false, iterations: 5 };
    let found = voicing::refine(&cabin_here, &start, &bench.target, &bench.limits, what).unwrap();
    assert!(found.after_db <= found.before_db);
    for (was, is) in start.channels.iter().zip(&found.tune.channels) {
        let bare = |it: &ChannelTune| (it.gain_db, it.sections.len());
        assert!(was.name == "subwoofer" || bare(was) == bare(is));
    }
    assert!(bench.map.channels.iter().any(|it| it.role == Role::Subwoofer));
}

/// Where crossovers are built from bands, everything fits into the bands there are, all-passes too, and it is said.
#[test]
fn a_small_processor_is_not_asked_for_more_than_it_has() {
    const SEED: u64 = 48;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let bench = bench("active-two-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let cabin_here = cabin(&bench, &measured[..3], &mut rng);
    let mut limits = Limits { bands: 6, crossovers_take_bands: true, ..bench.limits.clone() };
    if !limits.kinds.contains(&SectionKind::AllPass) {
        limits.kinds.push(SectionKind::AllPass);
    }
    let made = voicing::set_up(&cabin_here, &bench.map, &bench.target, &limits, &Wish::default()).unwrap();
    for channel in &made.result.tune.channels {
        let crossovers = limits.bands_of_crossovers(&channel.crossovers);
        println!("{}: {crossovers} bands for crossovers, {} others", channel.name, channel.sections.len());
        assert!(crossovers > 0 && crossovers + channel.sections.len() <= 6, "seed {SEED}: {channel:?}");
    }
    assert!(made.remarks.iter().any(|it| it.contains("its crossovers take")), "{:?}", made.remarks);
    // What is shown of the joints is what the tune in hand does.
    let shown =
        voicing::join_again(&cabin_here, &bench.map, &made.result.tune, &bench.target, &limits).unwrap();
    if shown.result.tune == made.result.tune {
        for (now, again) in made.result.joints.iter().zip(&shown.result.joints) {
            assert!((now.lost_db - again.lost_db).abs() < 1e-9, "seed {SEED}: {now:?}");
        }
    }
}

/// One position says little of the treble, where a centimetre decides: that speaker is left as it is, with the reason, and
/// the car is set up all the same.
#[test]
fn one_position_is_enough_to_begin_with() {
    let mut rng = ChaCha8Rng::seed_from_u64(49);
    let bench = bench("active-two-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let cabin_here = cabin(&bench, &measured[..1], &mut rng);
    let made = voicing::set_up(&cabin_here, &bench.map, &bench.target, &bench.limits, &Wish::default())
        .unwrap()
        .result;
    println!("{:.2} dB, then {:.2}; {:?}", made.start_db, made.refined_db, made.left_alone);
    assert!(made.refined_db < made.start_db && !made.left_alone.is_empty());
    for channel in made.tune.channels.iter().filter(|it| it.sections.is_empty()) {
        assert!(made.left_alone.iter().any(|it| it.reason.starts_with(&channel.name)), "{}", channel.name);
    }
}

/// Filters that are looked for with the speakers as measured come nearer to the slope asked of both together than the
/// same slope as a filter does, and the car set up with them is no farther from the target.
#[test]
fn slopes_of_ones_own_are_reached_with_the_speakers_as_measured() {
    let seed = asked("SEED", 50);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let bench = bench("active-three-way", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let cabin_here = cabin(&bench, &measured[..3], &mut rng);
    let (map, target, limits) = (&bench.map, &bench.target, &bench.limits);
    let plain = voicing::set_up(&cabin_here, map, target, limits, &Wish::default()).unwrap().result;
    let mut asking = plain.tune.clone();
    for channel in &mut asking.channels {
        channel.sections.clear();
        channel.acoustic.clone_from(&channel.crossovers);
    }
    let reached = voicing::reach_slopes(&cabin_here, map, &asking, target, limits).unwrap().result.tune;
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for (was, is) in asking.channels.iter().zip(&reached.channels) {
        for pass in was.crossovers.iter().map(|it| it.pass) {
            let away = |settings: &ChannelTune| {
                voicing::away_from_slope(&cabin_here, settings, pass, target, limits.sample_rate_hz)
                    .unwrap()
                    .rms_db
            };
            println!("{} {pass:?}: {:.2} dB off as a filter, {:.2} as found", was.name, away(was), away(is));
            before.push(away(was));
            after.push(away(is));
        }
    }
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
    assert!(mean(&after) < mean(&before), "seed {seed}: {before:?} {after:?}");
    let wish = Wish { slopes_of: Some(asking), ..Wish::default() };
    let made = voicing::set_up(&cabin_here, map, target, limits, &wish).unwrap().result;
    println!(
        "set up: {:.2} dB with the filters found, {:.2} with plain ones",
        made.refined_db, plain.refined_db
    );
    assert!(made.refined_db < made.start_db && made.refined_db < plain.refined_db + 0.5, "seed {seed}");
    assert!(made.tune.channels.iter().any(|it| !it.acoustic.is_empty()));
}

/// A rear speaker that plays softer than the front stays so, and costs the front nothing.
#[test]
fn soft_rear_speakers_do_not_pull_the_front_down() {
    const SEED: u64 = 49;
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let bench = bench("wiring-faults", &mut rng);
    let [measured, _] = places(&bench, 0, &mut rng);
    let mut cabin_here = cabin(&bench, &measured[..2], &mut rng);
    let is_rear = |name: &str| {
        bench.map.channels.iter().any(|it| it.name == name && it.place == garage::channels::Place::Rear)
    };
    assert!(cabin_here.channels.iter().any(|it| is_rear(&it.name)));
    for channel in cabin_here.channels.iter_mut().filter(|it| is_rear(&it.name)) {
        for position in &mut channel.positions {
            position.response.iter_mut().for_each(|h| *h *= 0.25);
        }
    }
    let start = voicing::start_tune(&bench.map, &bench.limits).unwrap();
    let made = voicing::set_levels(&cabin_here, &start, &bench.target, &bench.limits).unwrap().result;
    let loudest_db = |rear: bool| {
        let these = made.tune.channels.iter().filter(|it| is_rear(&it.name) == rear);
        these.map(|it| it.gain_db).fold(f64::NEG_INFINITY, f64::max)
    };
    assert_eq!((loudest_db(false), loudest_db(true)), (0.0, 0.0), "seed {SEED}: {:?}", made.tune);
}
