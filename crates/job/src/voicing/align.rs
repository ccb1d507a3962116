//! Level, delay and polarity of every channel, so that the speakers of a car play as one.

use dsp::align::{AlignedChannel, Options, Speaker, align as align_impulses};
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::{ChannelTune, Polarity, Tune};
use dsp::verdict::Verdict;
use garage::Reason;
use garage::channels::Place;

use super::predict::{Scope, predict};
use super::system::shared_positions;
use super::target_error::fit_target;
use crate::cabin::{CabinCurves, ChannelCurves};
use crate::error::JobError;
use crate::judged::Judged;

/// A tune with what was done to it, in words.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Voiced {
    /// The settings.
    pub tune: Tune,
    /// What was done and why, per channel.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
}

/// Sets polarity and delay of each channel from its direct sound.
///
/// Delays need one time base: takes without a reference are refused.
///
/// # Errors
/// Takes without a time reference, fewer than one position shared by all, a response without a usable band.
pub fn align(
    cabin: &CabinCurves,
    tune: &Tune,
    limits: &Limits,
    temperature_c: Option<f64>,
) -> Result<Judged<Voiced>, JobError> {
    arrivals(cabin, tune, limits, temperature_c, true)
}

/// As [`align`]; without `join_subwoofers` for joints that are made later through the crossovers.
pub(super) fn arrivals(
    cabin: &CabinCurves,
    tune: &Tune,
    limits: &Limits,
    temperature_c: Option<f64>,
    join_subwoofers: bool,
) -> Result<Judged<Voiced>, JobError> {
    let positions = shared_positions(&cabin.channels);
    let rate_hz =
        cabin.channels.first().and_then(|it| it.positions.first()).map_or(48_000.0, |it| it.rate_hz);
    let speakers: Vec<Speaker> = cabin
        .channels
        .iter()
        .map(|channel| Speaker { name: channel.name.clone(), impulses: impulses(channel, &positions) })
        .collect();
    let untimed = cabin.channels.iter().flat_map(|it| &it.positions).any(|it| it.arrival_ms.is_none());
    if untimed {
        return Err(JobError::not_yet(
            "some takes have no time reference, so that arrivals cannot be compared",
            "connect the loop-back and choose its input in Intake, then take the positions again",
        ));
    }
    let options = Options {
        rate_hz,
        processor_rate_hz: limits.sample_rate_hz,
        temperature_c: temperature_c.unwrap_or(20.0),
        delay: limits.delay_ms,
        join_subwoofers,
    };
    let alignment =
        align_impulses(&speakers, options).map_err(|error| JobError::Analysis(error.to_string()))?;
    let mut judged = Judged::good(Voiced { tune: tune.clone(), reasons: Vec::new() });
    judged.remarks.extend(alignment.remarks);
    for found in &alignment.channels {
        let Some(channel) = judged.result.tune.channels.iter_mut().find(|it| it.name == found.name) else {
            continue;
        };
        channel.delay_ms = found.delay_ms;
        channel.polarity = if found.invert { Polarity::Inverted } else { Polarity::Normal };
        judged.result.reasons.extend(reasons(found));
    }
    refresh(&mut judged.result.tune)?;
    Ok(judged)
}

fn reasons(found: &AlignedChannel) -> Option<Reason> {
    let mut words = Vec::new();
    if found.delay_ms > 0.0 {
        words.push(format!(
            "delayed by {:.2} ms, so that its sound arrives with the farthest speaker's",
            found.delay_ms
        ));
    }
    if found.invert {
        words.push("turned over, because it played the other way round".to_owned());
    }
    (!words.is_empty())
        .then(|| Reason { subject: found.name.clone(), words: format!("It was {}.", words.join(" and ")) })
}

/// A channel this much quieter than the rest is looked at before everything else is turned down to it.
const ODD_LEVEL_DB: f64 = 15.0;

/// Sets the level of each channel so that, over the band its crossovers leave it, all lie on the target alike.
///
/// Only turns down: the quietest channel stays as it is. Speakers behind the front seats do not pull the front down: what
/// is softer there stays so, since the stage is in front (common practice, no source). A channel far quieter than the
/// others is not allowed to either; it is left as it is and named.
///
/// # Errors
/// A scope that cannot be predicted.
pub fn set_levels(
    cabin: &CabinCurves,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
) -> Result<Judged<Voiced>, JobError> {
    let mut levels: Vec<(&ChannelCurves, f64)> = Vec::new();
    for channel in &cabin.channels {
        let Some(settings) = tune.channels.iter().find(|it| it.name == channel.name) else { continue };
        let unlevelled = Tune {
            channels: vec![ChannelTune { gain_db: 0.0, ..settings.clone() }],
            sample_rate_hz: tune.sample_rate_hz,
            ..Tune::default()
        };
        let predicted = predict(cabin, &unlevelled, &Scope::Channel(channel.name.clone()))?;
        let (from_hz, to_hz) = working_band(settings, channel.band_hz);
        if let Some((level_db, _)) = fit_target(&predicted.average, target, from_hz, to_hz) {
            levels.push((channel, level_db));
        }
    }
    let mut sorted: Vec<f64> = levels.iter().map(|it| it.1).collect();
    sorted.sort_by(f64::total_cmp);
    let median_db = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let heard = |level_db: f64| level_db > median_db - ODD_LEVEL_DB;
    let quietest = |of: &dyn Fn(&ChannelCurves) -> bool| {
        let able = levels.iter().filter(|(channel, level_db)| of(channel) && heard(*level_db));
        able.map(|it| it.1).reduce(f64::min)
    };
    let quietest_db =
        quietest(&|it| it.place != Place::Rear).or_else(|| quietest(&|_| true)).unwrap_or(median_db);
    let mut judged = Judged::good(Voiced { tune: tune.clone(), reasons: Vec::new() });
    for (measured, level_db) in &levels {
        let name = &measured.name;
        let Some(channel) = judged.result.tune.channels.iter_mut().find(|it| it.name == *name) else {
            continue;
        };
        if !heard(*level_db) {
            let words = format!(
                "{name} is {:.0} dB quieter than the other channels; its level was left alone. Check its amplifier and wiring.",
                median_db - level_db
            );
            judged.note(Verdict::Usable, words);
            continue;
        }
        channel.gain_db = limits.gain_db.on_step(quietest_db - level_db).min(0.0);
        if channel.gain_db < 0.0 {
            let words =
                format!("It was turned down by {:.1} dB, to the level of the quietest.", -channel.gain_db);
            judged.result.reasons.push(Reason { subject: name.clone(), words });
        }
    }
    refresh(&mut judged.result.tune)?;
    Ok(judged)
}

/// The band that the slopes of a channel's crossovers leave it.
pub(crate) fn working_band(settings: &ChannelTune, (low_hz, high_hz): (f64, f64)) -> (f64, f64) {
    settings.slopes().iter().fold((low_hz, high_hz), |(low_hz, high_hz), crossover| match crossover.pass {
        dsp::tune::Pass::High => (low_hz.max(crossover.frequency_hz), high_hz),
        dsp::tune::Pass::Low => (low_hz, high_hz.min(crossover.frequency_hz)),
    })
}

fn impulses(channel: &ChannelCurves, positions: &[String]) -> Vec<Vec<f64>> {
    let at =
        |name: &String| channel.positions.iter().find(|it| it.position == *name).map(|it| it.impulse.clone());
    positions.iter().filter_map(at).collect()
}

pub(super) fn refresh(tune: &mut Tune) -> Result<(), JobError> {
    tune.refresh_biquads().map_err(|(name, error)| JobError::Input(format!("{name}: {error}")))
}
