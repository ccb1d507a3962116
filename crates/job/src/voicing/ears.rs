//! Left against right at the ears, through the band where the ear uses phase.

use dsp::filter::ChannelFilter;
use dsp::spectrum::{Bins, Complex};
use dsp::tune::Tune;
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
    /// By how much the right side is louder there.
    pub right_louder_db: f64,
}

/// The ear follows phase between these (Lord Rayleigh's duplex theory, Phil. Mag. 13, 1907; the upper end is where half
/// a wavelength fits the head).
const PHASE_HZ: (f64, f64) = (200.0, 1500.0);
/// Sides that were aligned arrive within this; further off, a cycle would be taken for another.
const FURTHEST_S: f64 = 0.4e-3;

/// Compares the sides over the head volume (positions left and right of its middle cancel); `None` where one side has no channel of its own.
///
/// # Errors
/// A tune with a filter that cannot be.
pub fn at_the_ears(cabin: &CabinCurves, tune: &Tune) -> Result<Option<AtTheEars>, JobError> {
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
        *cross *= weight / whole.max(f64::MIN_POSITIVE);
    }
    let likeness = |later_s: f64| {
        let turned = |(f, c): (&f64, &Complex)| (c * Complex::cis(std::f64::consts::TAU * f * later_s)).re;
        hz.iter().zip(&cross).map(turned).sum::<f64>() / total.max(f64::MIN_POSITIVE)
    };
    let best = (-200..=200)
        .map(|i| FURTHEST_S * f64::from(i) / 200.0)
        .map(|later_s| (likeness(later_s), later_s))
        .fold((0.0, 0.0), |best: (f64, f64), it| if it.0.abs() > best.0.abs() { it } else { best });
    Ok(Some(AtTheEars {
        right_later_ms: 1e3 * best.1,
        likeness: best.0,
        right_louder_db: 10.0 * (power(&right) / power(&left)).log10(),
    }))
}
