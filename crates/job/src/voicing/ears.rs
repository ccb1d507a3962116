//! Left against right at the ears, through the band where the ear uses phase.

use dsp::filter::ChannelFilter;
use dsp::limits::Limits;
use dsp::spectrum::{Bins, Complex};
use dsp::tune::{ChannelTune, Tune};
use garage::Side;
use serde::Serialize;

use super::system::{heard, shared_positions};
use crate::cabin::CabinCurves;
use crate::error::JobError;

/// How alike the two sides arrive at the middle of the head.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AtTheEars {
    /// By how much the right side comes after the left; the middle of a voice moves to the earlier side.
    pub right_later_ms: f64,
    /// How much of both sides agrees at that delay, −1 to 1; below 0 one side is the wrong way round.
    pub likeness: f64,
    /// How much of both sides agrees as they are, without that delay taken out.
    pub together: f64,
    /// By how much the right side is louder there.
    pub right_louder_db: f64,
}

/// The ear follows phase between these (Lord Rayleigh's duplex theory, Phil. Mag. 13, 1907; the upper end is where half
/// a wavelength fits the head).
const PHASE_HZ: (f64, f64) = (200.0, 1500.0);
/// Sides that were aligned arrive within this; further off, a cycle would be taken for another.
const FURTHEST_S: f64 = 0.4e-3;

/// What the weight below is worth: sides that agree wholly instead of not at all may cost this much of the distance from
/// the target.
const AGREEMENT_WORTH_DB: f64 = 0.3;
/// A side moves no further than this against the other: the direct sounds were brought together, and a difference of
/// this much moves a voice by a seventh of what a side's whole lead (0.7 ms, round the head) does.
const SIDE_MOVES_S: f64 = 0.1e-3;

/// Compares the sides over the head volume (positions left and right of its middle cancel); `None` where one side has no channel of its own.
///
/// # Errors
/// A tune with a filter that cannot be.
pub fn at_the_ears(cabin: &CabinCurves, tune: &Tune) -> Result<Option<AtTheEars>, JobError> {
    let Some(sides) = sides(cabin, tune)? else { return Ok(None) };
    let best = (-200..=200)
        .map(|i| FURTHEST_S * f64::from(i) / 200.0)
        .map(|later_s| (sides.likeness(later_s), later_s))
        .fold((0.0, 0.0), |best: (f64, f64), it| if it.0.abs() > best.0.abs() { it } else { best });
    Ok(Some(AtTheEars {
        right_later_ms: 1e3 * best.1,
        likeness: best.0,
        together: sides.likeness(0.0),
        right_louder_db: sides.right_louder_db,
    }))
}

/// Moves one side's channels together against the other's, by up to 0.1 ms and on the processor's steps, to where both
/// agree more at the ears, as far as `error_db` of the tune allows it: whole agreement weighs as much as 0.3 dB of it. What plays
/// for both sides moves by half. Nothing moves where the sum would be farther from the target than `most_db`.
///
/// # Errors
/// A tune with a filter that cannot be.
pub(super) fn bring_sides_together(
    cabin: &CabinCurves,
    tune: &Tune,
    limits: &Limits,
    most_db: f64,
    error_db: impl Fn(&Tune) -> f64,
) -> Result<Tune, JobError> {
    let Some(sides) = sides(cabin, tune)? else { return Ok(tune.clone()) };
    let step_s = 1e-3 * limits.delay_ms.and_then(|it| it.step).unwrap_or(0.01).max(0.01);
    let steps = (SIDE_MOVES_S / step_s + 1e-9) as i32;
    let price = |tune: &Tune, right_s: f64| error_db(tune) - AGREEMENT_WORTH_DB * sides.likeness(-right_s);
    let mut best = (price(tune, 0.0), tune.clone());
    for right_s in (-steps..=steps).filter(|n| *n != 0).map(|n| step_s * f64::from(n)) {
        // Where both agree less there is nothing to pay for.
        if sides.likeness(-right_s) <= sides.likeness(0.0) {
            continue;
        }
        let Some(moved) = moved(cabin, tune, limits, 1e3 * right_s) else { continue };
        let moved_price = price(&moved, right_s);
        if moved_price < best.0 && error_db(&moved) <= most_db {
            best = (moved_price, moved);
        }
    }
    Ok(best.1)
}

