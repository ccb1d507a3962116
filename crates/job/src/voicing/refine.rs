//! The joint refinement: levels, delays and bands of all channels together, on the sum as it is heard.

use dsp::limits::Limits;
use dsp::system::{Freedom, refine as refine_system};
use dsp::target::Target;
use dsp::tune::{ChannelTune, Pass, Tune};
use garage::Reason;
use serde::Serialize;

use super::align::refresh;
use super::ears::bring_sides_together;
use super::system::{aim_of, seats_as_system, system_of};
use super::taps::without_taps;
use crate::cabin::CabinCurves;
use crate::error::JobError;

/// A refined tune.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Refined {
    /// The settings; as they came where nothing better was found.
    pub tune: Tune,
    /// What was done, where it was worth it.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
    /// Rms distance of all sides, and of the low bass of both, from the target, before.
    pub before_db: f64,
    /// The same after; never more.
    pub after_db: f64,
}

/// What may move, and how long to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Refinement<'a> {
    /// The channels whose settings may move; all where it is `None`.
    pub channels: Option<&'a [&'a str]>,
    /// Delays may move by a twelfth of a period at the crossover above.
    pub delays: bool,
    /// Steps of the search.
    pub iterations: usize,
}

/// All there is to find, within about a second.
pub const THOROUGH: usize = 40;
/// While a target is dragged.
pub const FOLLOW: usize = 4;

/// A delay moves no further than this share of a period: the joint chose the cycle, and left and right stay alike.
const DELAY_PERIODS: f64 = 1.0 / 12.0;

/// Refines `tune` for one seat; where all delays may move, the sides are brought together at the ears besides.
///
/// # Errors
/// A tune with a filter that cannot be.
pub fn refine(
    cabin: &CabinCurves,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
    what: Refinement,
) -> Result<Refined, JobError> {
    let mut refined = refine_seats(&[(cabin, 1.0)], tune, target, limits, what)?;
    if what.delays && what.channels.is_none() {
        let error_db = |tune: &Tune| whole_error_db(cabin, tune, target);
        refined.tune = bring_sides_together(cabin, &refined.tune, limits, refined.before_db, error_db)?;
        refined.after_db = error_db(&refined.tune);
    }
    Ok(refined)
}

/// The same for several seats, each with its weight.
pub(super) fn refine_seats(
    seats: &[(&CabinCurves, f64)],
    tune: &Tune,
    target: &Target,
    limits: &Limits,
    what: Refinement,
) -> Result<Refined, JobError> {
    let limits = &broad(limits);
    let Some((first, _)) = seats.first() else {
        return Err(JobError::not_yet("no seat was measured", "take its positions in Cabin first"));
    };
    let mut system = seats_as_system(seats);
    // Taps stay as they are.
    system.hold_taps(tune);
    let aim = aim_of(first, target, seats.len());
    let is_free = |channel: &ChannelTune| what.channels.is_none_or(|it| it.contains(&channel.name.as_str()));
    let delay_s = |channel: &ChannelTune| match upper_edge_hz(channel) {
        Some(hz) if what.delays && is_free(channel) => DELAY_PERIODS / hz,
        _ => 0.0,
    };
    let freedom = Freedom {
        free: tune.channels.iter().map(is_free).collect(),
        delay_s: tune.channels.iter().map(delay_s).collect(),
        iterations: what.iterations,
        prune: what.iterations > FOLLOW,
    };
    let found = refine_system(&system, &aim, &without_taps(tune), limits, &freedom);
    let mut refined = found.tune;
    for channel in &mut refined.channels {
        let own = tune.channels.iter().find(|it| it.name == channel.name);
        channel.fir = own.and_then(|it| it.fir.clone());
    }
    let mut tune = refined;
    refresh(&mut tune)?;
    let mut reasons = Vec::new();
    // What is less would not be heard.
    if found.before_db - found.after_db > 0.1 {
        let words = format!(
            "Levels, delays and bands of all channels were refined together: the expected distance from the target fell \
             from {:.1} to {:.1} dB.",
            found.before_db, found.after_db
        );
        reasons.push(Reason { subject: "whole car".into(), words });
    }
    Ok(Refined { tune, reasons, before_db: found.before_db, after_db: found.after_db })
}

/// A band of 1/5 octave is as narrow as positions a hand's breadth apart agree on (common practice, no source).
const NARROWEST_Q: f64 = 6.0;

/// The limits without bands so narrow that they would fit one position and no other.
pub(super) fn broad(limits: &Limits) -> Limits {
    let mut broad = limits.clone();
    broad.q.max = broad.q.max.min(NARROWEST_Q).max(broad.q.min);
    broad
}

/// Rms distance of all sides from the target, at one level, and of the low bass of both at its own.
pub fn whole_error_db(cabin: &CabinCurves, tune: &Tune, target: &Target) -> f64 {
    system_of(cabin).error_db(&aim_of(cabin, target, 1), tune)
}

/// [`whole_error_db`] with each position left out in turn; empty with fewer than two.
pub(super) fn whole_errors_without_each_db(cabin: &CabinCurves, tune: &Tune, target: &Target) -> Vec<f64> {
    system_of(cabin).errors_without_each_db(&aim_of(cabin, target, 1), tune)
}

/// The crossover above a channel, where it hands over to the next.
fn upper_edge_hz(channel: &ChannelTune) -> Option<f64> {
    channel.slope(Pass::Low).map(|it| it.frequency_hz)
}
