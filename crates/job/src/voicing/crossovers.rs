//! Where one speaker should hand over to the next, from what was measured.

use std::f64::consts::PI;

use dsp::air::speed_of_sound_m_s;
use dsp::limits::Limits;
use dsp::tune::{Crossover, Pass};
use dsp::verdict::Verdict;
use garage::{Channel, ChannelMap, Role};
use serde::Serialize;

use super::start::{ORDER, bands_for_each, lower_of, neighbour_above, two_digits};
use crate::cabin::{CabinCurves, ChannelCurves};
use crate::handover::changes::hertz;
use crate::judged::Judged;

/// One channel's crossovers, and what they rest on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CrossoverAdvice {
    /// The channel.
    pub channel: String,
    /// Where it plays within 10 dB of its middle level.
    pub usable_hz: (f64, f64),
    /// Distortion stays below 3 % from here up; absent where none was measured.
    pub clean_from_hz: Option<f64>,
    /// A protected speaker gets nothing below.
    pub safe_from_hz: Option<f64>,
    /// A cone of its usual size narrows from here up.
    pub beams_from_hz: f64,
    /// What to set.
    pub crossovers: Vec<Crossover>,
    /// Why, in plain words.
    pub sentence: String,
}

/// A speaker is used where it plays within this of its middle level (common practice, no source).
const USABLE_DB: f64 = 10.0;
/// More than this is heard on music (common practice, no source).
const CLEAN_PERCENT: f64 = 3.0;
/// A crossover keeps this far from the end of a usable band, so that the slope is the filter's and not the driver's.
const MARGIN: f64 = 1.25;
/// A protected speaker is crossed this far above its safe frequency: a fourth-order slope is 9 dB down there.
const SAFE_MARGIN: f64 = 1.3;
/// Where there is less than that.
const STEEP: u8 = 8;
/// A cone is used up to this many times the frequency at which its circumference is a wavelength.
const BEAM_MARGIN: f64 = 2.0;
/// Where a subwoofer hands over: low enough that nobody hears where it stands (common practice, no source).
const SUBWOOFER_HZ: (f64, f64, f64) = (50.0, 80.0, 120.0);

/// Proposes crossovers for every channel of the map that was measured.
///
/// A crossover lies in the middle, in octaves, of where both speakers play clean and level, the upper one is safe and
/// the lower one does not beam yet; where there is no such place, at the upper's own lower end.
pub fn propose_crossovers(
    cabin: &CabinCurves,
    map: &ChannelMap,
    limits: &Limits,
) -> Judged<Vec<CrossoverAdvice>> {
    let mut judged = Judged::good(Vec::new());
    for channel in &map.channels {
        let Some(measured) = cabin.channel(&channel.name) else { continue };
        let mut crossovers = Vec::new();
        let mut reasons = Vec::new();
        let below = lower_of(map, channel).map(|lower| (Pass::High, lower, channel));
        let above = neighbour_above(map, channel).map(|upper| (Pass::Low, channel, upper));
        for (pass, lower, upper) in below.into_iter().chain(above) {
            let Some(meeting) = meeting(cabin, lower, upper, pass, limits) else { continue };
            // Close to where the upper speaker is safe, the steeper the better.
            let order = if meeting.close { STEEP } else { ORDER };
            // Both sides of a crossover get the same filter, or they would not add up.
            let room = bands_for_each(map, lower, limits).min(bands_for_each(map, upper, limits));
            let (family, order) = limits.crossover_within(order, room);
            crossovers.push(Crossover { pass, family, order, frequency_hz: meeting.at_hz });
            let other = if pass == Pass::High { &lower.name } else { &upper.name };
            reasons.push(format!("{} to {other}, {}", hertz(meeting.at_hz), meeting.why));
            if pass == Pass::High && meeting.tight {
                judged.note(
                    Verdict::Usable,
                    format!(
                        "{} and {} have no band in which both play well; they meet at {}, where {} is still safe.",
                        lower.name,
                        upper.name,
                        hertz(meeting.at_hz),
                        upper.name
                    ),
                );
            }
        }
        let usable_hz = usable_band(measured);
        let sentence = format!(
            "Usable from {} to {}. {}",
            hertz(usable_hz.0),
            hertz(usable_hz.1),
            if reasons.is_empty() {
                "It needs no crossover.".to_owned()
            } else {
                format!("Crossed at {}.", reasons.join("; and at "))
            }
        );
        judged.result.push(CrossoverAdvice {
            channel: channel.name.clone(),
            usable_hz,
            clean_from_hz: clean_from_hz(measured),
            safe_from_hz: channel.safe_frequency_hz,
            beams_from_hz: beams_from_hz(channel.role),
            crossovers,
            sentence,
        });
    }
    judged
}

