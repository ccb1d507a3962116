//! Slopes that speaker and filter are to have together: which channels share one, and the filters that reach it.

use dsp::correct::{OffSlope, filter_for_slope, off_slope};
use dsp::curve::Curve;
use dsp::filter::{ChannelFilter, stages_of};
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass, Tune};
use dsp::verdict::Verdict;
use garage::{Channel, ChannelMap, Reason};

use super::align::{Voiced, refresh};
use super::join::mate;
use super::start::lower_of;
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::handover::changes::hertz;
use crate::judged::Judged;

/// A protected speaker's filter alone is at least this far down at its safe frequency: about what a fourth-order one does
/// a third of an octave above it (common practice, no source).
const PROTECTED_DB: f64 = -9.0;
/// A slope that is missed by more is said to be missed.
const POOR_DB: f64 = 2.0;

/// Every side of every channel at the crossover that `name` has on `pass`: the lower speaker or pair, and all that it hands
/// over to. What is chosen for one holds for all, or they would not add up. The channel itself and its like on the other
/// side where it meets nobody.
pub fn sharing(map: &ChannelMap, name: &str, pass: Pass) -> Vec<(String, Pass)> {
    let Some(channel) = map.channels.iter().find(|it| it.name == name) else { return Vec::new() };
    let both = |one: &Channel| -> Vec<String> {
        std::iter::once(one).chain(mate(map, one)).map(|it| it.name.clone()).collect()
    };
    let lower = match pass {
        Pass::High => lower_of(map, channel),
        Pass::Low => Some(channel),
    };
    let lower: Vec<String> = lower.map(both).unwrap_or_default();
    let meets = |it: &&Channel| lower_of(map, it).is_some_and(|below| lower.contains(&below.name));
    let upper: Vec<String> = map.channels.iter().filter(meets).map(|it| it.name.clone()).collect();
    if lower.is_empty() || upper.is_empty() {
        return both(channel).into_iter().map(|it| (it, pass)).collect();
    }
    let upper = upper.into_iter().map(|it| (it, Pass::High));
    upper.chain(lower.into_iter().map(|it| (it, Pass::Low))).collect()
}

/// Sets, for every slope that the tune asks of speaker and filter together, the filter of the processor that comes nearest
/// to it with the speaker as measured and the bands it has. Left and right of a pair get the same.
///
/// A protected speaker's filter stays above its safe frequency and is at least 9 dB down there, whatever its own slope is.
///
/// # Errors
/// A slope or a filter that cannot be at the tune's sample rate.
pub fn reach_slopes(
    cabin: &CabinCurves,
    map: &ChannelMap,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
) -> Result<Judged<Voiced>, JobError> {
    let mut judged = Judged::good(Voiced { tune: tune.clone(), reasons: Vec::new() });
    for (at, settings) in tune.channels.iter().enumerate() {
        for wanted in &settings.acoustic {
            let Some(found) = reach(cabin, map, tune, settings, wanted, target, limits)? else {
                judged.note(
                    Verdict::Usable,
                    format!(
                        "{}: no filter of this processor was found for its slope at {}; what is set stays.",
                        settings.name,
                        hertz(wanted.frequency_hz)
                    ),
                );
                continue;
            };
            let (filter, off) = found;
            let crossovers = &mut judged.result.tune.channels[at].crossovers;
            crossovers.retain(|it| it.pass != wanted.pass);
            crossovers.push(filter);
            crossovers.sort_by_key(|it| it.pass == Pass::Low);
            let words = format!(
                "Its {} is {}: with the speaker that follows {} to {:.1} dB rms, between {} and {}.",
                if wanted.pass == Pass::High { "high-pass" } else { "low-pass" },
                in_words(&filter),
                in_words(wanted),
                off.rms_db,
                hertz(off.region_hz.0),
                hertz(off.region_hz.1)
            );
            judged.result.reasons.push(Reason { subject: settings.name.clone(), words });
            if off.rms_db > POOR_DB {
                judged.note(
                    Verdict::Usable,
                    format!(
                        "{} misses its slope by {:.1} dB with the best filter there is: bands can mend what is left, or choose \
                         another frequency.",
                        settings.name, off.rms_db
                    ),
                );
            }
        }
    }
    refresh(&mut judged.result.tune)?;
    Ok(judged)
}

/// How far a channel is from the slope it is to have on `pass`, as it is set; `None` where it was not measured there.
pub fn away_from_slope(
    cabin: &CabinCurves,
    settings: &ChannelTune,
    pass: Pass,
    target: &Target,
    rate_hz: f64,
) -> Option<OffSlope> {
    let wanted = settings.slope(pass)?;
    let driver = shaped(cabin, settings, target, rate_hz)?;
    let filters: Vec<Crossover> = settings.crossovers.iter().filter(|it| it.pass == pass).copied().collect();
    off_slope(&driver, &filters, wanted, rate_hz).ok()?
}

