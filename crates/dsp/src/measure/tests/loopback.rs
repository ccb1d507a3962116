//! A recording without any noise: the signal itself, as a digital copy gives it.

use crate::measure::{Capture, Options, analyse};
use crate::stimulus::{Markers, Recipe, Signal, Sweep};

/// Silence before and after, and nothing else but the stimulus: the response is 0 dB wherever the sweep is whole.
#[test]
fn a_digital_copy_is_flat() {
    for (low_hz, high_hz, repeats) in [(5.0, 22_000.0, 2), (20.0, 20_000.0, 1)] {
        let plan = Sweep::usual(low_hz, high_hz, 3.0, repeats, Markers::Ends);
        let recipe = Recipe { rate_hz: 48_000, channels: 1, level_dbfs: -6.0, signal: Signal::Sweep(plan) };
        let mut heard = vec![0.0; 20_000];
        heard.extend(recipe.render().unwrap().channels.remove(0));
        heard.extend([0.0; 40_000]);
        let capture = Capture { rate_hz: 48_000, microphone: &heard, reference: None };
        let measured = analyse(&recipe, &capture, &Options::default()).unwrap();
        for hz in [50.0, 1000.0, 10_000.0] {
            let level_db = measured.curve.level_at_db(hz).unwrap();
            assert!(level_db.abs() < 0.01, "{low_hz} to {high_hz} Hz: {level_db} dB at {hz} Hz");
        }
    }
}
