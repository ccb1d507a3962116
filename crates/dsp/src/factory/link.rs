//! Where the player or the link ends: a wall far steeper than any factory filter, in every output that reaches it.
//!
//! Wireless links and compressed files stop near 16 kHz or 20 kHz (common practice, no source). Explained as a filter the
//! wall would bend everything near it, and nothing above it can be judged.

use rustfft::num_complex::Complex64;

use crate::decibel::of_power;
use crate::filter::Warp;

/// Cells per octave in which the wall is looked for.
const PER_OCTAVE: f64 = 48.0;
/// No wall is looked for below.
const LOWEST_HZ: f64 = 2_000.0;
/// A wall falls by more than this for each octave of the warped axis: three times the steepest factory filter.
const WALL_DB_PER_OCTAVE: f64 = 144.0;
/// And by this much at least, staying there up to the end of the measurement.
const WALL_DB: f64 = 20.0;
/// Within this many cells.
const WALL_CELLS: usize = 12;
/// What factory filters of the highest order reach; less steep than this the level is the output's own.
const STEEPEST_DB_PER_OCTAVE: f64 = 48.0;
/// Walls of outputs that lie this close are one.
const SAME_OCTAVES: f64 = 1.0 / 12.0;

/// What one output shows of a wall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wall {
    /// It ends in one; the highest frequency that is still the output's own.
    At(f64),
    /// It is heard up to here, and there is no wall.
    NotUpTo(f64),
}

/// Looks for a wall in linearly spaced bins (`spectrum[k]` at `k · spacing_hz`), measured up to `top_hz` at `rate_hz`;
/// `noise` is the power of the noise in each bin.
pub fn wall(spectrum: &[Complex64], noise: &[f64], spacing_hz: f64, top_hz: f64, rate_hz: f64) -> Wall {
    let warp = Warp::new(rate_hz);
    let mean = |range: std::ops::Range<usize>, of: &dyn Fn(usize) -> f64| {
        let count = range.len().max(1) as f64;
        range.map(of).sum::<f64>() / count
    };
    let bins = spectrum.len().min(noise.len());
    let ratio = (0.5 / PER_OCTAVE).exp2();
    let (mut places, mut levels_db, mut heard) = (Vec::new(), Vec::new(), Vec::new());
    for hz in crate::curve::log_grid_hz(LOWEST_HZ, top_hz / ratio, PER_OCTAVE) {
        let cell = (hz / ratio / spacing_hz) as usize..((hz * ratio / spacing_hz) as usize).min(bins);
        let power = mean(cell.clone(), &|k| spectrum[k].norm_sqr());
        let unheard = mean(cell, &|k| noise[k]);
        places.push((hz, warp.tangent(hz).log2()));
        levels_db.push(of_power(power.max(unheard).max(1e-30)));
        heard.push(power > 4.0 * unheard);
    }
    let slope = |i: usize, j: usize| (levels_db[i] - levels_db[j]) / (places[j].1 - places[i].1);
    // The highest level from a cell on.
    let mut above_db = levels_db.clone();
    for i in (1..above_db.len()).rev() {
        above_db[i - 1] = above_db[i - 1].max(above_db[i]);
    }
    let falls = |i: usize| {
        (i + 1..levels_db.len().min(i + 1 + WALL_CELLS))
            .any(|j| levels_db[i] - above_db[j] > WALL_DB && slope(i, j) > WALL_DB_PER_OCTAVE)
    };
    let last_heard = heard.iter().rposition(|it| *it).unwrap_or(0);
    let Some(mut end) = (0..levels_db.len()).rev().find(|&i| heard[i] && falls(i)) else {
        return Wall::NotUpTo(places.get(last_heard).map_or(LOWEST_HZ, |place| place.0));
    };
    while end > 0 && slope(end - 1, end) > STEEPEST_DB_PER_OCTAVE {
        end -= 1;
    }
    // The cell next to the wall holds a part of it.
    Wall::At(places[end.saturating_sub(1)].0)
}

/// Where the link or the player ends: the wall that every output shows which is heard up to it.
pub fn ends_hz(walls: &[Wall]) -> Option<f64> {
    let at = |wall: &Wall| if let Wall::At(hz) = wall { Some(*hz) } else { None };
    let lowest_hz = walls.iter().filter_map(at).min_by(f64::total_cmp)?;
    let beyond_hz = lowest_hz * SAME_OCTAVES.exp2();
    let same = walls.iter().all(|wall| match wall {
        Wall::At(hz) | Wall::NotUpTo(hz) => *hz <= beyond_hz,
    });
    same.then_some(lowest_hz)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filter::crossover_biquads;
    use crate::tune::{Crossover, CrossoverFamily, Pass};

    const RATE_HZ: f64 = 48_000.0;
    const SPACING_HZ: f64 = 2.0;
    const NOISE: f64 = 1e-8;

    /// Digital filters by their coefficients, a wall of 60 dB within `wall_hz` ± 1 % (a raised cosine in decibels), and
    /// noise 80 dB down.
    fn output(low_pass: Option<(u8, f64)>, wall_hz: f64) -> Wall {
        let edge = |(order, frequency_hz)| Crossover {
            pass: Pass::Low,
            family: CrossoverFamily::LinkwitzRiley,
            order,
            frequency_hz,
        };
        let filter = |it| crossover_biquads(&edge(it), RATE_HZ).unwrap_or_default();
        let stages = low_pass.map_or(Vec::new(), filter);
        let bins = (0..12_000).map(|k| {
            let hz = f64::from(k) * SPACING_HZ;
            let into = ((hz / wall_hz - 0.99) / 0.02).clamp(0.0, 1.0);
            let wall_db = -30.0 * (1.0 - (std::f64::consts::PI * into).cos());
            let filtered: Complex64 = stages.iter().map(|stage| stage.response(hz, RATE_HZ)).product();
            filtered * 10f64.powf(wall_db / 20.0) + NOISE.sqrt()
        });
        wall(&bins.collect::<Vec<_>>(), &vec![NOISE; 12_000], SPACING_HZ, 20_000.0, RATE_HZ)
    }

    #[test]
    fn a_wall_is_told_from_the_steepest_filter() {
        let steep = [Some((8, 3_000.0)), Some((8, 9_000.0)), Some((8, 15_000.0)), None];
        for filter in steep {
            assert!(matches!(output(filter, 1e6), Wall::NotUpTo(_)), "{filter:?}");
        }
        for filter in [None, Some((4, 9_000.0))] {
            let Wall::At(hz) = output(filter, 16_000.0) else { panic!("{filter:?}: no wall") };
            // Two cells of a forty-eighth of an octave, and the wall's own width.
            assert!((15_000.0..16_000.0).contains(&hz), "{filter:?}: {hz} Hz");
        }
    }

    #[test]
    fn a_wall_that_one_output_lacks_is_not_the_links() {
        assert_eq!(
            ends_hz(&[Wall::At(15_900.0), Wall::At(16_000.0), Wall::NotUpTo(3_000.0)]),
            Some(15_900.0)
        );
        assert_eq!(ends_hz(&[Wall::At(15_900.0), Wall::NotUpTo(20_000.0)]), None);
        assert_eq!(ends_hz(&[Wall::NotUpTo(20_000.0)]), None);
    }
}
