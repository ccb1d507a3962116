//! Equalisation towards the target, for one channel, one side, or the whole car.

use audio::rig::Watch;
use dsp::correct::{CorrectError, Effort, Options, propose as fit};
use dsp::curve::Curve;
use dsp::filter::{ChannelFilter, GENTLE_SHELF_Q};
use dsp::limits::Limits;
use dsp::system::FEWEST_TAPS;
use dsp::target::Target;
use dsp::tune::{ChannelTune, Crossover, LeftAlone, Predicted, Section, Tune};
use garage::entry::gain_words;
use garage::{Reason, Side};
use serde::Serialize;

use super::align::{refresh, set_levels, working_band};
use super::predict::{Prediction, Scope, predict};
use super::refine::{FOLLOW, Refinement, THOROUGH, broad, refine};
use super::taps::{self, has_taps, tap, tap_seats, without_taps};
use super::target_error::fit_target;
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::judged::Judged;
use crate::source::side_name;

/// A proposed tune.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// The whole tune, with the proposal in it.
    pub tune: Tune,
    /// What was done and why, per channel or side.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
    /// Regions not touched.
    pub left_alone: Vec<LeftAlone>,
    /// The scope as it was.
    pub before: Curve,
    /// The scope as it is expected to be.
    pub predicted: Curve,
    /// Its distance from the target.
    pub error_db: Predicted,
}

/// What is heard of a car: below, a cabin only rumbles; above, one centimetre decides. Common practice, no source.
const HEARD_HZ: (f64, f64) = (20.0, 16_000.0);
/// More are not worth a person's typing for a speaker that plays three or four octaves.
const MOST_BANDS: usize = 12;
/// A channel is made level this far beyond its crossovers: half an octave, over which the slope is the crossover's.
const BEYOND: f64 = std::f64::consts::SQRT_2;

/// Its level belongs to the channel's trim: bands that turn it down by 7 dB must come nearer by as much as 1 dB of rms
/// (squares add). Freer, a subwoofer was cut by 20 dB for tenths of a decibel of shape, and the others could not follow.
const LEVEL_WEIGHT: f64 = 0.02;

/// Proposes the equalisation of `scope` and puts it in place of what that scope had.
///
/// A channel is corrected without its crossovers over the band they leave it and half an octave beyond, so that its
/// acoustic slopes become theirs. A side is each of its channels, then their bands and levels together on the sum; the
/// whole car is every channel, then the levels, then all together. Taps, where the tune has any, are worked out again.
///
/// # Errors
/// A scope without takes, or a processor that has nothing to correct with.
pub fn propose(
    cabin: &CabinCurves,
    scope: &Scope,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
) -> Result<Judged<Proposal>, JobError> {
    propose_with(cabin, scope, tune, target, limits, Effort::Quick)
}

/// As [`propose`] from the bands that are there, fast enough to follow a target that is dragged; taps stay as they are.
///
/// # Errors
/// As [`propose`].
pub fn propose_quickly(
    cabin: &CabinCurves,
    scope: &Scope,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
) -> Result<Judged<Proposal>, JobError> {
    propose_with(cabin, scope, tune, target, limits, Effort::Follow)
}

/// As [`propose_quickly`] for the whole car, with the taps worked out for the bands that come: for when the hand rests. What
/// the tune's own taps did is no part of it.
///
/// # Errors
/// As [`propose`]; stopped by the watch.
pub fn propose_with_taps(
    cabin: &CabinCurves,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
    watch: &Watch,
) -> Result<Judged<Proposal>, JobError> {
    let mut judged = propose_quickly(cabin, &Scope::Whole, &without_taps(tune), target, limits)?;
    let made = &mut judged.result;
    match tap_seats(&[(cabin, 1.0)], &made.tune, target, limits, watch)? {
        Some(tapped) => {
            let after = predict(cabin, &tapped.tune, &Scope::Whole)?;
            made.error_db.rms_error_db_after = rms(&after, target, heard_band(cabin, &Scope::Whole));
            made.predicted = after.average;
            made.reasons.push(taps::reason(&tapped));
            made.tune = Tune { predicted: made.error_db, ..tapped.tune };
        }
        None => made.reasons.push(Reason { subject: "taps".into(), words: taps::NO_TAPS.into() }),
    }
    Ok(judged)
}