/// The tune with the right side later by `right_ms`, no delay below 0; `None` beyond the longest delay there is.
fn moved(cabin: &CabinCurves, tune: &Tune, limits: &Limits, right_ms: f64) -> Option<Tune> {
    let mut moved = tune.clone();
    for channel in &mut moved.channels {
        channel.delay_ms += match cabin.channel(&channel.name).map_or(Side::Both, |it| it.side) {
            Side::Left => 0.0,
            Side::Right => right_ms,
            Side::Both => 0.5 * right_ms,
        };
    }
    let least_ms = moved.channels.iter().map(|it| it.delay_ms).fold(f64::INFINITY, f64::min);
    for channel in &mut moved.channels {
        channel.delay_ms = limits.delay_on_step_ms(channel.delay_ms - least_ms.min(0.0));
    }
    let longest_ms = limits.delay_ms.map_or(f64::INFINITY, |it| it.max);
    let shifts = |it: &ChannelTune| it.delay_ms < longest_ms;
    moved.channels.iter().all(shifts).then_some(moved)
}

/// Both sides over the head volume, where the ear follows phase.
struct Sides {
    hz: Vec<f64>,
    /// Mean of the conjugate left times the right against the mean of their magnitudes, times the share of the octaves.
    cross: Vec<Complex>,
    right_louder_db: f64,
}

impl Sides {
    /// How much of both agrees with the right brought forward by `later_s`, −1 to 1.
    fn likeness(&self, later_s: f64) -> f64 {
        let turned = |(f, c): (&f64, &Complex)| (c * Complex::cis(std::f64::consts::TAU * f * later_s)).re;
        self.hz.iter().zip(&self.cross).map(turned).sum()
    }
}

