//! Averaging repeats, leaving out what a disturbance spoiled.

use crate::spectrum::Complex;

/// The average of the repeats.
pub(super) struct Averaged {
    pub bins: Vec<Complex>,
    /// Power of the noise in the average, bin by bin.
    pub noise: Vec<f64>,
    /// Positions of the repeats that count, in the order given.
    pub used: Vec<usize>,
    /// Positions of the repeats left out altogether.
    pub rejected: Vec<usize>,
    /// Positions of repeats left out in some bands only, with the span of those bands.
    pub partly: Vec<(usize, f64, f64)>,
    /// Bands in which no two repeats agree, so that nobody can say which to believe.
    pub contested_hz: Option<(f64, f64)>,
    /// Power of the noise in the average where the repeats differ by more than `noise` explains: what follows the signal, as
    /// a codec's noise does, is not there while nothing else is. The same as `noise` elsewhere.
    pub following: Vec<f64>,
}

/// Cells over which repeats are compared.
const CELLS_PER_OCTAVE: f64 = 6.0;
/// Independent values a cell needs before it says anything.
const LEAST_INDEPENDENT: f64 = 3.0;
/// How many standard deviations of the chi-squared distribution are still noise: a false alarm in 10⁶ cells.
const SIGMAS: f64 = 4.8;
/// Noise may be this much stronger (power) at one time than on average without counting as a disturbance.
const UNSTEADY: f64 = 2.0;
/// Differences below this share of the response (amplitude) never matter.
const NEGLIGIBLE: f64 = 1e-3;

/// A band of bins over which repeats are compared.
struct Cell {
    from: usize,
    to: usize,
    /// Largest mean square difference, relative to the noise, that noise alone explains.
    limit: f64,
}

/// Averages `repeats`, spectra on one time base, whose noise has the power `noise`.
///
/// In each cell of frequency (which, for a sweep, is also one of time) the two repeats that agree best are taken as the
/// truth, and every repeat further from them than noise explains is left out there. Where most repeats are clean
/// throughout, the others are left out altogether.
pub(super) fn average(
    repeats: &[Vec<Complex>],
    noise: &[f64],
    spacing_hz: f64,
    independent_s: f64,
    (low_hz, high_hz): (f64, f64),
) -> Averaged {
    let count = repeats.len();
    let cells = cells(noise.len(), spacing_hz, independent_s, low_hz, high_hz);
    let mut good = vec![vec![true; cells.len()]; count];
    let mut contested: Vec<&Cell> = Vec::new();
    if count > 1 {
        for (c, cell) in cells.iter().enumerate() {
            match agreeing(repeats, noise, cell) {
                Some(fit) => (0..count).for_each(|r| good[r][c] = fit[r]),
                None => contested.push(cell),
            }
        }
    }
    let clean: Vec<usize> = (0..count).filter(|&r| good[r].iter().all(|g| *g)).collect();
    let mut rejected = Vec::new();
    let mut partly = Vec::new();
    if clean.len() < count {
        // With a clear majority untouched nothing is lost by leaving the others out.
        let whole = 2 * clean.len() > count;
        for r in (0..count).filter(|r| !clean.contains(r)) {
            if whole {
                rejected.push(r);
                good[r].iter_mut().for_each(|g| *g = false);
            } else {
                let bad = |c: &usize| !good[r][*c];
                let (first, last) = ((0..cells.len()).find(bad), (0..cells.len()).rev().find(bad));
                if let (Some(first), Some(last)) = (first, last) {
                    partly.push((
                        r,
                        cells[first].from as f64 * spacing_hz,
                        cells[last].to as f64 * spacing_hz,
                    ));
                }
            }
        }
        widen(&mut good);
    }
    let mut bins = vec![Complex::new(0.0, 0.0); noise.len()];
    let mut averaged_noise = noise.to_vec();
    for (k, bin) in bins.iter_mut().enumerate() {
        let c = cells.partition_point(|cell| cell.to <= k).min(cells.len().saturating_sub(1));
        let mut used = 0.0;
        for (r, repeat) in repeats.iter().enumerate() {
            if good[r].get(c).copied().unwrap_or(true) {
                *bin += repeat[k];
                used += 1.0;
            }
        }
        let used: f64 = used;
        *bin /= used.max(1.0);
        averaged_noise[k] /= used.max(1.0);
    }
    let mut following = averaged_noise.clone();
    for cell in &cells {
        let (differing, steady) = (differing(repeats, cell), mean(&averaged_noise[cell.from..cell.to]));
        if differing > cell.limit * steady {
            following[cell.from..cell.to].iter_mut().for_each(|power| *power = power.max(differing));
        }
    }
    let contested_hz = contested
        .first()
        .zip(contested.last())
        .map(|(first, last)| (first.from as f64 * spacing_hz, last.to as f64 * spacing_hz));
    let used = (0..count).filter(|r| !rejected.contains(r)).collect();
    Averaged { bins, noise: averaged_noise, used, rejected, partly, contested_hz, following }
}

