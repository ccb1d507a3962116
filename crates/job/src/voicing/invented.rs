//! A channel for tests, on a speaker in front.

use garage::channels::Place;
use garage::{Channel, Role, Side};

/// With a safe frequency at the lower end of its band where it is a tweeter.
pub fn channel(name: &str, output: u16, role: Role, side: Side, band: (f64, f64)) -> Channel {
    Channel {
        name: name.into(),
        output,
        role,
        side,
        place: Place::Front,
        safe_band_hz: band,
        safe_frequency_hz: (role == Role::Tweeter).then_some(band.0),
        note: String::new(),
    }
}
