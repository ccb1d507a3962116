//! A demo that must stay small still proves what it did, on cars with many channels too.
#![expect(clippy::unwrap_used, reason = "a test may stop where it stands")]

use audio::rig::Watch;
use garage::Simulation;
use job::demo::{DemoOrder, Extent, run};

fn proves(scenario: &str) {
    let dir = tempfile::tempdir().unwrap();
    let order = DemoOrder {
        garage: dir.path().join("garage"),
        simulation: Simulation { scenario: scenario.into(), seed: 1 },
        extent: Extent::Short,
    };
    let done = run(&order, &mut |_| {}, &Watch::default()).unwrap();
    let sides = &done.result.sides;
    assert_eq!(sides.len(), 2, "{scenario}: {:?}", done.remarks);
    assert!(sides.iter().all(|side| side.rms_error_db_after.is_some()), "{scenario}: {:?}", done.remarks);
}

#[test]
fn seven_channels_on_a_plain_source() {
    proves("active-three-way");
}

#[test]
fn seven_channels_on_a_split_source() {
    proves("split-factory");
}