fn propose_with(
    cabin: &CabinCurves,
    scope: &Scope,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
    effort: Effort,
) -> Result<Judged<Proposal>, JobError> {
    let before = predict(cabin, tune, scope)?;
    let names: Vec<&str> = match scope {
        Scope::Channel(name) => vec![name.as_str()],
        Scope::Side(side) => own_channels(cabin, *side)?,
        Scope::Whole => cabin.channels.iter().map(|it| it.name.as_str()).collect(),
    };
    // Taps stay as they are while a target is dragged; otherwise they are worked out again for the bands that come.
    let taps_again = effort != Effort::Follow && has_taps(tune);
    let start = if taps_again { without_taps(tune) } else { tune.clone() };
    let mut made = Equalised { tune: start, ..Equalised::default() };
    // Following moves the bands that are there, on the sum: fitted alone, channels would give up what they have together.
    let has_bands = |name: &str| tune.channels.iter().any(|it| it.name == name && !it.sections.is_empty());
    let follows = effort == Effort::Follow && names.iter().all(|name| has_bands(name));
    if !follows || matches!(scope, Scope::Channel(_)) {
        for name in &names {
            channel(cabin, name, target, limits, effort, &mut made)?;
        }
    }
    let mut judged = Judged::good(());
    if *scope == Scope::Whole && !follows {
        let levelled = set_levels(cabin, &made.tune, target, limits)?;
        made.tune = levelled.result.tune;
        made.reasons.extend(levelled.result.reasons);
        judged = Judged { result: (), verdict: levelled.verdict, remarks: levelled.remarks };
    }
    refresh(&mut made.tune)?;
    if !matches!(scope, Scope::Channel(_)) {
        let iterations = if effort == Effort::Follow { FOLLOW } else { THOROUGH };
        let what = Refinement { channels: Some(&names), delays: false, iterations };
        let refined = refine(cabin, &made.tune, target, limits, what)?;
        made.tune = refined.tune;
        made.reasons.extend(refined.reasons);
    }
    if taps_again && let Some(tapped) = tap(cabin, &made.tune, target, limits)? {
        made.reasons.push(taps::reason(&tapped));
        made.tune = tapped.tune;
    }
    let bands = |name: &&str| reason(name, &made.tune.channels.iter().find(|it| it.name == **name)?.sections);
    let bands: Vec<Reason> = names.iter().filter_map(bands).collect();
    made.reasons.splice(0..0, bands);
    let after = predict(cabin, &made.tune, scope)?;
    let band_hz = heard_band(cabin, scope);
    let error_db = Predicted {
        rms_error_db_before: rms(&before, target, band_hz),
        rms_error_db_after: rms(&after, target, band_hz),
    };
    let Equalised { mut tune, reasons, left_alone } = made;
    tune.predicted = error_db;
    tune.left_alone.clone_from(&left_alone);
    let result =
        Proposal { tune, reasons, left_alone, before: before.average, predicted: after.average, error_db };
    Ok(Judged { result, verdict: judged.verdict, remarks: judged.remarks })
}

fn own_channels(cabin: &CabinCurves, side: Side) -> Result<Vec<&str>, JobError> {
    let own: Vec<&str> =
        cabin.channels.iter().filter(|it| it.side == side).map(|it| it.name.as_str()).collect();
    if own.is_empty() {
        return Err(JobError::Input(format!("no channel plays for the {} side alone", side_name(side))));
    }
    Ok(own)
}

/// The band over which `scope` is held against the target.
pub fn heard_band(cabin: &CabinCurves, scope: &Scope) -> (f64, f64) {
    let heard = |side: Side| {
        move |channel: &&crate::cabin::ChannelCurves| {
            side == Side::Both || channel.side == side || channel.side == Side::Both
        }
    };
    let bands: Vec<(f64, f64)> = match scope {
        Scope::Channel(name) => cabin.channel(name).map(|it| it.band_hz).into_iter().collect(),
        Scope::Side(side) => cabin.channels.iter().filter(heard(*side)).map(|it| it.band_hz).collect(),
        Scope::Whole => cabin.channels.iter().map(|it| it.band_hz).collect(),
    };
    let low_hz = bands.iter().map(|it| it.0).fold(f64::INFINITY, f64::min);
    let high_hz = bands.iter().map(|it| it.1).fold(0.0, f64::max);
    (low_hz.max(HEARD_HZ.0), high_hz.min(HEARD_HZ.1))
}

fn rms(prediction: &Prediction, target: &Target, (from_hz, to_hz): (f64, f64)) -> f64 {
    fit_target(&prediction.average, target, from_hz, to_hz).map_or(0.0, |it| it.1)
}

/// A tune with new bands.
#[derive(Default)]
pub(super) struct Equalised {
    pub tune: Tune,
    pub reasons: Vec<Reason>,
    pub left_alone: Vec<LeftAlone>,
}

/// Every channel that was measured, equalised by itself.
pub(super) fn each_channel(
    cabin: &CabinCurves,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
    effort: Effort,
) -> Result<Equalised, JobError> {
    let mut made = Equalised { tune: tune.clone(), ..Equalised::default() };
    for it in &cabin.channels {
        channel(cabin, &it.name, target, limits, effort, &mut made)?;
    }
    refresh(&mut made.tune)?;
    Ok(made)
}