fn reach(
    cabin: &CabinCurves,
    map: &ChannelMap,
    tune: &Tune,
    settings: &ChannelTune,
    wanted: &Crossover,
    target: &Target,
    limits: &Limits,
) -> Result<Option<(Crossover, OffSlope)>, JobError> {
    let rate_hz = tune.sample_rate_hz;
    let Some(mut driver) = shaped(cabin, settings, target, rate_hz) else { return Ok(None) };
    let channel = map.channels.iter().find(|it| it.name == settings.name);
    let other = channel.and_then(|it| mate(map, it)).and_then(|it| {
        let settings = tune.channels.iter().find(|tuned| tuned.name == it.name)?;
        shaped(cabin, settings, target, rate_hz)
    });
    if let Some(other) = other {
        for (f, level_db) in driver.frequency_hz.iter().zip(&mut driver.level_db) {
            *level_db = other.level_at_db(*f).map_or(*level_db, |mate_db| 0.5 * (*level_db + mate_db));
        }
    }
    let own: Vec<Crossover> =
        settings.crossovers.iter().filter(|it| it.pass == wanted.pass).copied().collect();
    let room = limits.bands_left(settings) + limits.bands_of_crossovers(&own);
    let fits = |(family, order): &(CrossoverFamily, u8)| {
        !limits.crossovers_take_bands || stages_of(*family, *order) <= room
    };
    let choices: Vec<(CrossoverFamily, u8)> = CrossoverFamily::ALL
        .into_iter()
        .flat_map(|family| limits.crossover_orders(family).into_iter().map(move |order| (family, order)))
        .filter(fits)
        .collect();
    let safe_hz = channel.and_then(|it| it.safe_frequency_hz).filter(|_| wanted.pass == Pass::High);
    let allowed = |filter: &Crossover| safe_hz.is_none_or(|safe_hz| protects(filter, safe_hz, rate_hz));
    filter_for_slope(&driver, wanted, &choices, allowed, rate_hz)
        .map_err(|error| JobError::Input(format!("channel \"{}\": {error}", settings.name)))
}

fn protects(filter: &Crossover, safe_hz: f64, rate_hz: f64) -> bool {
    let alone = ChannelTune { crossovers: vec![*filter], ..ChannelTune::default() };
    let level_db = ChannelFilter::new(&alone, rate_hz)
        .ok()
        .and_then(|filter| filter.levels_db(&[safe_hz]).first().copied());
    filter.order >= 2 && filter.frequency_hz >= safe_hz && level_db.is_some_and(|db| db <= PROTECTED_DB)
}

/// The speaker through its bands, less the target's shape.
fn shaped(cabin: &CabinCurves, settings: &ChannelTune, target: &Target, rate_hz: f64) -> Option<Curve> {
    let bands = ChannelTune { sections: settings.sections.clone(), ..ChannelTune::default() };
    let mut curve =
        ChannelFilter::new(&bands, rate_hz).ok()?.predict(&cabin.channel(&settings.name)?.average);
    for (f, level_db) in curve.frequency_hz.iter().zip(&mut curve.level_db) {
        *level_db -= target.level_at_db(*f);
    }
    Some(curve)
}

