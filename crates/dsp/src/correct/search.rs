//! Finding the bands: insertion where most of the error can be taken away, then removal and re-insertion from
//! several starts. The error surface has many minima; the moves walk between them.

use std::f64::consts::LN_10;
use std::panic::resume_unwind;

use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::band::{Band, levels_db};
use super::fit::Fitter;
use crate::fit::Patience;
use crate::tune::{Section, SectionKind};

/// How much work a search may do; counts, not seconds, so that the same input gives the same answer anywhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Budget {
    pub starts: usize,
    pub moves_per_start: usize,
}

/// Shapes that an insertion tries: levels of bands with a gain of 1 dB, each with its own energy.
pub(super) struct Dictionary {
    entries: Vec<Entry>,
}

struct Entry {
    kind: SectionKind,
    ln_f: f64,
    ln_q: f64,
    shape: Vec<f64>,
    energy: f64,
    /// The grid point nearest above its frequency.
    centre: usize,
}

/// Bells tried per octave, and the Qs of each.
const BELLS_PER_OCTAVE: f64 = 6.0;
const BELL_QS: [f64; 5] = [0.6, 1.3, 2.6, 5.2, 9.0];
const SHELVES_PER_OCTAVE: f64 = 3.0;
/// A sharp shelf has a peak and a dip beside its step, for which two bells would be needed.
const SHELF_QS: [f64; 3] = [0.7, 2.0, 5.0];

impl Dictionary {
    /// For the kinds, frequencies and Qs that the limits allow.
    pub fn new(fitter: &Fitter, kinds: &[SectionKind], frequencies_hz: &[f64]) -> Self {
        let problem = fitter.problem();
        let bounds = fitter.bounds();
        let mut entries: Vec<Entry> = Vec::new();
        for &kind in kinds {
            let bell = kind == SectionKind::Peaking;
            let per_octave = if bell { BELLS_PER_OCTAVE } else { SHELVES_PER_OCTAVE };
            let qs: &[f64] = if bell { &BELL_QS } else { &SHELF_QS };
            let mut last = f64::NEG_INFINITY;
            for &hz in frequencies_hz {
                let ln_f = hz.ln();
                if ln_f - last < 0.95 * 2f64.ln() / per_octave {
                    continue;
                }
                last = ln_f;
                let mut previous = f64::NAN;
                for &q in qs {
                    let ln_q = q.ln().clamp(bounds.low[2], bounds.high_of(kind)[2]);
                    if ln_q == previous {
                        continue;
                    }
                    previous = ln_q;
                    let unit = Band { kind, at: [ln_f, 1.0, ln_q] };
                    let mut shape = levels_db(&[unit], &problem.axis);
                    let (mean, _) = weighted_mean(&shape, &problem.weight);
                    for (x, w) in shape.iter_mut().zip(&problem.weight) {
                        *x = if *w > 0.0 { *x - mean } else { *x };
                    }
                    let energy: f64 = shape
                        .iter()
                        .zip(problem.weight.iter().zip(&problem.hold))
                        .map(|(x, (w, h))| x * x * (w + h))
                        .sum();
                    if energy > 0.0 {
                        let last = problem.axis.len().saturating_sub(1);
                        let centre = problem.axis.hz.partition_point(|&f| f < hz).min(last);
                        entries.push(Entry { kind, ln_f, ln_q, shape, energy, centre });
                    }
                }
            }
        }
        Self { entries }
    }