/// Fits the bands of one channel, heard without its crossovers.
fn channel(
    cabin: &CabinCurves,
    name: &str,
    target: &Target,
    limits: &Limits,
    effort: Effort,
    made: &mut Equalised,
) -> Result<(), JobError> {
    let Some(settings) = made.tune.channels.iter().find(|it| it.name == name) else {
        return Err(JobError::Input(format!("the tune has no channel \"{name}\"")));
    };
    let band_hz = cabin.channel(name).map_or(HEARD_HZ, |it| it.band_hz);
    let (from_hz, to_hz) = working_band(settings, band_hz);
    // All-passes belong to a joint and stay.
    let (kept, start): (Vec<Section>, Vec<Section>) =
        settings.sections.iter().copied().partition(|it| !it.kind.has_gain());
    let bare = ChannelTune { name: name.to_owned(), ..ChannelTune::default() };
    let alone = Tune { sample_rate_hz: made.tune.sample_rate_hz, channels: vec![bare], ..Tune::default() };
    let mut heard = predict(cabin, &alone, &Scope::Channel(name.to_owned()))?.average;
    less_slopes(&mut heard, settings, made.tune.sample_rate_hz)?;
    let end = |at: Option<&f64>, or: f64| at.copied().unwrap_or(or);
    let from_hz = (from_hz / BEYOND).max(HEARD_HZ.0).max(end(heard.frequency_hz.first(), from_hz));
    let to_hz = (to_hz * BEYOND).min(HEARD_HZ.1).min(end(heard.frequency_hz.last(), to_hz));
    let start = if effort == Effort::Follow { start } else { Vec::new() };
    let options = Options {
        from_hz,
        to_hz,
        effort,
        start,
        level_weight: LEVEL_WEIGHT,
        shelf_q_max: GENTLE_SHELF_Q,
        ..Options::default()
    };
    let bare = ChannelTune { sections: kept.clone(), ..settings.clone() };
    let most = limits.bands_left(&bare).min(MOST_BANDS);
    if most == 0 && (limits.bands > 0 || limits.fir_taps >= FEWEST_TAPS) {
        // Its crossovers and all-passes take every band there is, or taps stand in place of bands.
        if let Some(settings) = made.tune.channels.iter_mut().find(|it| it.name == name) {
            settings.sections = kept;
        }
        return Ok(());
    }
    let limits = Limits { bands: most, ..broad(limits) };
    let (sections, left_alone) = match fit(&heard, target, &limits, &options) {
        Ok(proposal) => (proposal.sections, proposal.left_alone),
        // One speaker that is not known well enough is no reason to leave the others.
        Err(CorrectError::Nothing { left_alone }) => (Vec::new(), left_alone),
        Err(error) => return Err(JobError::Analysis(format!("{name}: {error}"))),
    };
    let named = |region: LeftAlone| LeftAlone { reason: format!("{name}: {}", region.reason), ..region };
    made.left_alone.extend(left_alone.into_iter().map(named));
    if let Some(settings) = made.tune.channels.iter_mut().find(|it| it.name == name) {
        settings.sections = sections.into_iter().chain(kept).collect();
    }
    Ok(())
}

/// Where a slope was chosen apart from the filter, bands bring speaker and filter together onto it: what the filter does
/// beyond the slope is part of what they find. Nothing where the filter is the slope.
fn less_slopes(heard: &mut Curve, settings: &ChannelTune, rate_hz: f64) -> Result<(), JobError> {
    let levels_db = |crossovers: Vec<Crossover>| {
        let alone = ChannelTune { crossovers, ..ChannelTune::default() };
        ChannelFilter::new(&alone, rate_hz)
            .map(|filter| filter.levels_db(&heard.frequency_hz))
            .map_err(|error| JobError::Input(format!("tune, channel \"{}\": {error}", settings.name)))
    };
    let chosen = |it: &&Crossover| settings.acoustic.iter().any(|slope| slope.pass == it.pass);
    let filters = levels_db(settings.crossovers.iter().filter(chosen).copied().collect())?;
    let slopes = levels_db(settings.acoustic.clone())?;
    for ((level_db, filter_db), slope_db) in heard.level_db.iter_mut().zip(filters).zip(slopes) {
        *level_db += filter_db - slope_db;
    }
    Ok(())
}

/// What the bands of a channel do, in a sentence.
pub(super) fn reason(subject: &str, sections: &[Section]) -> Option<Reason> {
    let sections: Vec<&Section> = sections.iter().filter(|it| it.kind.has_gain()).collect();
    let strongest = sections.iter().max_by(|a, b| a.gain_db.abs().total_cmp(&b.gain_db.abs()))?;
    let words = format!(
        "{} band{} of equalisation bring it towards the target, the strongest {} at {}.",
        sections.len(),
        if sections.len() == 1 { "" } else { "s" },
        gain_words(strongest.gain_db),
        crate::handover::changes::hertz(strongest.frequency_hz)
    );
    Some(Reason { subject: subject.to_owned(), words })
}
