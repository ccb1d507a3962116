//! Band edges and equaliser bands together, from the level alone.
//!
//! Delay, polarity and all-passes leave no trace in the level, so it is explained first: candidates of edge family
//! and order are fitted with as many equaliser bands as they need, and the one that explains the level with the
//! fewest numbers wins (Schwarz 1978). Then the filter at each edge of the best is exchanged for its neighbours.

use super::bands::{
    SIDE_BY_SIDE, Search, by_criterion, equalised, finished, may_be_a_pair, may_be_astray, repaired,
};
use super::edges::{Band, band_of, candidates, kind, same_edges, with_other_edges};
use super::fit::{Fit, Part, refine};
use super::model::{ChannelModel, Reach};
use super::response::LineResponse;
use super::split::{Edge, Shown};
use crate::filter::Warp;
use crate::tune::{Crossover, Pass};

/// Points per octave while candidates are compared.
const COARSE_PER_OCTAVE: usize = 12;

/// The best explanation and its best rival that has another order or family at an edge.
#[derive(Debug, Clone)]
pub(super) struct Shape {
    pub fit: Fit,
    pub rival: Option<Fit>,
    /// Where its equaliser bands were looked for.
    pub reach: Reach,
}

/// What lies further under the strongest part than this is left out: leaks of the recording chain show there.
const DEEPEST_DB: f64 = 55.0;

/// The points that are heard clearly: from the first to the last within [`DEEPEST_DB`] of the strongest.
pub(super) fn clearly_heard(response: &LineResponse) -> LineResponse {
    let level_db = response.level_db();
    let limit = level_db.iter().copied().fold(f64::NEG_INFINITY, f64::max) - DEEPEST_DB;
    let first = level_db.iter().position(|&l| l >= limit).unwrap_or(0);
    let last = level_db.iter().rposition(|&l| l >= limit).unwrap_or(0);
    response.keep(|i| (first..=last).contains(&i) && level_db[i] >= limit)
}

/// Explains the level of a response measured at `rate_hz`; `None` when there is no level to explain.
pub(super) fn explain(response: &LineResponse, rate_hz: f64, per_octave: f64) -> Option<Shape> {
    let band = band_of(response)?;
    let response = &clearly_heard(response);
    let mut reach = within_band(response, &band);
    let heard_hz = *response.frequency_hz.first()?..=*response.frequency_hz.last()?;
    let coarse = response.every((per_octave / COARSE_PER_OCTAVE as f64).round().max(1.0) as usize);
    let list = |pass| candidates(response, &band, pass, rate_hz);
    let (lows, highs) = (list(Pass::High), list(Pass::Low));
    let base = ChannelModel { gain_db: band.level_db, ..ChannelModel::flat(rate_hz) };
    let with = |low: &Option<Crossover>, high: &Option<Crossover>| ChannelModel {
        high_pass: *low,
        low_pass: *high,
        ..base.clone()
    };
    // One edge at a time, twice: they are octaves apart and hardly speak to each other.
    let (mut low, mut high) = (lows[0], highs[0]);
    let mut tried: Vec<Fit> = Vec::new();
    for _ in 0..2 {
        for (list, is_low) in [(&lows, true), (&highs, false)] {
            for this in list {
                let (l, h) = if is_low { (this, &high) } else { (&low, this) };
                let model = with(l, h);
                if tried.iter().any(|fit| same_edges(&fit.model, &model)) {
                    continue;
                }
                let rival = tried.iter().map(|fit| fit.criterion(Part::Level)).fold(f64::INFINITY, f64::min);
                tried.push(equalised(model, &coarse, &reach, rival, SIDE_BY_SIDE));
            }
            tried.sort_by(by_criterion);
            if let Some(best) = tried.first() {
                let like = |edge: &Option<Crossover>, list: &[Option<Crossover>]| {
                    list.iter().find(|c| kind(c) == kind(edge)).copied().unwrap_or(*edge)
                };
                (low, high) = (like(&best.model.high_pass, &lows), like(&best.model.low_pass, &highs));
            }
        }
    }
    tried.truncate(FINALISTS);
    // The finalists again, and then on every point.
    let finals =
        tried.into_iter().map(|fit| finished(repaired(fit, &coarse, &reach).model, response, &reach));
    let mut finals: Vec<Fit> = finals.collect();
    finals.sort_by(by_criterion);
    for _ in 0..SWAPS {
        let Some(best) = finals.first().cloned() else { break };
        finals.extend(swapped(&best, &coarse, response, &reach));
        finals.sort_by(by_criterion);
        if finals.first().is_none_or(|first| same_edges(&first.model, &best.model)) {
            break;
        }
    }
    if let Some(best) = finals.first().cloned().filter(|best| may_be_astray(best) || may_be_a_pair(best)) {
        let bare = ChannelModel { sections: Vec::new(), gain_db: band.level_db, ..best.model.clone() };
        let wider = reach.up_to_edges(bare.high_pass.as_ref(), bare.low_pass.as_ref());
        let search = Search { response, coarse: &coarse, reach: &wider, rival: f64::INFINITY };
        finals.extend(may_be_a_pair(&best).then(|| search.by_pairs(&bare)).flatten());
        if may_be_astray(&best) {
            finals.push(search.beginning(bare));
        }
        reach = wider;
        finals.sort_by(by_criterion);
    }
    // An edge beyond what was heard is none.
    finals.sort_by_key(|fit| !edges_of(&fit.model).all(|hz| heard_hz.contains(&hz)));
    let mut finals = finals.into_iter().map(in_order);
    let fit = finals.next()?;
    let rival = finals.find(|other| !same_edges(&other.model, &fit.model));
    Some(Shape { fit, rival, reach })
}

