//! The card rig under the checks that every rig has to pass.

#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "../../../tests/support/private_card.rs"]
mod private_card;

use std::thread::JoinHandle;
use std::time::Duration;

use audio::card::{CardChoice, CardRig};
use audio::conformance::{self, Bench, Fault, Verdict};
use audio::rig::{PlayedChannel, Rig, TakeOrder, Watch};

const RATE_HZ: u32 = 48_000;

#[derive(Default)]
struct CardBench {
    happening: Option<(Fault, JoinHandle<()>)>,
    playing: Option<JoinHandle<()>>,
}

impl Bench for CardBench {
    fn rig(&mut self) -> Box<dyn Rig> {
        Box::new(CardRig::open(CardChoice::named("bench_out", "bench_in")).unwrap())
    }

    fn inflict(&mut self, fault: Fault) -> bool {
        let later = move |at_s: f64, happen: fn(f64), amount: f64| {
            std::thread::spawn(move || {
                std::thread::sleep(Duration::from_secs_f64(at_s));
                happen(amount);
            })
        };
        let happening = match fault {
            Fault::Unplug { at_s } => later(at_s, |_| private_card::unplug("bench"), 0.0),
            Fault::Gap { at_s, length_ms } => {
                later(at_s, |ms| private_card::choke("bench", Duration::from_secs_f64(ms / 1e3)), length_ms)
            }
            // Both directions of the private card run on one clock.
            Fault::Clock { .. } => return false,
        };
        self.happening = Some((fault, happening));
        true
    }

    /// Another rig of this computer plays, as a head unit would.
    fn play_elsewhere(&mut self, signal: Vec<f32>) -> u16 {
        let (output, input) = self.loop_back();
        self.playing = Some(std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(700));
            let dir = tempfile::tempdir().unwrap();
            let order = TakeOrder {
                rate_hz: RATE_HZ,
                play: vec![PlayedChannel { output, samples: signal.into() }],
                record_inputs: vec![input],
                tail_s: 0.1,
                recording: dir.path().join("its-own.wav"),
                ceiling_dbfs: -12.0,
            };
            let mut other = CardRig::open(CardChoice::named("bench_out", "bench_in")).unwrap();
            other.take(&order, &Watch::default()).unwrap();
        }));
        input
    }

    fn mend(&mut self) {
        if let Some(playing) = self.playing.take() {
            playing.join().unwrap();
        }
        if let Some((fault, happening)) = self.happening.take() {
            happening.join().unwrap();
            if matches!(fault, Fault::Unplug { .. }) {
                private_card::plug("bench", RATE_HZ, 2);
            }
        }
    }

    fn rate_hz(&self) -> u32 {
        RATE_HZ
    }

    fn loop_back(&self) -> (u16, u16) {
        (1, 1)
    }

    fn simulated(&self) -> bool {
        false
    }
}

#[test]
fn the_card_rig_conforms() {
    private_card::with_private_card("the_card_rig_conforms", RATE_HZ, 2, || {
        let dir = tempfile::tempdir().unwrap();
        let report = conformance::run(&mut CardBench::default(), dir.path());
        for (check, verdict) in &report {
            println!("{check}: {verdict:?}");
        }
        assert!(report.iter().all(|(_, verdict)| !matches!(verdict, Verdict::Failed(_))));
        let unknown: Vec<_> =
            report.iter().filter(|(_, v)| *v == Verdict::NotPossibleHere).map(|(check, _)| *check).collect();
        assert_eq!(unknown, ["a clock that is off is no gap"]);
    });
}