/// Power of the noise in the average of all repeats, from how they differ in a cell; 0 with a single one.
fn differing(repeats: &[Vec<Complex>], cell: &Cell) -> f64 {
    let count = repeats.len() as f64;
    let scattered = |k: usize| {
        let middle = repeats.iter().map(|repeat| repeat[k]).sum::<Complex>() / count;
        repeats.iter().map(|repeat| (repeat[k] - middle).norm_sqr()).sum::<f64>()
    };
    let squares: f64 = (cell.from..cell.to).map(scattered).sum();
    squares / (cell.to - cell.from) as f64 / (count * (count - 1.0)).max(1.0)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Cells from `low_hz` to `high_hz`, each with enough independent values.
fn cells(bins: usize, spacing_hz: f64, independent_s: f64, low_hz: f64, high_hz: f64) -> Vec<Cell> {
    let mut cells = Vec::new();
    let step = (1.0 / CELLS_PER_OCTAVE).exp2();
    let least_hz = LEAST_INDEPENDENT / independent_s;
    let mut from_hz = low_hz;
    while from_hz < high_hz {
        let to_hz = (from_hz * step).max(from_hz + least_hz).min(high_hz);
        let (from, to) = ((from_hz / spacing_hz) as usize, ((to_hz / spacing_hz) as usize).min(bins));
        if to > from {
            let free = 2.0 * ((to_hz - from_hz) * independent_s).max(1.0);
            // Wilson and Hilferty's approximation of the chi-squared quantile.
            let spread = 2.0 / (9.0 * free);
            cells.push(Cell { from, to, limit: UNSTEADY * (1.0 - spread + SIGMAS * spread.sqrt()).powi(3) });
        }
        from_hz = to_hz;
    }
    cells
}

/// Which repeats agree in a cell; `None` where no two do.
fn agreeing(repeats: &[Vec<Complex>], noise: &[f64], cell: &Cell) -> Option<Vec<bool>> {
    let count = repeats.len();
    // Mean square difference over what noise makes of it, for a difference of variance `share` times the noise.
    let distance = |a: &dyn Fn(usize) -> Complex, b: &dyn Fn(usize) -> Complex, share: f64| -> f64 {
        let (mut difference, mut expected) = (0.0, 0.0);
        for (k, noise) in noise.iter().enumerate().take(cell.to).skip(cell.from) {
            let (x, y) = (a(k), b(k));
            difference += (x - y).norm_sqr();
            expected += share * noise + NEGLIGIBLE * NEGLIGIBLE * x.norm_sqr().min(y.norm_sqr());
        }
        difference / expected.max(f64::MIN_POSITIVE)
    };
    let mut best: Option<(f64, usize, usize)> = None;
    for r in 0..count {
        for s in r + 1..count {
            let apart = distance(&|k| repeats[r][k], &|k| repeats[s][k], 2.0);
            if best.is_none_or(|(least, ..)| apart < least) {
                best = Some((apart, r, s));
            }
        }
    }
    let (apart, r, s) = best?;
    if apart > cell.limit {
        return None;
    }
    let centre = |k: usize| 0.5 * (repeats[r][k] + repeats[s][k]);
    Some(
        (0..count)
            .map(|other| {
                other == r || other == s || distance(&centre, &|k| repeats[other][k], 1.5) <= cell.limit
            })
            .collect(),
    )
}

/// A disturbance reaches a little beyond the cells in which it is noticed.
fn widen(good: &mut [Vec<bool>]) {
    let before: Vec<Vec<bool>> = good.to_vec();
    for (r, row) in good.iter_mut().enumerate() {
        for c in 0..row.len() {
            let beside = [c.checked_sub(1), Some(c + 1)];
            let touched = beside.into_iter().flatten().any(|n| before[r].get(n) == Some(&false));
            // Never so far that nothing is left.
            let others = before.iter().enumerate().filter(|(o, other)| *o != r && other[c]).count();
            if touched && others >= 2 {
                row[c] = false;
            }
        }
    }
}
