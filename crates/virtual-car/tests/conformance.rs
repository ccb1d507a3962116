//! The virtual car under the checks that every rig has to pass.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use audio::conformance::{self, Bench, Fault, Verdict};
use audio::rig::Rig;
use virtual_car::scenario::{Event, Scenario, ScriptedEvent};
use virtual_car::{Stick, VirtualCar, VirtualRig};

struct CarBench {
    scenario: Scenario,
    stick: Option<Stick>,
}

impl CarBench {
    fn new() -> Self {
        let mut scenario = Scenario::named("plain-front").unwrap();
        // The suite compares a take without faults with one whose clock is off.
        scenario.recorder.clock_skew_ppm = 0.0;
        Self { scenario, stick: None }
    }
}

impl Bench for CarBench {
    fn rig(&mut self) -> Box<dyn Rig> {
        let mut car = VirtualCar::new(self.scenario.clone(), 7);
        car.put_in(self.stick.take());
        Box::new(VirtualRig::new(car).in_real_time())
    }

    /// The car's own head unit plays; its first output is on the third input.
    fn play_elsewhere(&mut self, signal: Vec<f32>) -> u16 {
        let side: Vec<f64> = signal.into_iter().map(f64::from).collect();
        self.stick = Some(Stick { rate_hz: self.rate_hz(), sides: [side.clone(), side] });
        2
    }

    fn inflict(&mut self, fault: Fault) -> bool {
        let (at_s, event) = match fault {
            Fault::Unplug { at_s } => (at_s, Event::Unplug),
            Fault::Gap { at_s, length_ms } => {
                (at_s, Event::DroppedBlock { frames: (length_ms * 1e-3 * f64::from(self.rate_hz())) as u64 })
            }
            Fault::Clock { skew_ppm } => (0.0, Event::ClockError { ppm: skew_ppm }),
        };
        self.scenario.events = vec![ScriptedEvent { take: None, at_s, event }];
        true
    }

    fn mend(&mut self) {
        self.scenario.events.clear();
    }

    fn rate_hz(&self) -> u32 {
        48_000
    }

    fn loop_back(&self) -> (u16, u16) {
        (0, 1)
    }

    fn simulated(&self) -> bool {
        true
    }
}

#[test]
fn the_virtual_car_conforms() {
    let dir = tempfile::tempdir().unwrap();
    let report = conformance::run(&mut CarBench::new(), dir.path());
    let wrong: Vec<_> = report.iter().filter(|(_, verdict)| *verdict != Verdict::Passed).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
}