/// The explanation with band edges that are known from elsewhere to a hair; bands are looked for anew, and those of
/// `before`, which explains the level otherwise, are tried as well.
pub(super) fn explain_held(
    response: &LineResponse,
    per_octave: f64,
    before: &ChannelModel,
    shown: &Shown,
) -> Option<Shape> {
    let band = band_of(response)?;
    let response = &clearly_heard(response);
    let edge = |shown: Edge, own: Option<Crossover>| match shown {
        Edge::Own => (own, None),
        Edge::Shown { edge, .. } => (edge, edge.map(|edge| edge.frequency_hz)),
    };
    let (high_pass, low_hz) = edge(shown.low, before.high_pass);
    let (low_pass, high_hz) = edge(shown.high, before.low_pass);
    let within = within_band(response, &band).up_to_edges(high_pass.as_ref(), low_pass.as_ref());
    let reach = Reach { edges_hz: (low_hz, high_hz), ..within };
    let coarse = response.every((per_octave / COARSE_PER_OCTAVE as f64).round().max(1.0) as usize);
    let edged = ChannelModel {
        high_pass,
        low_pass,
        all_passes: Vec::new(),
        delay_s: 0.0,
        inverted: false,
        ..before.clone()
    };
    let bare = ChannelModel { sections: Vec::new(), gain_db: band.level_db, ..edged.clone() };
    let rival = Fit::of(before.clone(), &coarse, Part::Level).criterion(Part::Level);
    let search = Search { response, coarse: &coarse, reach: &reach, rival };
    let mut tried = vec![finished(edged, response, &reach), search.beginning(bare.clone())];
    tried.sort_by(by_criterion);
    tried.extend(tried.first().filter(|best| may_be_a_pair(best)).and_then(|_| search.by_pairs(&bare)));
    let fit = tried.into_iter().min_by(by_criterion)?;
    let free = Reach { edges_hz: (None, None), ..reach };
    let fit = simplified(fit, &coarse, response, &free);
    let reach = if same_edges(&fit.model, &bare) { reach } else { free };
    Some(Shape { fit: in_order(fit), rival: None, reach })
}

