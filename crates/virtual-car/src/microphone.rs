//! The measuring microphone and the file that came with it.

use std::fmt::Write;

use dsp::curve::interpolate_log;

use crate::level::factor;
use crate::scenario::Microphone;
use crate::transform::{Convolver, Transform, minimum_phase};

/// Its response at `frequency_hz`; flat beyond its first and last point.
pub fn response_db(microphone: &Microphone, frequency_hz: f64) -> f64 {
    let (Some(first), Some(last)) = (microphone.response.first(), microphone.response.last()) else {
        return 0.0;
    };
    let (hz, db): (Vec<f64>, Vec<f64>) = microphone.response.iter().copied().unzip();
    interpolate_log(&hz, &db, frequency_hz.clamp(first.0, last.0)).unwrap_or(0.0)
}

/// Its response as a minimum-phase filter at `rate_hz`.
pub fn filter(microphone: &Microphone, rate_hz: f64) -> Convolver {
    let transform = Transform::new((0.17 * rate_hz) as usize * 2);
    let bin_hz = rate_hz / transform.length() as f64;
    let magnitudes: Vec<f64> = (0..=transform.length() / 2)
        .map(|bin| factor(response_db(microphone, (bin as f64 * bin_hz).max(1.0))))
        .collect();
    let mut taps = transform.signal(minimum_phase(&transform, &magnitudes));
    // What a minimum-phase filter of this smoothness holds beyond half the length is rounding.
    taps.truncate(transform.length() / 2);
    Convolver::new(&taps)
}

/// The text of its calibration file: the response to be subtracted.
pub fn calibration_file(microphone: &Microphone) -> String {
    let mut text =
        format!("Microphone {} (SIMULATED), its own response: subtract it\nHz dB\n", microphone.serial);
    for (frequency_hz, level_db) in &microphone.response {
        // Writing into a String does not fail.
        let _ = writeln!(text, "{frequency_hz} {level_db}");
    }
    text
}
