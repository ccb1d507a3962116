//! The crossover filter that brings a measured speaker onto a slope.
//!
//! What sums at a crossover is speaker and filter together: a speaker that falls off by itself needs less of a filter, or
//! one at another frequency, to follow the slope that both sides of the crossover are to have (common practice; the
//! slopes that sum are those of S. Linkwitz, R. Riley, JAES 24(1), 1976).

use crate::curve::Curve;
use crate::filter::{ChannelFilter, FilterError};
use crate::tune::{ChannelTune, Crossover, CrossoverFamily, Pass};

/// Follows the slope down to here; further down it is hardly heard beside the other speaker.
const DEEPEST_DB: f64 = -20.0;
/// And this far into the band beside it, which gives the level.
const INTO_THE_BAND_OCTAVES: f64 = 1.5;
/// A filter is looked for this far to either side of the slope's frequency.
const REACH_OCTAVES: f64 = 1.0;
const STEPS_PER_OCTAVE: f64 = 24.0;
/// A steeper filter must come nearer by this much for every 6 dB per octave, or it is not worth what it costs.
const WORTH_AN_ORDER_DB: f64 = 0.05;

/// How near a speaker with its filter comes to a slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OffSlope {
    /// Rms distance, level free.
    pub rms_db: f64,
    /// Where it was judged: the slope down to −20 dB and 1.5 octaves of the band beside it, as far as was measured.
    pub region_hz: (f64, f64),
}

/// How far `driver` through `filters` is from `wanted`; `None` where fewer than four points of the curve lie on the slope.
///
/// `driver` is the measured level of the speaker alone, less the shape it is to have between its crossovers.
///
/// # Errors
/// A crossover that makes no filter at `rate_hz`.
pub fn off_slope(
    driver: &Curve,
    filters: &[Crossover],
    wanted: &Crossover,
    rate_hz: f64,
) -> Result<Option<OffSlope>, FilterError> {
    let Some(on) = Slope::new(driver, wanted, rate_hz)? else { return Ok(None) };
    Ok(Some(OffSlope {
        rms_db: on.rms_db(&levels_db(filters, &on.frequency_hz, rate_hz)?),
        region_hz: on.region_hz(),
    }))
}

/// The filter among `choices` that brings `driver` nearest to `wanted`, and how near; `None` where the curve does not
/// reach the slope or no choice is `allowed`.
///
/// `choices` are families with an order; each is tried within an octave of the wanted frequency.
///
/// # Errors
/// A wanted slope that makes no filter at `rate_hz`.
pub fn filter_for_slope(
    driver: &Curve,
    wanted: &Crossover,
    choices: &[(CrossoverFamily, u8)],
    allowed: impl Fn(&Crossover) -> bool,
    rate_hz: f64,
) -> Result<Option<(Crossover, OffSlope)>, FilterError> {
    let Some(on) = Slope::new(driver, wanted, rate_hz)? else { return Ok(None) };
    let steps = (REACH_OCTAVES * STEPS_PER_OCTAVE) as i32;
    let mut best: Option<(f64, Crossover, f64)> = None;
    for &(family, order) in choices {
        for step in -steps..=steps {
            let frequency_hz =
                three_digits(wanted.frequency_hz * (f64::from(step) / STEPS_PER_OCTAVE).exp2());
            let tried = Crossover { pass: wanted.pass, family, order, frequency_hz };
            if !allowed(&tried) {
                continue;
            }
            let Ok(levels_db) = levels_db(&[tried], &on.frequency_hz, rate_hz) else { continue };
            let rms_db = on.rms_db(&levels_db);
            let price_db = rms_db + WORTH_AN_ORDER_DB * f64::from(order);
            if best.as_ref().is_none_or(|it| price_db < it.0) {
                best = Some((price_db, tried, rms_db));
            }
        }
    }
    Ok(best.map(|(_, filter, rms_db)| (filter, OffSlope { rms_db, region_hz: on.region_hz() })))
}

/// The part of a driver's curve that lies on a slope.
struct Slope {
    frequency_hz: Vec<f64>,
    /// Driver less slope.
    lacking_db: Vec<f64>,
    /// Of each point, in octaves.
    weight: Vec<f64>,
}

impl Slope {
    fn new(driver: &Curve, wanted: &Crossover, rate_hz: f64) -> Result<Option<Self>, FilterError> {
        let slope_db = levels_db(&[*wanted], &driver.frequency_hz, rate_hz)?;
        let reach = INTO_THE_BAND_OCTAVES.exp2();
        let inside = |f: f64, slope_db: f64| {
            let in_band = match wanted.pass {
                Pass::High => f <= wanted.frequency_hz * reach,
                Pass::Low => f >= wanted.frequency_hz / reach,
            };
            in_band && slope_db >= DEEPEST_DB
        };
        let mut on = Self { frequency_hz: Vec::new(), lacking_db: Vec::new(), weight: Vec::new() };
        for (i, (&f, &level_db)) in driver.frequency_hz.iter().zip(&driver.level_db).enumerate() {
            if level_db.is_finite() && inside(f, slope_db[i]) {
                let next = driver.frequency_hz.get(i + 1).copied().unwrap_or(f);
                on.frequency_hz.push(f);
                on.lacking_db.push(level_db - slope_db[i]);
                on.weight.push((next / f).log2().max(1e-6));
            }
        }
        Ok((on.frequency_hz.len() >= 4).then_some(on))
    }

