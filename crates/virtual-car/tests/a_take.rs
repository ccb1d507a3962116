//! Takes through the rig interface, as the rest of the program makes them.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::sync::Arc;

use audio::rig::{PlayedChannel, Rig, RigError, TakeOrder, Watch};
use virtual_car::scenario::{Event, Position, Scenario, ScriptedEvent, embedded, names};
use virtual_car::{VirtualCar, VirtualRig};

/// A tone that rises and falls over 10 ms.
fn tone(frequency_hz: f64, seconds: f64, level_dbfs: f64) -> Arc<Vec<f32>> {
    let gain = 10f64.powf(level_dbfs / 20.0);
    let frames = (48_000.0 * seconds) as usize;
    let sample = |n: usize| {
        let fade = (n.min(frames - 1 - n) as f64 / 480.0).min(1.0);
        (fade * gain * (std::f64::consts::TAU * frequency_hz * n as f64 / 48e3).sin()) as f32
    };
    Arc::new((0..frames).map(sample).collect())
}

struct Bay {
    folder: tempfile::TempDir,
    rig: VirtualRig,
    takes: usize,
}

impl Bay {
    fn new(scenario: &str) -> Self {
        let car = VirtualCar::new(Scenario::named(scenario).unwrap(), 1);
        Self { folder: tempfile::tempdir().unwrap(), rig: VirtualRig::new(car), takes: 0 }
    }

    fn order(&mut self, play: Vec<(u16, Arc<Vec<f32>>)>, record_inputs: Vec<u16>) -> TakeOrder {
        self.takes += 1;
        TakeOrder {
            rate_hz: 48_000,
            play: play.into_iter().map(|(output, samples)| PlayedChannel { output, samples }).collect(),
            record_inputs,
            tail_s: 0.5,
            recording: self.folder.path().join(format!("{}.wav", self.takes)),
            ceiling_dbfs: -3.0,
        }
    }
}

#[test]
fn every_embedded_scenario_can_be_read() {
    let scenarios = embedded().unwrap();
    assert_eq!(scenarios.iter().map(|s| s.name.as_str()).collect::<Vec<_>>(), names());
}

#[test]
fn a_take_is_recorded_as_its_facts_say_and_twice_the_same() {
    let mut recordings = Vec::new();
    for _ in 0..2 {
        let mut bay = Bay::new("active-two-way");
        let order = bay.order(vec![(2, tone(4000.0, 1.0, -12.0))], vec![0, 1]);
        let facts = bay.rig.take(&order, &Watch::default()).unwrap();
        let wav = audio::wav::read(&order.recording).unwrap();
        assert!(facts.simulated && !facts.stopped && facts.lost_frames == 0);
        assert_eq!((wav.channels.len(), wav.frames() as u64), (2, facts.frames));
        assert_eq!(facts.clipped_samples, vec![0, 0]);
        recordings.push(wav.channels);
    }
    assert_eq!(recordings[0], recordings[1]);
}

#[test]
fn an_unplugged_device_keeps_what_was_recorded() {
    let mut bay = Bay::new("plain-front");
    bay.rig.handle().edit(|car| {
        car.set_microphone(0, Position::P4).unwrap();
        car.schedule(ScriptedEvent { take: None, at_s: 0.6, event: Event::Unplug });
    });
    let order = bay.order(vec![(0, tone(1000.0, 1.0, -12.0))], vec![0]);
    let error = bay.rig.take(&order, &Watch::default()).unwrap_err();
    assert!(matches!(error, RigError::DeviceLost { .. }), "{error}");
    assert_eq!(audio::wav::read(&order.recording).unwrap().frames(), 28_800);
    let order = bay.order(vec![(0, tone(1000.0, 0.2, -12.0))], vec![0]);
    bay.rig.take(&order, &Watch::default()).unwrap();
}