/// The explanation with another filter at an edge and fewer bands there, where that explains the level as well: a
/// Linkwitz–Riley filter and the bells that make Butterworth's of it are Butterworth's.
fn simplified(fit: Fit, coarse: &LineResponse, response: &LineResponse, reach: &Reach) -> Fit {
    let here = Fit::of(fit.model.clone(), coarse, Part::Level).criterion(Part::Level);
    let others = with_other_edges(&fit.model).into_iter();
    let fewer = others.filter(|model| model.sections.len() < fit.model.sections.len());
    let simpler = fewer
        .map(|model| refine(model, coarse, Part::Level, reach, 40))
        .filter(|tried| tried.criterion(Part::Level) < here)
        .map(|tried| finished(tried.model, response, reach));
    simpler.chain([fit.clone()]).min_by(by_criterion).unwrap_or(fit)
}

/// The explanation of the level that a model comes to which was last fitted to level and phase together: where its filters
/// are wrong the two pull it apart.
pub(super) fn by_level(model: &ChannelModel, response: &LineResponse, heard: &LineResponse) -> Option<Fit> {
    let reach = within_band(heard, &band_of(response)?)
        .up_to_edges(model.high_pass.as_ref(), model.low_pass.as_ref());
    Some(refine(model.clone(), heard, Part::Level, &reach, 40))
}

fn edges_of(model: &ChannelModel) -> impl Iterator<Item = f64> {
    model.high_pass.iter().chain(&model.low_pass).map(|edge| edge.frequency_hz)
}

/// Edges of first order may be exchanged: only the gain tells. The lower one is the high-pass.
fn in_order(mut fit: Fit) -> Fit {
    let model = &mut fit.model;
    if let (Some(low), Some(high)) = (&mut model.high_pass, &mut model.low_pass)
        && (low.order, high.order) == (1, 1)
        && low.frequency_hz > high.frequency_hz
    {
        let warp = Warp::new(model.rate_hz);
        std::mem::swap(&mut low.frequency_hz, &mut high.frequency_hz);
        let ratio = warp.tangent(low.frequency_hz) / warp.tangent(high.frequency_hz);
        model.gain_db += 20.0 * ratio.log10();
    }
    fit
}

/// Explanations like `best` but for one edge, as far as they come near it.
fn swapped(best: &Fit, coarse: &LineResponse, response: &LineResponse, reach: &Reach) -> Vec<Fit> {
    let here = Fit::of(best.model.clone(), coarse, Part::Level).criterion(Part::Level);
    let criterion = |fit: &Fit| fit.criterion(Part::Level);
    let tried = with_other_edges(&best.model);
    let mut tried: Vec<Fit> =
        tried.into_iter().map(|model| refine(model, coarse, Part::Level, reach, 40)).collect();
    tried.sort_by(|a, b| criterion(a).total_cmp(&criterion(b)));
    tried.retain(|fit| criterion(fit) < here + NEAR);
    tried.truncate(FINALISTS);
    let completed = tried.into_iter().map(|fit| equalised(fit.model, coarse, reach, here, SIDE_BY_SIDE));
    completed
        .filter(|fit| criterion(fit) < here + RIVAL_NEAR)
        .map(|fit| finished(fit.model, response, reach))
        .collect()
}

/// Times that the filters at the edges are exchanged for others.
const SWAPS: usize = 3;
/// By how much more an exchanged edge may leave before bands are added to it, and afterwards.
const NEAR: f64 = 150.0;
const RIVAL_NEAR: f64 = 30.0;
/// Candidates that are fitted on every point.
const FINALISTS: usize = 4;

/// Where equaliser bands are looked for: an octave beyond the −6 dB points.
fn within_band(response: &LineResponse, band: &Band) -> Reach {
    let ends = (response.frequency_hz.first(), response.frequency_hz.last());
    let low_hz = band.low_hz.map(|hz| hz / 2.0).or(ends.0.copied()).unwrap_or(5.0);
    let high_hz = band.high_hz.map(|hz| hz * 2.0).or(ends.1.copied()).unwrap_or(20_000.0);
    Reach { hz: (low_hz, high_hz.max(2.0 * low_hz)), edges_hz: (None, None) }
}