struct Meeting {
    at_hz: f64,
    why: String,
    /// The two have no band in which both play well.
    tight: bool,
    /// A fourth-order slope would leave too much at the upper one's safe frequency.
    close: bool,
}

fn meeting(
    cabin: &CabinCurves,
    lower: &Channel,
    upper: &Channel,
    pass: Pass,
    limits: &Limits,
) -> Option<Meeting> {
    // Left and right are crossed alike: the pair decides together.
    let like = |channel: &Channel| -> Vec<&ChannelCurves> {
        let own = cabin.channel(&channel.name);
        let kin = cabin
            .channels
            .iter()
            .filter(|it| it.side != channel.side && it.band_hz == own.map_or((0.0, 0.0), |own| own.band_hz));
        own.into_iter().chain(kin).collect()
    };
    let (below, above) = (like(lower), like(upper));
    let least = |values: Vec<f64>| values.into_iter().fold(f64::INFINITY, f64::min);
    let most = |values: Vec<f64>| values.into_iter().fold(0.0, f64::max);
    let upper_from_hz = most(above.iter().map(|it| usable_band(it).0).collect());
    let safe_hz = upper.safe_frequency_hz.unwrap_or(upper.safe_band_hz.0);
    let clean_hz = most(above.iter().filter_map(|it| clean_from_hz(it)).collect());
    let lower_to_hz = least(below.iter().map(|it| usable_band(it).1).collect());
    let beams_hz = BEAM_MARGIN * beams_from_hz(lower.role);
    let floor = [
        (MARGIN * upper_from_hz, "above where the upper one begins"),
        (SAFE_MARGIN * safe_hz, "where the upper one is safe"),
        (clean_hz, "above the distortion of the upper one"),
    ];
    let ceiling =
        [(lower_to_hz / MARGIN, "below where the lower one ends"), (beams_hz, "before the lower one beams")];
    // Distortion asks for more room only as long as there is some.
    let (low_hz, low_why) = largest(&floor[..2]);
    let (high_hz, high_why) = ceiling.iter().copied().fold(ceiling[0], |a, b| if b.0 < a.0 { b } else { a });
    let (low_hz, low_why) =
        if clean_hz > low_hz && clean_hz < high_hz { floor[2] } else { (low_hz, low_why) };
    let (tight, at_hz) = if lower.role == Role::Subwoofer {
        let (least_hz, usual_hz, most_hz) = SUBWOOFER_HZ;
        let at_hz = usual_hz.clamp(low_hz.clamp(least_hz, most_hz), most_hz);
        // A small speaker is never asked to reach down to a subwoofer that stays below where it would be heard.
        let at_hz = if pass == Pass::High { at_hz.max(low_hz) } else { at_hz };
        (low_hz > lower_to_hz.min(most_hz), at_hz)
    } else {
        (low_hz > lower_to_hz, if low_hz < high_hz { (low_hz * high_hz).sqrt() } else { low_hz })
    };
    let why = if low_hz < high_hz { format!("{low_why} and {high_why}") } else { low_why.to_owned() };
    let at_hz = two_digits(at_hz);
    (at_hz < 0.45 * limits.sample_rate_hz).then_some(Meeting {
        at_hz,
        why,
        tight,
        close: upper.safe_frequency_hz.is_some_and(|safe_hz| at_hz < SAFE_MARGIN * safe_hz),
    })
}

