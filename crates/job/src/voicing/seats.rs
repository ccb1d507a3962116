//! Two front seats with a weight between them: what each gains and pays.

use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::Tune;
use garage::{ChannelMap, Reason};
use serde::Serialize;

use super::refine::{Refinement, THOROUGH, refine_seats, whole_error_db};
use super::set_up::{Wish, set_up};
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::judged::Judged;

/// A tune between two seats.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoSeats {
    /// For the first seat alone.
    pub alone: Tune,
    /// The compromise.
    pub shared: Tune,
    /// What the first seat has.
    pub first: SeatShare,
    /// What the second has.
    pub second: SeatShare,
    /// What was done and why.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
}

/// One seat's distances from the target.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SeatShare {
    /// With the tune for the first seat alone.
    pub alone_db: f64,
    /// With the compromise.
    pub shared_db: f64,
}

/// Sets up for the first seat, then refines levels and bands for both.
///
/// `weight` is the first seat's, 0 to 1. Delays stay those of the first seat where it weighs half or more: a voice can
/// stand in the middle for one listener only.
///
/// # Errors
/// As [`set_up`]; a weight outside 0 to 1.
pub fn two_seats(
    first: &CabinCurves,
    second: &CabinCurves,
    map: &ChannelMap,
    target: &Target,
    limits: &Limits,
    weight: f64,
    wish: &Wish,
) -> Result<Judged<TwoSeats>, JobError> {
    if !(0.0..=1.0).contains(&weight) {
        return Err(JobError::Input(format!("a weight of {weight} for the first seat; give 0 to 1")));
    }
    let made = set_up(first, map, target, limits, wish)?;
    let what = Refinement { channels: None, delays: false, iterations: THOROUGH };
    let seats = [(first, weight), (second, 1.0 - weight)];
    let shared = refine_seats(&seats, &made.result.tune, target, limits, what)?.tune;
    let alone = made.result.tune;
    let share = |seat: &CabinCurves| SeatShare {
        alone_db: whole_error_db(seat, &alone, target),
        shared_db: whole_error_db(seat, &shared, target),
    };
    let (at_first, at_second) = (share(first), share(second));
    let mut reasons = made.result.reasons;
    let words = format!(
        "Shared {:.0} to {:.0}: the first seat pays {:.1} dB ({:.1} instead of {:.1} dB off the target), the second gains \
         {:.1} dB ({:.1} instead of {:.1}).",
        100.0 * weight,
        100.0 * (1.0 - weight),
        at_first.shared_db - at_first.alone_db,
        at_first.shared_db,
        at_first.alone_db,
        at_second.alone_db - at_second.shared_db,
        at_second.shared_db,
        at_second.alone_db
    );
    reasons.push(Reason { subject: "both seats".into(), words });
    let result = TwoSeats { alone, shared, first: at_first, second: at_second, reasons };
    Ok(Judged { result, verdict: made.verdict, remarks: made.remarks })
}
