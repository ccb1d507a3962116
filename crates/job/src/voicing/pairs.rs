//! Left and right speakers of a pair are built alike: their direct sounds say whether they move the same way.

use dsp::align::arrival;
use dsp::tune::{Polarity, Tune};
use garage::{ChannelMap, Side};

use super::join::mate;
use crate::cabin::{CabinCurves, ChannelCurves, PositionCurve};

/// Two direct sounds this alike, at the mean over positions, move the same way.
const ALIKE: f64 = 0.3;

/// Gives a pair whose direct sounds are alike the polarity of the nearer one, where the arrivals alone told otherwise:
/// of the farther one a reflection may be louder than the direct sound. Says so in a sentence for each.
pub(super) fn agree(cabin: &CabinCurves, map: &ChannelMap, tune: &mut Tune) -> Vec<String> {
    let mut said = Vec::new();
    for left in map.channels.iter().filter(|it| it.side == Side::Left) {
        let Some(right) = mate(map, left) else { continue };
        let at = |name: &str| tune.channels.iter().position(|it| it.name == name);
        let (Some(l), Some(r)) = (at(&left.name), at(&right.name)) else { continue };
        let (Some(one), Some(other)) = (cabin.channel(&left.name), cabin.channel(&right.name)) else {
            continue;
        };
        let polarity = |i: usize| tune.channels.get(i).map(|it| it.polarity);
        if polarity(l) == polarity(r) || likeness(one, other) < ALIKE {
            continue;
        }
        // What was delayed more is nearer.
        let delay_ms = |i: usize| tune.channels.get(i).map_or(0.0, |it| it.delay_ms);
        let nearer = if delay_ms(l) >= delay_ms(r) { l } else { r };
        let believed = polarity(nearer).unwrap_or(Polarity::Normal);
        for (i, channel) in tune.channels.iter_mut().enumerate() {
            if i == l || i == r {
                channel.polarity = believed;
            }
        }
        let so = match believed {
            Polarity::Normal => "both were left as they are wired.",
            Polarity::Inverted => "both were turned over, as the nearer one measured. Check their wires.",
        };
        said.push(format!(
            "{} and {} sound alike though one measured the other way round; {so}",
            left.name, right.name
        ));
    }
    said
}

/// Mean over positions of the correlation of two direct sounds, each at the shift at which it is largest either way.
fn likeness(one: &ChannelCurves, other: &ChannelCurves) -> f64 {
    let middle_hz = (one.band_hz.0 * one.band_hz.1).sqrt();
    let pairs = one.positions.iter().filter_map(|a| {
        let b = other.positions.iter().find(|it| it.position == a.position)?;
        let reach = (0.6 / middle_hz * a.rate_hz) as i32 + 1;
        let (first_s, second_s) = (arrival_s(a)?, arrival_s(b)?);
        let still = direct(a, first_s, middle_hz, 0);
        let correlations =
            (-reach..=reach).map(|shift| correlation(&still, &direct(b, second_s, middle_hz, shift)));
        Some(correlations.fold(0.0, |best: f64, r| if r.abs() > best.abs() { r } else { best }))
    });
    let (sum, count) = pairs.fold((0.0, 0.0), |(sum, count), r| (sum + r, count + 1.0));
    sum / f64::max(count, 1.0)
}

fn arrival_s(at: &PositionCurve) -> Option<f64> {
    Some(arrival(&at.impulse, at.rate_hz).ok()?.time_s)
}

/// Three periods of the middle of the band around the arrival: long enough to show the shape, short of most reflections.
fn direct(at: &PositionCurve, arrival_s: f64, middle_hz: f64, shift: i32) -> Vec<f64> {
    let from = ((arrival_s - 0.5 / middle_hz) * at.rate_hz) as i64 + i64::from(shift);
    let count = (3.0 / middle_hz * at.rate_hz) as usize;
    let from = usize::try_from(from).unwrap_or(0);
    at.impulse.iter().skip(from).take(count).copied().collect()
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt().max(f64::MIN_POSITIVE)
}