fn sides(cabin: &CabinCurves, tune: &Tune) -> Result<Option<Sides>, JobError> {
    let positions: Vec<String> = shared_positions(&cabin.channels);
    let bins = &Bins::standard().frequency_hz;
    let from = bins.partition_point(|f| *f < PHASE_HZ.0);
    let to = bins.partition_point(|f| *f < PHASE_HZ.1);
    let Some(hz) = bins.get(from..to) else { return Ok(None) };
    let sum = |side: Side| -> Result<Vec<Vec<Complex>>, JobError> {
        let mut sum = vec![vec![Complex::new(0.0, 0.0); hz.len()]; positions.len()];
        for channel in cabin.channels.iter().filter(|it| it.side == side) {
            let filter = match tune.channels.iter().find(|it| it.name == channel.name) {
                Some(settings) => ChannelFilter::new(settings, tune.sample_rate_hz)
                    .map_err(|error| JobError::Input(format!("tune, channel \"{}\": {error}", channel.name)))?
                    .responses(hz),
                None => vec![Complex::new(1.0, 0.0); hz.len()],
            };
            for (sum, place) in sum.iter_mut().zip(heard(cabin, channel, side, &positions)) {
                let share = place.get(from..to).unwrap_or_default();
                sum.iter_mut().zip(share.iter().zip(&filter)).for_each(|(sum, (h, g))| *sum += h * g);
            }
        }
        Ok(sum)
    };
    let (left, right) = (sum(Side::Left)?, sum(Side::Right)?);
    let power = |side: &[Vec<Complex>]| side.iter().flatten().map(Complex::norm_sqr).sum::<f64>();
    if power(&left) <= 0.0 || power(&right) <= 0.0 {
        return Ok(None);
    }
    // Every frequency counts the same in octaves: bins are even in hertz low down and in octaves above.
    let weight: Vec<f64> = hz.windows(2).map(|f| (f[1] / f[0]).ln()).chain([0.0]).collect();
    let total: f64 = weight.iter().sum();
    let mut cross = vec![Complex::new(0.0, 0.0); hz.len()];
    let mut whole = vec![0.0; hz.len()];
    for (left, right) in left.iter().zip(&right) {
        for (((cross, whole), l), r) in cross.iter_mut().zip(&mut whole).zip(left).zip(right) {
            *cross += l.conj() * r;
            *whole += l.norm() * r.norm();
        }
    }
    for ((cross, whole), weight) in cross.iter_mut().zip(whole).zip(&weight) {
        *cross *= weight / (whole * total).max(f64::MIN_POSITIVE);
    }
    let right_louder_db = 10.0 * (power(&right) / power(&left)).log10();
    Ok(Some(Sides { hz: hz.to_vec(), cross, right_louder_db }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cabin::{ChannelCurves, PositionCurve};
    use dsp::curve::Curve;
    use dsp::limits::DelayRange;
    use garage::channels::Place;

    /// Two sides that differ by `right_later_s` alone, at two positions.
    fn car(right_later_s: f64) -> CabinCurves {
        let channel = |name: &str, side, later_s: f64| {
            let response: Vec<Complex> = Bins::standard()
                .frequency_hz
                .iter()
                .map(|f| Complex::cis(-std::f64::consts::TAU * f * (5e-3 + later_s)))
                .collect();
            let at = |position: &str| PositionCurve {
                position: position.into(),
                take: String::new(),
                curve: Curve::default(),
                arrival_ms: Some(5.0),
                sharp_arrival_ms: None,
                disagrees: None,
                impulse: Vec::new(),
                rate_hz: 48_000.0,
                response: response.clone(),
            };
            ChannelCurves {
                name: name.into(),
                side,
                place: Place::Front,
                band_hz: (20.0, 20_000.0),
                positions: vec![at("P1"), at("P2")],
                average: Curve::default(),
                thd_percent: Vec::new(),
            }
        };
        let channels = vec![channel("left", Side::Left, 0.0), channel("right", Side::Right, right_later_s)];
        CabinCurves { channels, ..CabinCurves::default() }
    }

    fn tune() -> Tune {
        let channel = |name: &str| ChannelTune { name: name.into(), ..ChannelTune::default() };
        Tune {
            sample_rate_hz: 48_000.0,
            channels: vec![channel("left"), channel("right")],
            ..Tune::default()
        }
    }

    fn limits() -> Limits {
        let file = include_str!("../../../../assets/limits/small-parametric.json");
        let limits: Limits = serde_json::from_str(file).unwrap();
        Limits { delay_ms: Some(DelayRange { max: 20.0, step: Some(0.01) }), ..limits }
    }

    #[test]
    fn a_known_delay_is_found_and_the_sides_brought_together() {
        let cabin = car(0.08e-3);
        let before = at_the_ears(&cabin, &tune()).unwrap().unwrap();
        assert!((before.right_later_ms - 0.08).abs() < 1e-9 && before.likeness > 0.999, "{before:?}");
        assert!(before.together < before.likeness);
        let made = bring_sides_together(&cabin, &tune(), &limits(), 1.0, |_| 0.5).unwrap();
        let delays: Vec<f64> = made.channels.iter().map(|it| it.delay_ms).collect();
        assert_eq!(delays, [0.08, 0.0]);
        assert!(at_the_ears(&cabin, &made).unwrap().unwrap().together > 0.999);
    }

    /// What it would cost the sum is weighed, and more than was allowed is never paid.
    #[test]
    fn the_sum_comes_first() {
        let cabin = car(0.08e-3);
        let dear = |tune: &Tune| if tune.channels[0].delay_ms > 0.0 { 0.9 } else { 0.5 };
        assert_eq!(bring_sides_together(&cabin, &tune(), &limits(), 1.0, dear).unwrap(), tune());
        let over = |tune: &Tune| if tune.channels[0].delay_ms > 0.0 { 0.501 } else { 0.5 };
        assert_eq!(bring_sides_together(&cabin, &tune(), &limits(), 0.5, over).unwrap(), tune());
    }

    /// Further than a side may move, it goes as far as it may.
    #[test]
    fn a_side_moves_by_a_tenth_of_a_millisecond_at_most() {
        let made = bring_sides_together(&car(0.3e-3), &tune(), &limits(), 1.0, |_| 0.5).unwrap();
        assert_eq!(made.channels[0].delay_ms, 0.1);
    }
}
