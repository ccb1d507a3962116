//! Two front seats with a weight between them: what each gains and pays.

use audio::rig::Watch;
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::Tune;
use garage::{ChannelMap, Reason};
use serde::Serialize;

use super::refine::{Refinement, THOROUGH, refine_seats, whole_error_db, whole_errors_without_each_db};
use super::set_up::{Wish, set_up};
use super::taps::tap_seats;
use super::target_error::jackknife_half_width;
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::judged::Judged;

/// A tune between two seats.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoSeats {
    /// For the first seat alone.
    pub first_alone: Tune,
    /// For the second seat alone.
    pub second_alone: Tune,
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

/// One seat's expected rms distances from the target, in dB.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct SeatShare {
    /// With the tune made for this seat alone.
    pub own_db: f64,
    /// With the tune made for the other seat alone.
    pub other_db: f64,
    /// With the compromise.
    pub shared_db: f64,
    /// Half-width of the 95 % interval of `own_db`, over the positions; absent with fewer than two, as all below.
    pub own_half_width_95: Option<f64>,
    /// The same of `other_db`.
    pub other_half_width_95: Option<f64>,
    /// The same of `shared_db`.
    pub shared_half_width_95: Option<f64>,
    /// The same of `shared_db` less `own_db`: what a position has by chance is in both, and cancels.
    pub paid_half_width_95: Option<f64>,
    /// The same of `other_db` less `shared_db`.
    pub gained_half_width_95: Option<f64>,
}

/// Less is not heard and not claimed.
const LEAST_DB: f64 = 0.05;

impl SeatShare {
    /// A seat with three tunes: its own, the other seat's, the compromise.
    fn of(seat: &CabinCurves, target: &Target, own: &Tune, other: &Tune, shared: &Tune) -> Self {
        let value = |tune: &Tune| whole_error_db(seat, tune, target);
        let without = |tune: &Tune| whole_errors_without_each_db(seat, tune, target);
        let (owns, others, shareds) = (without(own), without(other), without(shared));
        let half = |values: &[f64]| jackknife_half_width(values.len(), |i| values.get(i).copied());
        let half_of_difference =
            |a: &[f64], b: &[f64]| half(&a.iter().zip(b).map(|(a, b)| a - b).collect::<Vec<f64>>());
        Self {
            own_db: value(own),
            other_db: value(other),
            shared_db: value(shared),
            own_half_width_95: half(&owns),
            other_half_width_95: half(&others),
            shared_half_width_95: half(&shareds),
            paid_half_width_95: half_of_difference(&shareds, &owns),
            gained_half_width_95: half_of_difference(&others, &shareds),
        }
    }

    /// What the seat gains and pays, in words: `2.2 ±0.3 dB off the target: 0.9 dB nearer than with the other seat's tune,
    /// 0.7 dB farther than with one of its own`. A difference within its interval is none.
    pub fn words(&self) -> String {
        let against = |other_db: f64, half_db: Option<f64>, what: &str| {
            let least_db = half_db.unwrap_or(0.0).max(LEAST_DB);
            match self.shared_db - other_db {
                change if change < -least_db => format!("{:.1} dB nearer than {what}", -change),
                change if change > least_db => format!("{change:.1} dB farther than {what}"),
                _ => format!("as near as {what}"),
            }
        };
        let interval = self.shared_half_width_95.map_or_else(String::new, |half| format!(" \u{b1}{half:.1}"));
        format!(
            "{:.1}{interval} dB off the target: {}, {}",
            self.shared_db,
            against(self.other_db, self.gained_half_width_95, "with the other seat's tune"),
            against(self.own_db, self.paid_half_width_95, "with one of its own")
        )
    }
}

/// Sets up for each seat alone, then refines levels and bands of the heavier seat's tune for both.
///
/// `weight` is the first seat's, 0 to 1. Delays stay those of the heavier seat, the first where both weigh the same: a
/// voice can stand in the middle for one listener only. What is least is the weighted mean square of both distances from
/// the target; it is never more than with the heavier seat's own tune.
///
/// # Errors
/// As [`set_up`], for either seat; a weight outside 0 to 1; a channel that was not taken at the second.
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
    if let Some(lacking) = first.channels.iter().find(|it| second.channel(&it.name).is_none()) {
        return Err(JobError::not_yet(
            format!("the second seat has no takes of \"{}\"", lacking.name),
            "take every channel at both seats",
        ));
    }
    let for_first = set_up(first, map, target, limits, wish)?;
    let for_second = set_up(second, map, target, limits, wish)?;
    let (heavier, its_name) = if weight >= 0.5 { (&for_first, "first") } else { (&for_second, "second") };
    let what = Refinement { channels: None, delays: false, iterations: THOROUGH };
    let seats = [(first, weight), (second, 1.0 - weight)];
    let own_taps = refine_seats(&seats, &heavier.result.tune, target, limits, what)?;
    // Taps made for one seat are made again for both, where that is better.
    let anew = if wish.no_taps {
        None
    } else {
        tap_seats(&seats, &own_taps.tune, target, limits, &Watch::default())?
    };
    let shared =
        anew.filter(|anew| anew.after_db < own_taps.after_db).map_or(own_taps.tune, |anew| anew.tune);
    let (first_alone, second_alone) = (&for_first.result.tune, &for_second.result.tune);
    let at_first = SeatShare::of(first, target, first_alone, second_alone, &shared);
    let at_second = SeatShare::of(second, target, second_alone, first_alone, &shared);
    let words = format!(
        "Shared {:.0} to {:.0}, delays for the {its_name} seat. The first seat is {}. The second is {}.",
        100.0 * weight,
        100.0 * (1.0 - weight),
        at_first.words(),
        at_second.words()
    );
    let mut reasons = heavier.result.reasons.clone();
    reasons.push(Reason { subject: "both seats".into(), words });
    let mut remarks = heavier.remarks.clone();
    // What is found at both seats is said once.
    for (made, seat) in [(&for_first, "first"), (&for_second, "second")] {
        let new = made.remarks.iter().filter(|it| !heavier.remarks.contains(it));
        remarks.extend(new.map(|it| format!("At the {seat} seat: {it}")));
    }
    let verdict = for_first.verdict.max(for_second.verdict);
    let result = TwoSeats {
        first_alone: first_alone.clone(),
        second_alone: second_alone.clone(),
        shared,
        first: at_first,
        second: at_second,
        reasons,
    };
    Ok(Judged { result, verdict, remarks })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seat_says_what_it_gains_and_pays_and_nothing_that_cannot_be_heard() {
        let share =
            |own_db, other_db, shared_db| SeatShare { own_db, other_db, shared_db, ..SeatShare::default() };
        assert_eq!(
            share(1.5, 3.1, 2.2).words(),
            "2.2 dB off the target: 0.9 dB nearer than with the other seat's tune, 0.7 dB farther than with one of its own"
        );
        assert_eq!(
            share(1.62, 3.0, 1.64).words(),
            "1.6 dB off the target: 1.4 dB nearer than with the other seat's tune, as near as with one of its own"
        );
        let unsure = SeatShare {
            shared_half_width_95: Some(0.31),
            paid_half_width_95: Some(0.8),
            gained_half_width_95: Some(0.4),
            ..share(1.5, 3.1, 2.2)
        };
        assert_eq!(
            unsure.words(),
            "2.2 \u{b1}0.3 dB off the target: 0.9 dB nearer than with the other seat's tune, as near as with one of its own"
        );
    }
}
