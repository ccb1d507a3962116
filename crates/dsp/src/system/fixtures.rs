//! What tests of whole systems share.

use super::{Aim, Scene, Speaker, System};
use crate::curve::log_grid_hz;
use crate::spectrum::Bins;

/// Speakers heard at two places at the standard bins, and a flat aim.
pub(super) fn heard_at_two_places(speakers: Vec<Speaker>) -> (System, Aim) {
    let system = System {
        frequency_hz: Bins::standard().frequency_hz.clone(),
        speakers,
        scenes: vec![Scene { places: 2, weight: 1.0, level: 0 }],
        smoothing_per_octave: 12.0,
    };
    let frequency_hz = log_grid_hz(30.0, 16_000.0, 24.0);
    let level_db = vec![0.0; frequency_hz.len()];
    (system, Aim { frequency_hz, level_db, spans_hz: Vec::new() })
}
