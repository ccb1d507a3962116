//! Bands on frequencies that are far apart: the best seats are searched for, since rounding the best free ones loses
//! too much.

use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::band::Band;
use super::fit::{Fitter, Free};
use super::search::{Dictionary, PICKS, WHILE_INSERTING, WHILE_TRYING, best_of, least_useful, walk};
use super::steps::Steps;
use crate::fit::Patience;

/// Gain and Q follow; the frequency is where it was put.
const SEATED: Free = [false, true, true];

/// Puts every band on a frequency the processor has, then takes bands out and seats others, again and again; keeps
/// the best.
pub(super) fn seat(
    fitter: &mut Fitter,
    dictionary: &Dictionary,
    bands: &mut Vec<Band>,
    steps: &Steps,
    moves: usize,
    seed: u64,
) {
    let (free, count) = (bands.as_slice(), bands.len());
    let (seated, _) = best_of(CHAINS, fitter, |chain, fitter| {
        let mut chance = ChaCha8Rng::seed_from_u64(seed + chain as u64);
        let mut seated: Vec<Band> = Vec::with_capacity(count);
        if chain == 0 {
            for &band in free {
                seated.extend(on_a_seat(band, &seated, steps));
            }
            refit(fitter, &mut seated, WHILE_TRYING);
        } else {
            fill(fitter, dictionary, &mut seated, count, steps, &mut chance);
        }
        let cost = rearrange(fitter, dictionary, &mut seated, count, steps, moves, &mut chance);
        (seated, cost)
    });
    *bands = seated;
}

/// Walks that start apart: on a lattice one alone often ends in a poor minimum.
const CHAINS: usize = 4;

/// Takes bands out and seats others; gives the best bands found, and their cost.
fn rearrange(
    fitter: &mut Fitter,
    dictionary: &Dictionary,
    seated: &mut Vec<Band>,
    count: usize,
    steps: &Steps,
    moves: usize,
    chance: &mut ChaCha8Rng,
) -> f64 {
    let cost = fitter.cost(seated);
    walk(seated, cost, moves, chance, |seated, patience, chance| {
        let mut trial = seated.to_vec();
        for _ in 0..chance.random_range(1..=2) {
            let Some(out) = least_useful(fitter, &trial, chance) else { break };
            trial.swap_remove(out);
        }
        refit(fitter, &mut trial, WHILE_INSERTING);
        fill(fitter, dictionary, &mut trial, count, steps, chance);
        let after = refit(fitter, &mut trial, patience);
        Some((trial, after))
    })
}

/// Seats bands among the best places until there are `count`.
fn fill(
    fitter: &mut Fitter,
    dictionary: &Dictionary,
    bands: &mut Vec<Band>,
    count: usize,
    steps: &Steps,
    chance: &mut ChaCha8Rng,
) {
    while bands.len() < count {
        let candidates = dictionary.candidates(fitter, bands, PICKS);
        let found: Vec<Band> =
            candidates.into_iter().filter_map(|band| on_a_seat(band, bands, steps)).collect();
        let Some(&band) = found.choose(chance) else { break };
        bands.push(band);
        refit(fitter, bands, WHILE_INSERTING);
    }
}

fn refit(fitter: &mut Fitter, bands: &mut [Band], patience: Patience) -> f64 {
    let free = vec![SEATED; bands.len()];
    fitter.refine(bands, &free, patience)
}

/// The band on the nearest frequency that the others leave free.
fn on_a_seat(band: Band, others: &[Band], steps: &Steps) -> Option<Band> {
    let ln_f = steps.nearest_free(band.at[0], others)?;
    Some(Band { at: [ln_f, band.at[1], band.at[2]], ..band })
}