fn in_words(it: &Crossover) -> String {
    format!("{}, {} dB/oct at {}", it.family, 6 * u32::from(it.order), hertz(it.frequency_hz))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cabin::ChannelCurves;
    use crate::voicing::invented::channel;
    use dsp::curve::log_grid_hz;
    use garage::{Role, Side};

    fn map() -> ChannelMap {
        let pair = |name: &str, role, band| {
            [("left", Side::Left), ("right", Side::Right)]
                .map(|(word, side)| channel(&format!("{word} {name}"), 1, role, side, band))
        };
        let mut channels = pair("tweeter", Role::Tweeter, (2000.0, 20_000.0)).to_vec();
        channels.extend(pair("woofer", Role::Woofer, (40.0, 6000.0)));
        channels.push(channel("subwoofer", 1, Role::Subwoofer, Side::Both, (20.0, 300.0)));
        ChannelMap { channels }
    }

    fn edge(pass: Pass, family: CrossoverFamily, order: u8, frequency_hz: f64) -> Crossover {
        Crossover { pass, family, order, frequency_hz }
    }

    /// Every speaker level but for a slope of its own.
    fn measured(own: &[(&str, Crossover)]) -> CabinCurves {
        let channel = |(name, own): &(&str, Crossover)| {
            let hz = log_grid_hz(20.0, 20_000.0, 48.0);
            let alone = ChannelTune { crossovers: vec![*own], ..ChannelTune::default() };
            let levels = ChannelFilter::new(&alone, 96_000.0).unwrap().levels_db(&hz);
            ChannelCurves {
                name: (*name).to_owned(),
                side: Side::Left,
                place: garage::channels::Place::Front,
                band_hz: (20.0, 20_000.0),
                positions: Vec::new(),
                average: Curve::of_levels(hz, levels),
                thd_percent: Vec::new(),
            }
        };
        CabinCurves { channels: own.iter().map(channel).collect(), ..CabinCurves::default() }
    }

    fn flat() -> Target {
        Target { name: "flat".into(), points: vec![(20.0, 0.0), (20_000.0, 0.0)], tolerance_db: 3.0 }
    }

    fn limits() -> Limits {
        serde_json::from_str(include_str!("../../../../assets/limits/large-parametric.json")).unwrap()
    }

    fn asked(slope: Crossover) -> Tune {
        let mut tune = super::super::start_tune(&map(), &limits()).unwrap();
        for (name, pass) in sharing(&map(), "left woofer", Pass::Low) {
            let channel = tune.channels.iter_mut().find(|it| it.name == name).unwrap();
            channel.acoustic.push(Crossover { pass, ..slope });
        }
        tune
    }

    fn filter<'a>(tune: &'a Tune, name: &str, pass: Pass) -> &'a Crossover {
        let channel = tune.channels.iter().find(|it| it.name == name).unwrap();
        channel.crossovers.iter().find(|it| it.pass == pass).unwrap()
    }

    #[test]
    fn what_is_chosen_for_one_side_of_a_crossover_holds_on_all_of_them() {
        let names = |name, pass| -> Vec<String> {
            sharing(&map(), name, pass).into_iter().map(|(name, pass)| format!("{name} {pass:?}")).collect()
        };
        let top = ["left tweeter High", "right tweeter High", "left woofer Low", "right woofer Low"];
        assert_eq!(names("left tweeter", Pass::High), top);
        let low = ["left woofer High", "right woofer High", "subwoofer Low"];
        assert_eq!(names("subwoofer", Pass::Low), low);
        // A tweeter has nothing above it; its like on the other side still gets the same.
        assert_eq!(names("left tweeter", Pass::Low), ["left tweeter Low", "right tweeter Low"]);
    }

    #[test]
    fn a_woofer_that_is_half_the_slope_gets_the_other_half_and_a_tweeter_stays_safe() {
        use CrossoverFamily::{Butterworth, LinkwitzRiley};
        let half = |pass| edge(pass, Butterworth, 2, 2500.0);
        let cabin = measured(&[
            ("left woofer", half(Pass::Low)),
            ("right woofer", half(Pass::Low)),
            ("left tweeter", half(Pass::High)),
        ]);
        let tune = asked(edge(Pass::Low, LinkwitzRiley, 4, 2500.0));
        let found = reach_slopes(&cabin, &map(), &tune, &flat(), &limits()).unwrap();
        for name in ["left woofer", "right woofer"] {
            assert_eq!(*filter(&found.result.tune, name, Pass::Low), half(Pass::Low), "{name}");
            // The other end keeps its filter.
            assert_eq!(filter(&found.result.tune, name, Pass::High), filter(&tune, name, Pass::High));
        }
        // The other half alone would leave too much at the tweeter's safe frequency of 2 kHz.
        let tweeter = filter(&found.result.tune, "left tweeter", Pass::High);
        assert!(protects(tweeter, 2000.0, 96_000.0) && *tweeter != half(Pass::High), "{tweeter:?}");
        // Not measured: said, and left as it was.
        assert!(found.remarks.iter().any(|it| it.contains("right tweeter")), "{:?}", found.remarks);
        let woofer = found.result.tune.channels.iter().find(|it| it.name == "left woofer").unwrap();
        let away = away_from_slope(&cabin, woofer, Pass::Low, &flat(), 96_000.0).unwrap();
        assert!(away.rms_db < 0.05, "{away:?}");
    }

    #[test]
    fn filters_that_take_bands_stay_within_them() {
        let level = edge(Pass::Low, CrossoverFamily::Bessel, 1, 19_000.0);
        let cabin = measured(&[("left woofer", level), ("right woofer", level)]);
        let tune = asked(edge(Pass::Low, CrossoverFamily::LinkwitzRiley, 8, 2500.0));
        let taking = Limits { bands: 4, crossovers_take_bands: true, ..limits() };
        let found = reach_slopes(&cabin, &map(), &tune, &flat(), &taking).unwrap().result.tune;
        let woofer = found.channels.iter().find(|it| it.name == "left woofer").unwrap();
        assert!(taking.bands_of_crossovers(&woofer.crossovers) <= 4, "{woofer:?}");
        let free = reach_slopes(&cabin, &map(), &tune, &flat(), &limits()).unwrap().result.tune;
        assert_eq!(filter(&free, "left woofer", Pass::Low).order, 8);
    }
}
