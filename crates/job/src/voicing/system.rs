//! The car as one system of speakers, for joining and refining.

use dsp::curve::log_grid_hz;
use dsp::spectrum::{Bins, Complex};
use dsp::system::{Aim, Scene, Speaker, System};
use dsp::target::Target;
use garage::Side;

use super::predict::SMOOTHING_PER_OCTAVE;
use super::{Scope, heard_band};
use crate::cabin::{CabinCurves, ChannelCurves};
use crate::source::SIDES;

/// Grid of the aim: twice as fine as the smoothing.
const POINTS_PER_OCTAVE: f64 = 24.0;

/// Up to here music plays the same on both sides, and both add up in a cabin (common practice, no source).
const LOW_BASS_TO_HZ: f64 = 120.0;

/// The sides that have speakers of their own, and both together: for the low bass, or for all where no side has any.
pub(super) fn scenes(cabin: &CabinCurves) -> Vec<(Side, (f64, f64))> {
    let heard = |side: Side| heard_band(cabin, &Scope::Side(side));
    let own = SIDES.iter().map(|(side, _)| *side);
    let mut scenes: Vec<(Side, (f64, f64))> = own
        .filter(|side| cabin.channels.iter().any(|it| it.side == *side))
        .map(|side| (side, heard(side)))
        .collect();
    let (low_hz, high_hz) = heard(Side::Both);
    match scenes.len() {
        0 => scenes.push((Side::Both, (low_hz, high_hz))),
        1 => {}
        _ => scenes.push((Side::Both, (low_hz, high_hz.min(LOW_BASS_TO_HZ)))),
    }
    scenes
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

/// Several seats as one system: each side at each seat is judged by itself, and weighs what is given beside the seat. So is
/// the low bass of both, at a level of its own: both are louder there than one.
///
/// Channels are taken from the first seat; a seat without takes of one hears silence from it.
pub(super) fn seats_as_system(seats: &[(&CabinCurves, f64)]) -> System {
    let first = seats.first().map(|(seat, _)| *seat);
    let sides = first.map(scenes).unwrap_or_default();
    let positions: Vec<Vec<String>> =
        seats.iter().map(|(seat, _)| shared_positions(&seat.channels)).collect();
    let every_scene = || {
        let seats = seats.iter().zip(&positions).enumerate();
        seats.flat_map(|(number, ((seat, weight), names))| {
            let both_beside = sides.len() > 1;
            sides.iter().map(move |(side, _)| {
                let level = 2 * number + usize::from(both_beside && *side == Side::Both);
                (level, *seat, *weight, *side, names)
            })
        })
    };
    let speaker = |channel: &ChannelCurves| Speaker {
        name: channel.name.clone(),
        heard: every_scene()
            .map(|(_, seat, _, side, names)| {
                seat.channel(&channel.name).map_or_else(Vec::new, |there| heard(seat, there, side, names))
            })
            .collect(),
    };
    System {
        frequency_hz: Bins::standard().frequency_hz.clone(),
        speakers: first.iter().flat_map(|it| &it.channels).map(speaker).collect(),
        scenes: every_scene()
            .map(|(level, _, weight, _, names)| Scene { places: names.len(), weight, level })
            .collect(),
        smoothing_per_octave: SMOOTHING_PER_OCTAVE,
    }
}

/// The target as an aim over what is heard of each side, for so many seats.
pub(super) fn aim_of(cabin: &CabinCurves, target: &Target, seats: usize) -> Aim {
    let of_a_seat: Vec<(f64, f64)> = scenes(cabin).into_iter().map(|(_, span_hz)| span_hz).collect();
    let low_hz = of_a_seat.iter().map(|it| it.0).fold(f64::INFINITY, f64::min);
    let high_hz = of_a_seat.iter().map(|it| it.1).fold(0.0, f64::max);
    let frequency_hz =
        if low_hz < high_hz { log_grid_hz(low_hz, high_hz, POINTS_PER_OCTAVE) } else { Vec::new() };
    let level_db = frequency_hz.iter().map(|f| target.level_at_db(*f)).collect();
    Aim { frequency_hz, level_db, spans_hz: of_a_seat.repeat(seats) }
}