    /// The bands that take away most, one for each separate place, best first; at most `count`.
    pub fn candidates(&self, fitter: &mut Fitter, bands: &[Band], count: usize) -> Vec<Band> {
        let problem = fitter.problem();
        let bounds = fitter.bounds();
        let (residual, correction_db) = fitter.residual(bands);
        // Where the boost is used up, a dip that is left pulls no further.
        let weighted: Vec<f64> = (residual.iter().zip(&correction_db).zip(&problem.weight))
            .map(|((r, g), w)| if *r < 0.0 && *g > problem.most_boost_db - 0.3 { 0.0 } else { r * w })
            .collect();
        let mut scored: Vec<(f64, Band)> = self
            .entries
            .iter()
            .map(|entry| {
                let push: f64 = entry.shape.iter().zip(&weighted).map(|(x, r)| x * r).sum();
                let room = problem.most_boost_db - correction_db[entry.centre];
                let most = if entry.kind == SectionKind::Peaking {
                    room.clamp(0.0, bounds.high[1])
                } else {
                    bounds.high[1]
                };
                let gain = (-push / entry.energy).clamp(bounds.low[1], most);
                let taken = -2.0 * gain * push - gain * gain * entry.energy;
                (taken, Band { kind: entry.kind, at: [entry.ln_f, gain, entry.ln_q] })
            })
            .collect();
        scored.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut chosen: Vec<Band> = Vec::with_capacity(count);
        for (taken, band) in scored {
            if taken <= 0.0 || chosen.len() == count {
                break;
            }
            // Two bells within a third of an octave would fall into the same minimum.
            let apart =
                |other: &Band| other.kind != band.kind || (other.at[0] - band.at[0]).abs() > LN_10 / 10.0;
            if chosen.iter().all(apart) {
                chosen.push(band);
            }
        }
        chosen
    }
}

fn weighted_mean(x: &[f64], weight: &[f64]) -> (f64, f64) {
    let sum: f64 = weight.iter().sum();
    (x.iter().zip(weight).map(|(x, w)| x * w).sum::<f64>() / sum.max(f64::MIN_POSITIVE), sum)
}

pub(super) const WHILE_INSERTING: Patience =
    Patience { iterations: 6, least_gain: 0.01, give_up_above: f64::INFINITY };
pub(super) const WHILE_TRYING: Patience =
    Patience { iterations: 12, least_gain: 0.002, give_up_above: f64::INFINITY };
pub(super) const AT_THE_END: Patience =
    Patience { iterations: 60, least_gain: 1e-6, give_up_above: f64::INFINITY };

/// The best `count` bands found within the budget, with their cost. `start` joins the starts when it has bands.
pub(super) fn search(
    fitter: &mut Fitter,
    dictionary: &Dictionary,
    count: usize,
    start: &[Section],
    budget: Budget,
    seed: u64,
) -> (Vec<Band>, f64) {
    let bounds = fitter.bounds();
    let first: Vec<Band> = start.iter().take(count).map(|it| bounds.clamp(Band::of(it))).collect();
    let from = |number: usize, fitter: &mut Fitter| {
        let mut chance = ChaCha8Rng::seed_from_u64(seed + number as u64);
        let (mut bands, picks) = if number == 0 { (first.clone(), 1) } else { (Vec::new(), 3) };
        let cost = fill(fitter, dictionary, &mut bands, count, picks, &mut chance);
        let moves = budget.moves_per_start;
        let cost = rearrange(fitter, dictionary, &mut bands, cost, count, moves, &mut chance);
        (bands, cost)
    };
    let nothing = (Vec::new(), fitter.cost(&[]));
    let found = best_of(budget.starts, fitter, from);
    let (mut bands, _) = if found.1 < nothing.1 { found } else { nothing };
    let cost = fitter.refine(&mut bands, &[], AT_THE_END);
    (bands, cost)
}

/// The cheapest end of `count` walks, at least one, that know nothing of one another: each has a thread and a fitter of its
/// own, and the answer does not depend on which ends first.
pub(super) fn best_of<'a>(
    count: usize,
    fitter: &mut Fitter<'a>,
    walk: impl Fn(usize, &mut Fitter<'a>) -> (Vec<Band>, f64) + Sync,
) -> (Vec<Band>, f64) {
    std::thread::scope(|scope| {
        let walk = &walk;
        let others: Vec<_> = (1..count)
            .map(|number| {
                let mut own = fitter.another();
                scope.spawn(move || walk(number, &mut own))
            })
            .collect();
        let others = others.into_iter().map(|it| it.join().unwrap_or_else(|cause| resume_unwind(cause)));
        let first = walk(0, fitter);
        others.fold(first, |best, other| if other.1 < best.1 { other } else { best })
    })
}

/// Nobody measures what is closer to the target than this, rms.
const ENOUGH_DB: f64 = 0.005;

