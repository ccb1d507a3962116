//! Two front seats from real takes of the virtual car: a visit each.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use audio::rig::Watch;
use garage::{Garage, Simulation, Visit, VisitFolder};
use job::voicing::{self, Made, VisitOrder, Wish};
use job::{JobError, Workplace, cabin, intake};

const DAY: jiff::civil::Date = jiff::civil::date(2026, 3, 14);

/// Takes every channel at three positions of the visit's seat.
fn taken(folder: VisitFolder) -> cabin::CabinCurves {
    let mut place = Workplace::open(folder).unwrap();
    let channels: Vec<String> =
        place.folder.car().channel_map.channels.iter().map(|it| it.name.clone()).collect();
    for position in ["P1", "P2", "P3"] {
        for channel in &channels {
            cabin::take(&mut place, channel, position, &Watch::default()).unwrap();
        }
    }
    cabin::curves(&place.folder, &Watch::default()).unwrap().result
}

/// Another visit of the same car, about another seat.
fn at_seat(garage: &std::path::Path, seat: &str) -> VisitFolder {
    let garage = Garage::open(garage).unwrap();
    let car = garage.cars().unwrap().found.remove(0);
    let first = car.visits().unwrap().found.remove(0).record().clone();
    let begun = Visit::begin(DAY);
    let visit = Visit { seat: seat.into(), date: begun.date, number: begun.number, ..first };
    car.begin_visit(visit).unwrap()
}

#[test]
fn each_seat_is_heard_where_it_is_and_says_what_it_gains_and_pays() {
    let dir = tempfile::tempdir().unwrap();
    let garage = dir.path().join("garage");
    let simulation = Simulation { scenario: "plain-front".into(), seed: 11 };
    let folder = intake::begin_simulated(&garage, &simulation, DAY).unwrap();
    let visit = folder.path().to_owned();
    let driver = taken(folder);
    let folder = at_seat(&garage, "passenger");
    let (record, other_visit) = (folder.record().clone(), folder.path().to_owned());
    let passenger = taken(folder);

    // The left speaker is the driver's near one and the passenger's far one.
    let arrival = |seat: &cabin::CabinCurves, channel: &str| {
        seat.channel(channel).unwrap().positions.first().unwrap().arrival_ms.unwrap()
    };
    for (seat, near, far) in
        [(&driver, "front left", "front right"), (&passenger, "front right", "front left")]
    {
        let later_ms = arrival(seat, far) - arrival(seat, near);
        assert!(later_ms > 0.3, "{far} comes {later_ms} ms after {near}");
    }

    let map = intake::scenario_sheet(&simulation).unwrap().car.channel_map;
    let (target, limits) = (record.target.unwrap(), record.limits.unwrap());
    let wish = Wish::default();
    let half = voicing::two_seats(&driver, &passenger, &map, &target, &limits, 0.5, &wish).unwrap().result;
    println!("driver {:?}, passenger {:?}", half.first, half.second);
    let error = |seat, tune| voicing::whole_error_db(seat, tune, &target);
    // Each figure is what that seat hears with that tune.
    let figures = [
        (&driver, half.first, &half.first_alone, &half.second_alone),
        (&passenger, half.second, &half.second_alone, &half.first_alone),
    ];
    for (seat, share, own, other) in figures {
        assert!((error(seat, own) - share.own_db).abs() < 1e-9);
        assert!((error(seat, other) - share.other_db).abs() < 1e-9);
        assert!((error(seat, &half.shared) - share.shared_db).abs() < 1e-9);
    }
    // What is refined for both is together no worse than what was made for the driver, and nearer for the passenger.
    let mean_square = |a: f64, b: f64| 0.5 * (a * a + b * b);
    let alone = mean_square(half.first.own_db, half.second.other_db);
    let shared = mean_square(half.first.shared_db, half.second.shared_db);
    assert!(shared <= alone && half.second.shared_db <= half.second.other_db, "{half:?}");
    // Delays are those of the heavier seat.
    let delays = |tune: &dsp::tune::Tune| tune.channels.iter().map(|it| it.delay_ms).collect::<Vec<f64>>();
    assert_eq!(delays(&half.shared), delays(&half.first_alone));
    let other = voicing::two_seats(&driver, &passenger, &map, &target, &limits, 0.2, &wish).unwrap().result;
    assert_eq!(delays(&other.shared), delays(&half.second_alone));

    // Without a window the same comes of the two visits.
    let order = VisitOrder {
        visit,
        other_seat: Some((other_visit, 0.5)),
        target: None,
        limits: None,
        no_taps: false,
        keep: true,
    };
    let kept = voicing::set_up_visit(&order, &Watch::default()).unwrap().result;
    let Made::TwoSeats(made) = &kept.made else { panic!("{:?}", kept.made) };
    assert!((made.second.shared_db - half.second.shared_db).abs() < 0.05, "{made:?}");
    let folder = VisitFolder::open(&order.visit).unwrap();
    assert_eq!(folder.tune(kept.number.unwrap()).unwrap().tune.channels, made.shared.channels);
}

#[test]
fn a_seat_that_the_car_does_not_have_is_refused_with_those_it_has() {
    let dir = tempfile::tempdir().unwrap();
    let garage = dir.path().join("garage");
    let simulation = Simulation { scenario: "plain-front".into(), seed: 11 };
    intake::begin_simulated(&garage, &simulation, DAY).unwrap();
    let mut place = Workplace::open(at_seat(&garage, "roof")).unwrap();
    let error = cabin::take(&mut place, "front left", "P1", &Watch::default()).unwrap_err();
    let JobError::Input(words) = error else { panic!("{error}") };
    assert!(words.contains("roof") && words.contains("driver, passenger"), "{words}");
}
