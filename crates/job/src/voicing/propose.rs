//! Equalisation towards the target, for one channel, one side, or the whole car.

use dsp::correct::{Options, propose as fit};
use dsp::curve::Curve;
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::{LeftAlone, Predicted, Section, Tune};
use garage::{Reason, Side};
use serde::Serialize;

use super::align::{refresh, set_levels, working_band};
use super::predict::{Prediction, Scope, predict};
use super::target_error::fit_target;
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::judged::Judged;
use crate::source::{SIDES, side_name};

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
/// A correction of both channels at a joint would be undone by the other: a side is corrected from here above it.
const ABOVE_JOINT: f64 = 1.25;

/// Proposes the equalisation of `scope` and puts it in place of what that scope had.
///
/// A channel is corrected over the band its crossovers leave it. A side gets the same bands on every channel that plays
/// for it alone, above the joint with what plays for both. The whole car is each shared channel, then the levels, then
/// each side.
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
    let before = predict(cabin, tune, scope)?;
    let mut made = Judged::good(Made { tune: tune.clone(), ..Made::default() });
    match scope {
        Scope::Channel(name) => channel(cabin, name, target, limits, &mut made)?,
        Scope::Side(side) => one_side(cabin, *side, target, limits, &mut made)?,
        Scope::Whole => whole(cabin, target, limits, &mut made)?,
    }
    refresh(&mut made.result.tune)?;
    let after = predict(cabin, &made.result.tune, scope)?;
    let band_hz = heard_band(cabin, scope);
    let error_db = Predicted {
        rms_error_db_before: rms(&before, target, band_hz),
        rms_error_db_after: rms(&after, target, band_hz),
    };
    let Made { mut tune, reasons, left_alone } = made.result;
    tune.predicted = error_db;
    tune.left_alone.clone_from(&left_alone);
    let result =
        Proposal { tune, reasons, left_alone, before: before.average, predicted: after.average, error_db };
    Ok(Judged { result, verdict: made.verdict, remarks: made.remarks })
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

#[derive(Default)]
struct Made {
    tune: Tune,
    reasons: Vec<Reason>,
    left_alone: Vec<LeftAlone>,
}

fn channel(
    cabin: &CabinCurves,
    name: &str,
    target: &Target,
    limits: &Limits,
    made: &mut Judged<Made>,
) -> Result<(), JobError> {
    let scope = Scope::Channel(name.to_owned());
    set_sections(&mut made.result.tune, &[name], &[]);
    let Some(settings) = made.result.tune.channels.iter().find(|it| it.name == name) else {
        return Err(JobError::Input(format!("the tune has no channel \"{name}\"")));
    };
    let band_hz = cabin.channel(name).map_or(HEARD_HZ, |it| it.band_hz);
    let (from_hz, to_hz) = working_band(settings, band_hz);
    let span_hz = (from_hz.max(HEARD_HZ.0), to_hz.min(HEARD_HZ.1));
    let sections = bands(cabin, &scope, target, limits, span_hz, name, made)?;
    set_sections(&mut made.result.tune, &[name], &sections);
    Ok(())
}

fn one_side(
    cabin: &CabinCurves,
    side: Side,
    target: &Target,
    limits: &Limits,
    made: &mut Judged<Made>,
) -> Result<(), JobError> {
    let own: Vec<&str> =
        cabin.channels.iter().filter(|it| it.side == side).map(|it| it.name.as_str()).collect();
    if own.is_empty() {
        return Err(JobError::Input(format!("no channel plays for the {} side alone", side_name(side))));
    }
    set_sections(&mut made.result.tune, &own, &[]);
    let shared = cabin.channels.iter().any(|it| it.side == Side::Both);
    let lowest_hz = made
        .result
        .tune
        .channels
        .iter()
        .filter(|it| own.contains(&it.name.as_str()))
        .filter_map(|it| Some(working_band(it, cabin.channel(&it.name)?.band_hz).0))
        .fold(f64::INFINITY, f64::min);
    let scope = Scope::Side(side);
    let (from_hz, to_hz) = heard_band(cabin, &scope);
    let from_hz = if shared { lowest_hz * ABOVE_JOINT } else { from_hz };
    let sections = bands(cabin, &scope, target, limits, (from_hz, to_hz), side_name(side), made)?;
    set_sections(&mut made.result.tune, &own, &sections);
    Ok(())
}

fn whole(
    cabin: &CabinCurves,
    target: &Target,
    limits: &Limits,
    made: &mut Judged<Made>,
) -> Result<(), JobError> {
    for shared in cabin.channels.iter().filter(|it| it.side == Side::Both) {
        channel(cabin, &shared.name, target, limits, made)?;
    }
    let levelled = set_levels(cabin, &made.result.tune, target, limits)?;
    made.result.tune = levelled.result.tune;
    made.result.reasons.extend(levelled.result.reasons);
    made.verdict = made.verdict.max(levelled.verdict);
    made.remarks.extend(levelled.remarks);
    for (side, _) in SIDES {
        if cabin.channels.iter().any(|it| it.side == side) {
            one_side(cabin, side, target, limits, made)?;
        }
    }
    Ok(())
}

/// Fits bands to what `scope` is predicted to be without them.
fn bands(
    cabin: &CabinCurves,
    scope: &Scope,
    target: &Target,
    limits: &Limits,
    (from_hz, to_hz): (f64, f64),
    subject: &str,
    made: &mut Judged<Made>,
) -> Result<Vec<Section>, JobError> {
    refresh(&mut made.result.tune)?;
    let bare = predict(cabin, &made.result.tune, scope)?.average;
    // Takes end a little inside the band that was swept.
    let measured = |end: Option<&f64>, or: f64| end.copied().unwrap_or(or);
    let from_hz = from_hz.max(measured(bare.frequency_hz.first(), from_hz));
    let to_hz = to_hz.min(measured(bare.frequency_hz.last(), to_hz));
    let options = Options { from_hz, to_hz, ..Options::default() };
    let proposal = fit(&bare, target, limits, &options)
        .map_err(|error| JobError::Analysis(format!("{subject}: {error}")))?;
    if let Some(reason) = reason(subject, &proposal.sections) {
        made.result.reasons.push(reason);
    }
    let named = |region: LeftAlone| LeftAlone { reason: format!("{subject}: {}", region.reason), ..region };
    made.result.left_alone.extend(proposal.left_alone.into_iter().map(named));
    Ok(proposal.sections)
}

fn reason(subject: &str, sections: &[Section]) -> Option<Reason> {
    let strongest = sections.iter().max_by(|a, b| a.gain_db.abs().total_cmp(&b.gain_db.abs()))?;
    let words = format!(
        "{} band{} of equalisation bring it towards the target, the strongest {:+.1} dB at {}.",
        sections.len(),
        if sections.len() == 1 { "" } else { "s" },
        strongest.gain_db,
        crate::handover::changes::hertz(strongest.frequency_hz)
    );
    Some(Reason { subject: subject.to_owned(), words })
}

fn set_sections(tune: &mut Tune, names: &[&str], sections: &[Section]) {
    for channel in tune.channels.iter_mut().filter(|it| names.contains(&it.name.as_str())) {
        channel.sections = sections.to_vec();
        channel.fir = None;
    }
}