    fn region_hz(&self) -> (f64, f64) {
        let end = |at: Option<&f64>| at.copied().unwrap_or(f64::NAN);
        (end(self.frequency_hz.first()), end(self.frequency_hz.last()))
    }

    fn rms_db(&self, filter_db: &[f64]) -> f64 {
        let total: f64 = self.weight.iter().sum();
        let (mut mean, mut square) = (0.0, 0.0);
        for ((lacking, filter), weight) in self.lacking_db.iter().zip(filter_db).zip(&self.weight) {
            let off = lacking + filter;
            mean += weight * off / total;
            square += weight * off * off / total;
        }
        (square - mean * mean).max(0.0).sqrt()
    }
}

fn levels_db(filters: &[Crossover], frequency_hz: &[f64], rate_hz: f64) -> Result<Vec<f64>, FilterError> {
    let channel = ChannelTune { crossovers: filters.to_vec(), ..ChannelTune::default() };
    Ok(ChannelFilter::new(&channel, rate_hz)?.levels_db(frequency_hz))
}

/// As a tuner types a frequency in.
fn three_digits(hz: f64) -> f64 {
    let unit = 10f64.powf(hz.log10().floor() - 2.0);
    (hz / unit).round() * unit
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;
    use crate::tune::CrossoverFamily::{Butterworth, LinkwitzRiley};

    const RATE_HZ: f64 = 96_000.0;

    fn driver(own: &[Crossover]) -> Curve {
        let hz = log_grid_hz(20.0, 20_000.0, 48.0);
        let levels = levels_db(own, &hz, RATE_HZ).unwrap().iter().map(|db| db - 13.0).collect();
        Curve::of_levels(hz, levels)
    }

    fn edge(pass: Pass, family: CrossoverFamily, order: u8, frequency_hz: f64) -> Crossover {
        Crossover { pass, family, order, frequency_hz }
    }

    fn all() -> Vec<(CrossoverFamily, u8)> {
        let pairs = [2, 4, 6, 8].map(|order| (LinkwitzRiley, order));
        pairs.into_iter().chain((1..=8).map(|order| (Butterworth, order))).collect()
    }

    /// A Linkwitz-Riley slope is a Butterworth one of half its order twice (Linkwitz and Riley 1976): a speaker that is
    /// the first half needs the second, and one that is level needs all of it.
    #[test]
    fn a_speaker_that_is_half_the_slope_needs_the_other_half() {
        for pass in [Pass::High, Pass::Low] {
            let wanted = edge(pass, LinkwitzRiley, 4, 800.0);
            let half = driver(&[edge(pass, Butterworth, 2, 800.0)]);
            let (found, off) = filter_for_slope(&half, &wanted, &all(), |_| true, RATE_HZ).unwrap().unwrap();
            assert_eq!((found.family, found.order, found.frequency_hz), (Butterworth, 2, 800.0));
            assert!(off.rms_db < 0.01, "{off:?}");
            let level = driver(&[]);
            let (found, off) = filter_for_slope(&level, &wanted, &all(), |_| true, RATE_HZ).unwrap().unwrap();
            assert_eq!((found, off.rms_db < 0.01), (wanted, true));
            // What is set now is judged by the same figure.
            let now = off_slope(&half, &[wanted], &wanted, RATE_HZ).unwrap().unwrap();
            assert!(now.rms_db > 2.0, "{now:?}");
        }
    }

    #[test]
    fn only_what_is_allowed_is_chosen_and_only_what_was_measured_is_judged() {
        let wanted = edge(Pass::High, LinkwitzRiley, 4, 2500.0);
        let own = driver(&[edge(Pass::High, Butterworth, 2, 1500.0)]);
        let allowed = |it: &Crossover| it.order >= 3 && it.frequency_hz >= 2000.0;
        let (found, _) = filter_for_slope(&own, &wanted, &all(), allowed, RATE_HZ).unwrap().unwrap();
        assert!(allowed(&found), "{found:?}");
        assert!(filter_for_slope(&own, &wanted, &all(), |_| false, RATE_HZ).unwrap().is_none());
        let far = Curve::of_levels(vec![20.0, 40.0, 60.0, 80.0, 100.0], vec![0.0; 5]);
        assert!(filter_for_slope(&far, &wanted, &all(), |_| true, RATE_HZ).unwrap().is_none());
        assert!(
            filter_for_slope(&own, &edge(Pass::High, LinkwitzRiley, 3, 2500.0), &all(), |_| true, RATE_HZ)
                .is_err()
        );
    }
}