fn enough(fitter: &Fitter, cost: f64) -> bool {
    fitter.problem().rms_of_cost(cost) < ENOUGH_DB
}

/// Inserts until there are `count` bands, choosing among the `picks` best places each time.
fn fill(
    fitter: &mut Fitter,
    dictionary: &Dictionary,
    bands: &mut Vec<Band>,
    count: usize,
    picks: usize,
    chance: &mut ChaCha8Rng,
) -> f64 {
    let mut cost = fitter.cost(bands);
    while bands.len() < count {
        let candidates = dictionary.candidates(fitter, bands, picks);
        let Some(&band) = candidates.choose(chance) else { break };
        bands.push(band);
        cost = fitter.refine(bands, &[], WHILE_INSERTING);
    }
    fitter.refine(bands, &[], WHILE_TRYING).min(cost)
}

/// Places an insertion chooses among.
pub(super) const PICKS: usize = 6;
/// A rearrangement that raises the cost by up to this share may be kept at first; the share falls to nothing.
const HEAT: f64 = 0.2;

/// Moves bands about `moves` times, worse ones accepted at first; keeps the best and gives their cost.
///
/// `attempt` makes other bands from those that are there, with their cost, or ends the walk.
pub(super) fn walk(
    bands: &mut Vec<Band>,
    mut cost: f64,
    moves: usize,
    chance: &mut ChaCha8Rng,
    mut attempt: impl FnMut(&[Band], Patience, &mut ChaCha8Rng) -> Option<(Vec<Band>, f64)>,
) -> f64 {
    let mut best = (bands.clone(), cost);
    for number in 0..moves {
        let heat = HEAT * (1.0 - number as f64 / moves as f64);
        let patience = Patience { give_up_above: cost * (1.0 + heat), ..WHILE_TRYING };
        let Some((trial, after)) = attempt(bands, patience, chance) else { break };
        if after < cost * (1.0 + heat * chance.random_range(0.0..1.0)) {
            (*bands, cost) = (trial, after);
            if cost < best.1 {
                best = (bands.clone(), cost);
            }
        }
    }
    *bands = best.0;
    best.1
}

/// Takes two bands out and puts two in elsewhere, again and again; keeps the best.
fn rearrange(
    fitter: &mut Fitter,
    dictionary: &Dictionary,
    bands: &mut Vec<Band>,
    cost: f64,
    count: usize,
    moves: usize,
    chance: &mut ChaCha8Rng,
) -> f64 {
    walk(bands, cost, moves, chance, |bands, patience, chance| {
        let cost = fitter.cost(bands);
        if enough(fitter, cost) {
            return None;
        }
        let out = least_useful(fitter, bands, chance)?;
        let mut trial = bands.to_vec();
        trial.swap_remove(out);
        // One out and one in seldom leaves a minimum; two do.
        if trial.len() > 2 {
            let other = chance.random_range(0..trial.len());
            trial.swap_remove(other);
        }
        fitter.refine(&mut trial, &[], WHILE_INSERTING);
        while trial.len() < count {
            let candidates = dictionary.candidates(fitter, &trial, PICKS);
            let Some(&band) = candidates.choose(chance) else { break };
            trial.push(band);
            if trial.len() < count {
                fitter.refine(&mut trial, &[], WHILE_INSERTING);
            }
        }
        debug_assert!(trial.len() <= count);
        let after = fitter.refine(&mut trial, &[], patience);
        Some((trial, after))
    })
}

/// A band whose loss costs little, by chance among the lower half.
pub(super) fn least_useful(fitter: &mut Fitter, bands: &[Band], chance: &mut ChaCha8Rng) -> Option<usize> {
    let mut losses: Vec<(f64, usize)> = (0..bands.len())
        .map(|out| {
            let rest: Vec<Band> =
                bands.iter().enumerate().filter(|&(i, _)| i != out).map(|(_, b)| *b).collect();
            (fitter.cost(&rest), out)
        })
        .collect();
    losses.sort_by(|a, b| a.0.total_cmp(&b.0));
    let among = losses.len().div_ceil(2);
    (among > 0).then(|| losses[chance.random_range(0..among)].1)
}
