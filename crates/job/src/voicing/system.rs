//! The car as one system of speakers, for joining and refining.

use dsp::curve::log_grid_hz;
use dsp::spectrum::{Bins, Complex};
use dsp::system::{Aim, Speaker, System};
use dsp::target::Target;
use garage::Side;

use super::predict::SMOOTHING_PER_OCTAVE;
use super::{Scope, heard_band};
use crate::cabin::{CabinCurves, ChannelCurves};
use crate::source::SIDES;

/// Grid of the aim: twice as fine as the smoothing.
const POINTS_PER_OCTAVE: f64 = 24.0;

/// The sides that have speakers of their own; both together where none has.
pub(super) fn scenes(cabin: &CabinCurves) -> Vec<Side> {
    let own: Vec<Side> = SIDES
        .iter()
        .map(|(side, _)| *side)
        .filter(|side| cabin.channels.iter().any(|it| it.side == *side))
        .collect();
    if own.is_empty() { vec![Side::Both] } else { own }
}

/// Positions at which every channel was measured, in order.
pub(super) fn shared_positions(channels: &[ChannelCurves]) -> Vec<String> {
    let Some((first, others)) = channels.split_first() else { return Vec::new() };
    let has = |channel: &ChannelCurves, name: &str| channel.positions.iter().any(|it| it.position == name);
    let names = first.positions.iter().map(|it| it.position.clone());
    names.filter(|name| others.iter().all(|channel| has(channel, name))).collect()
}

/// What is heard of `channel` at `positions` when `side` plays; empty in silence.
pub(super) fn heard(
    cabin: &CabinCurves,
    channel: &ChannelCurves,
    side: Side,
    positions: &[String],
) -> Vec<Vec<Complex>> {
    let Some(feed) = cabin.feed(side, channel) else { return Vec::new() };
    positions
        .iter()
        .filter_map(|name| channel.positions.iter().find(|it| it.position == *name))
        .map(|at| at.response.iter().zip(&feed).map(|(h, feed)| h * feed).collect())
        .collect()
}

/// One seat as a system, every position alike.
pub(super) fn system_of(cabin: &CabinCurves) -> System {
    seats_as_system(&[(cabin, 1.0)])
}

/// Several seats as one system: the places of all, each seat's together weighing what is given beside it.
///
/// Channels are taken from the first seat; a seat without takes of one hears silence from it.
pub(super) fn seats_as_system(seats: &[(&CabinCurves, f64)]) -> System {
    let Some((first, _)) = seats.first() else {
        return System {
            frequency_hz: Vec::new(),
            speakers: Vec::new(),
            scenes: 0,
            place_weights: Vec::new(),
            smoothing_per_octave: SMOOTHING_PER_OCTAVE,
        };
    };
    let sides = scenes(first);
    let positions: Vec<Vec<String>> =
        seats.iter().map(|(seat, _)| shared_positions(&seat.channels)).collect();
    let total: f64 = seats.iter().map(|(_, weight)| weight).sum();
    let place_weights = seats
        .iter()
        .zip(&positions)
        .flat_map(|((_, weight), names)| {
            let each = weight / total.max(f64::MIN_POSITIVE) / names.len().max(1) as f64;
            std::iter::repeat_n(each, names.len())
        })
        .collect();
    let silence = || vec![Complex::new(0.0, 0.0); Bins::standard().frequency_hz.len()];
    let speakers = first
        .channels
        .iter()
        .map(|channel| {
            let scene = |side: &Side| {
                let places: Vec<Vec<Vec<Complex>>> = seats
                    .iter()
                    .zip(&positions)
                    .map(|((seat, _), names)| match seat.channel(&channel.name) {
                        Some(there) => heard(seat, there, *side, names),
                        None => Vec::new(),
                    })
                    .collect();
                if places.iter().all(Vec::is_empty) {
                    return Vec::new();
                }
                let filled = |(mut at, names): (Vec<Vec<Complex>>, &Vec<String>)| {
                    at.resize_with(names.len(), silence);
                    at
                };
                places.into_iter().zip(&positions).flat_map(filled).collect()
            };
            Speaker { name: channel.name.clone(), heard: sides.iter().map(scene).collect() }
        })
        .collect();
    System {
        frequency_hz: Bins::standard().frequency_hz.clone(),
        speakers,
        scenes: sides.len(),
        place_weights,
        smoothing_per_octave: SMOOTHING_PER_OCTAVE,
    }
}

/// The target as an aim over what is heard of each side.
pub(super) fn aim_of(cabin: &CabinCurves, target: &Target) -> Aim {
    let spans_hz: Vec<(f64, f64)> =
        scenes(cabin).into_iter().map(|side| heard_band(cabin, &Scope::Side(side))).collect();
    let low_hz = spans_hz.iter().map(|it| it.0).fold(f64::INFINITY, f64::min);
    let high_hz = spans_hz.iter().map(|it| it.1).fold(0.0, f64::max);
    let frequency_hz =
        if low_hz < high_hz { log_grid_hz(low_hz, high_hz, POINTS_PER_OCTAVE) } else { Vec::new() };
    let level_db = frequency_hz.iter().map(|f| target.level_at_db(*f)).collect();
    Aim { frequency_hz, level_db, spans_hz }
}
