//! Where a tune starts: crossovers that keep every speaker inside its band, and nothing else.

use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Crossover, Pass, Tune};
use garage::{Channel, ChannelMap, Role, Side};

use crate::error::JobError;

/// Fourth order: steep enough to protect, and both sides of it stay in phase (S. Linkwitz, R. Riley, "Active Crossover
/// Networks for Noncoincident Drivers", JAES 24(1), 1976).
pub(super) const ORDER: u8 = 4;

/// The tune of a processor as first set up: for every two neighbouring speakers one crossover, in the middle of the
/// octaves that both can play.
///
/// # Errors
/// Crossovers that the processor's sample rate cannot hold.
pub fn start_tune(map: &ChannelMap, limits: &Limits) -> Result<Tune, JobError> {
    let channels = map
        .channels
        .iter()
        .map(|channel| ChannelTune {
            name: channel.name.clone(),
            crossovers: crossovers(map, channel, limits),
            ..ChannelTune::default()
        })
        .collect();
    let mut tune = Tune { sample_rate_hz: limits.sample_rate_hz, channels, ..Tune::default() };
    tune.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))?;
    Ok(tune)
}

fn crossovers(map: &ChannelMap, channel: &Channel, limits: &Limits) -> Vec<Crossover> {
    let (family, order) = limits.crossover_within(ORDER, bands_for_each(map, channel, limits));
    let crossover = |pass, frequency_hz| Crossover { pass, family, order, frequency_hz };
    let below = lower_of(map, channel).map(|lower| meeting_hz(lower, channel));
    let above = neighbour_above(map, channel).map(|upper| meeting_hz(channel, upper));
    below
        .map(|hz| crossover(Pass::High, hz))
        .into_iter()
        .chain(above.map(|hz| crossover(Pass::Low, hz)))
        .collect()
}

/// Bands that each crossover of a channel may take, where they take any.
pub(super) fn bands_for_each(map: &ChannelMap, channel: &Channel, limits: &Limits) -> usize {
    let sides = [lower_of(map, channel), neighbour_above(map, channel)].into_iter().flatten().count();
    limits.bands / sides.max(1)
}

/// How high a kind of speaker plays.
fn rank(role: Role) -> u8 {
    match role {
        Role::Subwoofer => 0,
        Role::Woofer | Role::FullRange => 1,
        Role::Midrange => 2,
        Role::Tweeter => 3,
    }
}

/// The speaker next to `channel` that plays on its side, on the side of it that `towards` picks.
fn neighbour<'a>(
    map: &'a ChannelMap,
    channel: &Channel,
    towards: impl Fn(u8, u8) -> bool,
) -> Option<&'a Channel> {
    let mine = rank(channel.role);
    map.channels
        .iter()
        .filter(|other| towards(mine, rank(other.role)) && meets(channel, other))
        .min_by_key(|other| rank(other.role).abs_diff(mine))
}

/// The speaker below `channel`, if it has one.
pub(super) fn lower_of<'a>(map: &'a ChannelMap, channel: &Channel) -> Option<&'a Channel> {
    neighbour(map, channel, |mine, other| other < mine)
}

/// The speaker above `channel`, if it has one.
pub(super) fn neighbour_above<'a>(map: &'a ChannelMap, channel: &Channel) -> Option<&'a Channel> {
    neighbour(map, channel, |mine, other| other > mine)
}

/// Every channel, the highest first.
pub(super) fn in_order(map: &ChannelMap) -> Vec<&Channel> {
    let mut all: Vec<&Channel> = map.channels.iter().collect();
    all.sort_by_key(|it| std::cmp::Reverse(rank(it.role)));
    all
}

/// A subwoofer meets everything; others meet on their own side and in their own row. A full-range speaker has nothing
/// above it.
fn meets(a: &Channel, b: &Channel) -> bool {
    let bass = a.role == Role::Subwoofer || b.role == Role::Subwoofer;
    let full = a.role == Role::FullRange || b.role == Role::FullRange;
    bass || (!full && a.side == b.side && a.side != Side::Both && a.place == b.place)
}

/// The middle, in octaves, of what both can play; the edge of the upper where they do not overlap.
fn meeting_hz(lower: &Channel, upper: &Channel) -> f64 {
    let from_hz = upper.safe_band_hz.0.max(upper.safe_frequency_hz.unwrap_or(0.0));
    let to_hz = lower.safe_band_hz.1.max(from_hz);
    two_digits((from_hz * to_hz).sqrt())
}

/// Two digits are what a tuner types in.
pub(super) fn two_digits(frequency_hz: f64) -> f64 {
    let digit = 10_f64.powf(frequency_hz.log10().floor() - 1.0);
    (frequency_hz / digit).round() * digit
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::voicing::invented::channel;

    #[test]
    fn neighbours_share_one_crossover_and_a_tweeter_is_never_left_open() {
        let map = ChannelMap {
            channels: vec![
                channel("tweeter", 1, Role::Tweeter, Side::Left, (1800.0, 20_000.0)),
                channel("woofer", 2, Role::Woofer, Side::Left, (45.0, 6000.0)),
                channel("other woofer", 3, Role::Woofer, Side::Right, (45.0, 6000.0)),
                channel("subwoofer", 4, Role::Subwoofer, Side::Both, (20.0, 300.0)),
            ],
        };
        let limits: Limits =
            serde_json::from_str(include_str!("../../../../assets/limits/small-parametric.json")).unwrap();
        let edges = |name: &str| -> Vec<(Pass, f64)> {
            crossovers(&map, map.channel(name).unwrap(), &limits)
                .iter()
                .map(|it| (it.pass, it.frequency_hz))
                .collect()
        };
        assert_eq!(edges("tweeter"), [(Pass::High, 3300.0)]);
        assert_eq!(edges("woofer"), [(Pass::High, 120.0), (Pass::Low, 3300.0)]);
        assert_eq!(edges("other woofer"), [(Pass::High, 120.0)]);
        assert_eq!(edges("subwoofer"), [(Pass::Low, 120.0)]);
    }
}