fn largest(all: &[(f64, &'static str)]) -> (f64, &'static str) {
    all.iter().copied().fold((0.0, ""), |a, b| if b.0 > a.0 { b } else { a })
}

/// Where the average plays within [`USABLE_DB`] of its middle level: from the first such point to the last.
fn usable_band(channel: &ChannelCurves) -> (f64, f64) {
    let mut sorted = channel.average.level_db.clone();
    sorted.sort_by(f64::total_cmp);
    let middle_db = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let inside: Vec<f64> = channel
        .average
        .frequency_hz
        .iter()
        .zip(&channel.average.level_db)
        .filter(|(_, level_db)| **level_db > middle_db - USABLE_DB)
        .map(|(f, _)| *f)
        .collect();
    match (inside.first(), inside.last()) {
        (Some(low_hz), Some(high_hz)) => (*low_hz, *high_hz),
        _ => channel.band_hz,
    }
}

/// The frequency from which distortion stays below [`CLEAN_PERCENT`].
fn clean_from_hz(channel: &ChannelCurves) -> Option<f64> {
    let (last_hz, _) = channel.thd_percent.iter().rfind(|(_, percent)| *percent > CLEAN_PERCENT)?;
    channel.thd_percent.iter().map(|it| it.0).find(|f| f > last_hz)
}

/// A cone grows directional as its circumference passes a wavelength; the usual effective diameters of car speakers
/// (common practice, no source).
fn beams_from_hz(role: Role) -> f64 {
    let diameter_m = match role {
        Role::Subwoofer => 0.26,
        Role::Woofer | Role::FullRange => 0.13,
        Role::Midrange => 0.065,
        Role::Tweeter => 0.026,
    };
    speed_of_sound_m_s(20.0) / (PI * diameter_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::voicing::invented::channel;
    use dsp::curve::{Curve, log_grid_hz};
    use garage::Side;

    /// A channel that plays level between `usable` and falls off quickly outside.
    fn measured(name: &str, side: Side, band_hz: (f64, f64), usable: (f64, f64)) -> ChannelCurves {
        let hz = log_grid_hz(band_hz.0, band_hz.1, 24.0);
        let level = |f: &f64| if (usable.0..=usable.1).contains(f) { 0.0 } else { -20.0 };
        let average = Curve::of_levels(hz.clone(), hz.iter().map(level).collect());
        ChannelCurves {
            name: name.into(),
            side,
            place: garage::channels::Place::Front,
            band_hz,
            positions: Vec::new(),
            average,
            thd_percent: Vec::new(),
        }
    }

    #[test]
    fn a_small_centre_beside_a_subwoofer_gets_nothing_below_its_safe_band() {
        let map = ChannelMap {
            channels: vec![
                channel("centre", 1, Role::Midrange, Side::Both, (180.0, 18_000.0)),
                channel("subwoofer", 2, Role::Subwoofer, Side::Both, (20.0, 300.0)),
            ],
        };
        let cabin = CabinCurves {
            channels: vec![
                measured("centre", Side::Both, (180.0, 18_000.0), (180.0, 16_000.0)),
                measured("subwoofer", Side::Both, (20.0, 300.0), (28.0, 200.0)),
            ],
            ..CabinCurves::default()
        };
        let limits: Limits =
            serde_json::from_str(include_str!("../../../../assets/limits/large-parametric.json")).unwrap();
        let advice = propose_crossovers(&cabin, &map, &limits);
        let at = |channel: usize| advice.result[channel].crossovers[0].frequency_hz;
        assert_eq!(two_digits(SAFE_MARGIN * 180.0), at(0));
        assert_eq!(SUBWOOFER_HZ.2, at(1));
        assert_eq!(advice.verdict, Verdict::Usable, "{:?}", advice.remarks);
    }

    #[test]
    fn a_three_way_meets_where_both_play_well() {
        let map = ChannelMap {
            channels: vec![
                channel("tweeter", 1, Role::Tweeter, Side::Left, (2200.0, 20_000.0)),
                channel("midrange", 2, Role::Midrange, Side::Left, (200.0, 9000.0)),
                channel("woofer", 3, Role::Woofer, Side::Left, (40.0, 2500.0)),
                channel("subwoofer", 4, Role::Subwoofer, Side::Both, (20.0, 300.0)),
            ],
        };
        let mut cabin = CabinCurves {
            channels: vec![
                measured("tweeter", Side::Left, (2200.0, 20_000.0), (2200.0, 18_000.0)),
                measured("midrange", Side::Left, (200.0, 9000.0), (220.0, 9000.0)),
                measured("woofer", Side::Left, (40.0, 2500.0), (55.0, 2000.0)),
                measured("subwoofer", Side::Both, (20.0, 300.0), (28.0, 200.0)),
            ],
            ..CabinCurves::default()
        };
        let limits: Limits =
            serde_json::from_str(include_str!("../../../../assets/limits/large-parametric.json")).unwrap();
        let at = |cabin: &CabinCurves| -> Vec<Vec<(Pass, f64)>> {
            let advice = propose_crossovers(cabin, &map, &limits);
            let pairs =
                |it: &CrossoverAdvice| it.crossovers.iter().map(|c| (c.pass, c.frequency_hz)).collect();
            advice.result.iter().map(pairs).collect()
        };
        let plain = at(&cabin);
        // Both halves of a crossover agree, and it lies where both play.
        assert_eq!(plain[0][0].1, plain[1][1].1);
        assert_eq!(plain[1][0].1, plain[2][1].1);
        assert_eq!(plain[2][0].1, plain[3][0].1);
        assert!((2860.0..3700.0).contains(&plain[0][0].1), "{plain:?}");
        assert!((275.0..1600.0).contains(&plain[1][0].1), "{plain:?}");
        assert_eq!(plain[3], [(Pass::Low, 80.0)]);
        // A midrange that distorts low down is crossed higher.
        cabin.channels[1].thd_percent = vec![(250.0, 6.0), (500.0, 5.0), (800.0, 1.0), (1600.0, 0.5)];
        assert!(at(&cabin)[1][0].1 > plain[1][0].1);
    }
}
