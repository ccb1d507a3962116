//! Band edges and equaliser bands from the level alone.
//!
//! Delay, polarity and all-passes leave no trace in the level, so it is explained first: candidates of edge family
//! and order are fitted with as many equaliser bands as they need, and the one that explains the level with the
//! fewest numbers wins (Schwarz 1978).

use super::fit::{Fit, Part, refine, residuals};
use super::model::{ChannelModel, Reach, bell, edge};
use super::response::LineResponse;
use crate::filter::Warp;
use crate::tune::{Crossover, CrossoverFamily, Pass, Section, SectionKind};

/// Equaliser bands that are looked for in one output.
const MOST_SECTIONS: usize = 9;
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

/// Where a channel's level falls off for good.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Band {
    /// Level in the band, the median between the edges.
    pub level_db: f64,
    /// −6 dB point below; none when the level holds to the end of the measurement.
    pub low_hz: Option<f64>,
    /// −6 dB point above.
    pub high_hz: Option<f64>,
}

impl Band {
    /// True between its edges.
    pub fn holds(&self, hz: f64) -> bool {
        self.low_hz.is_none_or(|low| hz >= low) && self.high_hz.is_none_or(|high| hz <= high)
    }
}

/// The band of a response: outermost −6 dB points against the median level between them.
///
/// The two depend on each other and are settled by repetition, starting at the highest third-octave level.
pub(super) fn band_of(response: &LineResponse) -> Option<Band> {
    let level_db = response.level_db();
    let hz = &response.frequency_hz;
    let top_db = smoothed(hz, &level_db, 1.0 / 3.0).into_iter().fold(f64::NEG_INFINITY, f64::max);
    let mut band = crossing(hz, &level_db, top_db)?;
    for _ in 0..20 {
        let mut levels: Vec<f64> =
            (0..hz.len()).filter(|&i| band.holds(hz[i])).map(|i| level_db[i]).collect();
        if levels.is_empty() {
            return Some(band);
        }
        levels.sort_by(f64::total_cmp);
        let next = crossing(hz, &level_db, levels[levels.len() / 2])?;
        if next == band {
            break;
        }
        band = next;
    }
    Some(band)
}

/// Outermost places where the level passes `reference_db − 6`.
fn crossing(hz: &[f64], level_db: &[f64], reference_db: f64) -> Option<Band> {
    let limit = reference_db - 6.0;
    let first = level_db.iter().position(|&l| l >= limit)?;
    let last = level_db.iter().rposition(|&l| l >= limit)?;
    let between = |a: usize, b: usize| {
        let share = (limit - level_db[a]) / (level_db[b] - level_db[a]);
        hz[a] * (hz[b] / hz[a]).powf(share)
    };
    Some(Band {
        level_db: reference_db,
        low_hz: (first > 0).then(|| between(first - 1, first)),
        high_hz: (last + 1 < hz.len()).then(|| between(last + 1, last)),
    })
}

/// Running mean over `octaves` on a logarithmic axis.
fn smoothed(hz: &[f64], level_db: &[f64], octaves: f64) -> Vec<f64> {
    let half = (0.5 * octaves).exp2();
    hz.iter()
        .map(|&centre| {
            let from = hz.partition_point(|&f| f < centre / half);
            let to = hz.partition_point(|&f| f <= centre * half);
            level_db[from..to].iter().sum::<f64>() / (to - from) as f64
        })
        .collect()
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

/// Place of an edge and its order from how steeply the level falls, as deep as it is heard.
///
/// The slope is taken along the warped axis, on which a digital filter falls like its analogue model.
fn order_estimate(response: &LineResponse, band: &Band, pass: Pass, rate_hz: f64) -> Option<(f64, f64)> {
    let corner = match pass {
        Pass::High => band.low_hz?,
        Pass::Low => band.high_hz?,
    };
    let warp = Warp::new(rate_hz);
    let level_db = response.level_db();
    let outside = |i: &usize| match pass {
        Pass::High => response.frequency_hz[*i] < corner,
        Pass::Low => response.frequency_hz[*i] > corner,
    };
    let points: Vec<(f64, f64)> = (0..response.len())
        .filter(outside)
        .filter(|&i| response.sigma_ln[i] < 0.03)
        .map(|i| (warp.tangent(response.frequency_hz[i]).log2(), level_db[i] - band.level_db))
        .collect();
    let deepest_db = points.iter().map(|p| p.1).fold(0.0, f64::min);
    // Bells near the edge bend its beginning; the end is bent the least.
    let fall: Vec<&(f64, f64)> = points.iter().filter(|p| p.1 < (deepest_db + 15.0).min(-4.0)).collect();
    if fall.len() < 4 {
        return None;
    }
    let n = fall.len() as f64;
    let (mean_x, mean_y) =
        (fall.iter().map(|p| p.0).sum::<f64>() / n, fall.iter().map(|p| p.1).sum::<f64>() / n);
    let slope = fall.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>()
        / fall.iter().map(|p| (p.0 - mean_x).powi(2)).sum::<f64>().max(1e-12);
    Some((corner, slope.abs() / 6.02))
}

/// An edge that falls by less than this may be none.
const SHALLOW_DB: f64 = 25.0;

/// Families and orders worth trying at an edge, likeliest first; `None` (no edge) where the level holds to the end.
fn candidates(response: &LineResponse, band: &Band, pass: Pass, rate_hz: f64) -> Vec<Option<Crossover>> {
    let Some((corner, order)) = order_estimate(response, band, pass, rate_hz) else { return vec![None] };
    let mut list = Vec::new();
    for n in 1..=8u8 {
        for family in [CrossoverFamily::LinkwitzRiley, CrossoverFamily::Butterworth] {
            // Butterworth's −6 dB point lies further out than its own −3 dB frequency.
            let out = match family {
                CrossoverFamily::LinkwitzRiley => 1.0,
                _ => 3f64.powf(0.5 / f64::from(n)),
            };
            let nominal = match pass {
                Pass::High => corner * out,
                Pass::Low => corner / out,
            };
            list.extend(edge(pass, family, n, nominal));
        }
    }
    let far = |edge: &Crossover| (f64::from(edge.order) - order).abs();
    // A bell at the edge bends the slope by up to about an order, a steep one's by more.
    list.retain(|edge| far(edge) <= 1.05 + 0.1 * order);
    list.sort_by(|a, b| far(a).total_cmp(&far(b)));
    let mut list: Vec<Option<Crossover>> = list.into_iter().map(Some).collect();
    // What falls but little may be equalised down, with no edge at all.
    let level_db = response.level_db();
    let end_db = if pass == Pass::High { level_db.first() } else { level_db.last() };
    if list.is_empty() || end_db.is_some_and(|end| end - band.level_db > -SHALLOW_DB) {
        list.push(None);
    }
    list
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
    let by_criterion = |a: &Fit, b: &Fit| a.criterion(Part::Level).total_cmp(&b.criterion(Part::Level));
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
    if let Some(best) = finals.first() {
        let swapped = other_families(&best.model).into_iter().map(|model| {
            let rival = best.criterion(Part::Level);
            finished(equalised(model, &coarse, &reach, rival, SIDE_BY_SIDE).model, response, &reach)
        });
        let swapped: Vec<Fit> = swapped.collect();
        finals.extend(swapped);
    }
    finals.sort_by(by_criterion);
    // Where more than noise is left over the bands may have gone astray.
    if let Some(best) = finals.first().filter(|best| best.reduced() > MORE_THAN_NOISE) {
        let bare = ChannelModel { sections: Vec::new(), gain_db: band.level_db, ..best.model.clone() };
        reach = reach.up_to_edges(bare.high_pass.as_ref(), bare.low_pass.as_ref());
        let anew = equalised(bare, &coarse, &reach, f64::INFINITY, MANY_SIDE_BY_SIDE);
        finals.push(finished(repaired(anew, &coarse, &reach).model, response, &reach));
        finals.sort_by(by_criterion);
    }
    // An edge beyond what was heard is none.
    finals.sort_by_key(|fit| !edges_of(&fit.model).all(|hz| heard_hz.contains(&hz)));
    let mut finals = finals.into_iter().map(in_order);
    let fit = finals.next()?;
    let rival = finals.find(|other| !same_edges(&other.model, &fit.model));
    Some(Shape { fit, rival, reach })
}

/// The explanation with band edges that are known from elsewhere and stay where they are; bands are looked for anew, and
/// those of `before` are tried as well.
pub(super) fn explain_held(
    response: &LineResponse,
    per_octave: f64,
    before: &ChannelModel,
    (low, high): (Option<Crossover>, Option<Crossover>),
) -> Option<Shape> {
    let band = band_of(response)?;
    let response = &clearly_heard(response);
    let within = within_band(response, &band).up_to_edges(low.as_ref(), high.as_ref());
    let reach = Reach { held: (low.is_some(), high.is_some()), ..within };
    let coarse = response.every((per_octave / COARSE_PER_OCTAVE as f64).round().max(1.0) as usize);
    let edged = ChannelModel {
        high_pass: low.or(before.high_pass),
        low_pass: high.or(before.low_pass),
        all_passes: Vec::new(),
        delay_s: 0.0,
        inverted: false,
        ..before.clone()
    };
    let bare = ChannelModel { sections: Vec::new(), gain_db: band.level_db, ..edged.clone() };
    let anew = equalised(bare, &coarse, &reach, f64::INFINITY, MANY_SIDE_BY_SIDE);
    let anew = repaired(anew, &coarse, &reach);
    let tried = [edged, anew.model].map(|model| finished(model, response, &reach));
    let better = |a: &Fit, b: &Fit| a.criterion(Part::Level).total_cmp(&b.criterion(Part::Level));
    let held = tried.into_iter().min_by(better)?;
    // The other side knows the place to a hair only; it may move by that much.
    let free = Reach { held: (false, false), ..reach };
    let released = refine(held.model.clone(), response, Part::Level, &free, 80);
    let stayed =
        edges_of(&released.model).zip(edges_of(&held.model)).all(|(a, b)| (a / b).ln().abs() < A_HAIR);
    let fit = if stayed { released } else { held };
    Some(Shape { fit: in_order(fit), rival: None, reach })
}

/// By how much an edge may move from where the other side of its split has it, as a share of its frequency.
const A_HAIR: f64 = 0.02;

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

/// The same explanation with one edge of the other family and without the broad bands at that edge: two such bands turn
/// Linkwitz–Riley into Butterworth of the same order, and a search that began with one family does not leave it.
fn other_families(model: &ChannelModel) -> Vec<ChannelModel> {
    let swapped = |this: &Crossover| {
        let family = match this.family {
            CrossoverFamily::Butterworth => CrossoverFamily::LinkwitzRiley,
            _ => CrossoverFamily::Butterworth,
        };
        let other = edge(this.pass, family, this.order, this.frequency_hz)?;
        let at_the_edge = |s: &Section| s.q < 1.4 && (s.frequency_hz / this.frequency_hz).log2().abs() < 0.7;
        let mut model = model.clone();
        model.sections.retain(|s| !at_the_edge(s));
        match this.pass {
            Pass::High => model.high_pass = Some(other),
            Pass::Low => model.low_pass = Some(other),
        }
        Some(model)
    };
    model.high_pass.iter().chain(&model.low_pass).filter_map(swapped).collect()
}

/// Candidates that are fitted on every point.
const FINALISTS: usize = 4;

/// Where equaliser bands are looked for: an octave beyond the −6 dB points.
fn within_band(response: &LineResponse, band: &Band) -> Reach {
    let ends = (response.frequency_hz.first(), response.frequency_hz.last());
    let low_hz = band.low_hz.map(|hz| hz / 2.0).or(ends.0.copied()).unwrap_or(5.0);
    let high_hz = band.high_hz.map(|hz| hz * 2.0).or(ends.1.copied()).unwrap_or(20_000.0);
    Reach { hz: (low_hz, high_hz.max(2.0 * low_hz)), held: (false, false) }
}

fn kind(edge: &Option<Crossover>) -> Option<(CrossoverFamily, u8)> {
    edge.as_ref().map(|e| (e.family, e.order))
}

pub(super) fn same_edges(a: &ChannelModel, b: &ChannelModel) -> bool {
    kind(&a.high_pass) == kind(&b.high_pass) && kind(&a.low_pass) == kind(&b.low_pass)
}

/// Explanations kept side by side while bands are added: the best next band is not always part of the best whole.
const SIDE_BY_SIDE: usize = 2;
/// The same for the few that are worth a longer search.
const MANY_SIDE_BY_SIDE: usize = 6;
/// Above this more than noise is left over, in units of the noise's power.
pub(super) const MORE_THAN_NOISE: f64 = 1.6;
/// A band must better the criterion by this much.
const WORTH_A_BAND: f64 = 3.0;
/// A candidate this far behind its rival with no more to gain is given up.
const HOPELESS: f64 = 30.0;

/// Adds equaliser bands to a model for as long as they pay for their numbers.
fn equalised(
    start: ChannelModel,
    response: &LineResponse,
    reach: &Reach,
    rival: f64,
    side_by_side: usize,
) -> Fit {
    let mut beam = vec![refine(start, response, Part::Level, reach, 25)];
    let mut best = beam[0].clone();
    let mut without_gain = 0;
    for _ in 0..MOST_SECTIONS {
        let mut next: Vec<Fit> = beam.iter().flat_map(|fit| with_one_more(fit, response, reach)).collect();
        next.sort_by(|a, b| a.chi_squared.total_cmp(&b.chi_squared));
        next.dedup_by(|a, b| (a.chi_squared / b.chi_squared - 1.0).abs() < 1e-2);
        next.truncate(side_by_side);
        beam = next.into_iter().map(|fit| refine(fit.model, response, Part::Level, reach, 25)).collect();
        let Some(leader) = beam.iter().min_by(|a, b| a.chi_squared.total_cmp(&b.chi_squared)) else { break };
        if leader.criterion(Part::Level) < best.criterion(Part::Level) - WORTH_A_BAND {
            best = leader.clone();
            without_gain = 0;
        } else {
            // Two bands may be needed where one alone does nothing.
            without_gain += 1;
            if without_gain == 2 {
                break;
            }
        }
        // Every further band costs its three numbers, and nothing is explained better than the least.
        let floor = super::fit::criterion(0.0, best.count, leader.model.parameters(false).len() + 3);
        if floor > best.criterion(Part::Level).min(rival + HOPELESS) {
            break;
        }
    }
    best
}

/// Takes each band out in turn and lets another find its place, for as long as that helps: what was added first was
/// placed when the others were not there yet.
fn repaired(fit: Fit, response: &LineResponse, reach: &Reach) -> Fit {
    let mut best = fit;
    for _ in 0..2 {
        let before = best.chi_squared;
        for i in 0..best.model.sections.len() {
            let mut without = best.model.clone();
            without.sections.remove(i);
            let without = refine(without, response, Part::Level, reach, 10);
            let again = with_one_more(&without, response, reach).into_iter();
            let Some(again) = again.min_by(|a, b| a.chi_squared.total_cmp(&b.chi_squared)) else { continue };
            let again = refine(again.model, response, Part::Level, reach, 25);
            if again.chi_squared < 0.98 * best.chi_squared {
                best = again;
            }
        }
        if best.chi_squared > 0.9 * before {
            break;
        }
    }
    best
}

/// A band weaker than this is not worth a line.
const WEAKEST_BAND_DB: f64 = 0.15;

fn finished(model: ChannelModel, response: &LineResponse, reach: &Reach) -> Fit {
    let mut best = refine(model, response, Part::Level, reach, 80);
    // A band that does not earn its keep goes.
    let mut i = 0;
    while i < best.model.sections.len() {
        let mut without = best.model.clone();
        let gone = without.sections.remove(i);
        let without = refine(without, response, Part::Level, reach, 25);
        if gone.gain_db.abs() < WEAKEST_BAND_DB
            || without.criterion(Part::Level) < best.criterion(Part::Level) + WORTH_A_BAND
        {
            best = without;
        } else {
            i += 1;
        }
    }
    best
}

/// Places where one more bell is tried.
const PLACES: usize = 3;

/// Fits with one more band: a bell where most is left over, a bell split in two, or a shelf at an open end.
fn with_one_more(fit: &Fit, response: &LineResponse, reach: &Reach) -> Vec<Fit> {
    let left = residuals(&fit.model, response, Part::Level);
    let hz = &response.frequency_hz;
    let left_db: Vec<f64> =
        left.iter().zip(&response.sigma_ln).map(|(r, s)| r * s * super::model::DB_PER_NEPER).collect();
    // Points that are less sure count for less, but none for everything.
    let weight: Vec<f64> = response.sigma_ln.iter().map(|s| 1.0 / (1.0 + s / 2e-3)).collect();
    let smooth = smoothed(hz, &left_db, 1.0 / 6.0);
    let weighed: Vec<f64> = smooth.iter().zip(&weight).map(|(db, w)| db.abs() * w).collect();
    let inside = |i: &usize| (reach.hz.0..=reach.hz.1).contains(&hz[*i]);
    let mut order: Vec<usize> = (0..hz.len()).filter(inside).collect();
    order.sort_by(|&a, &b| weighed[b].total_cmp(&weighed[a]));
    let mut places: Vec<usize> = Vec::new();
    for i in order {
        if places.len() == PLACES {
            break;
        }
        if places.iter().all(|&p| (hz[p] / hz[i]).log2().abs() > 0.35) {
            places.push(i);
        }
    }
    let mut starts: Vec<Vec<Section>> = Vec::new();
    let with = |section: Section| {
        let mut sections = fit.model.sections.clone();
        sections.push(section);
        sections
    };
    for (rank, &i) in places.iter().enumerate() {
        let qs: &[f64] = if rank == 0 { &[0.7, 1.5, 4.0] } else { &[1.5] };
        starts.extend(qs.iter().map(|&q| with(bell(hz[i], left_db[i].clamp(-12.0, 12.0), q))));
    }
    // Two bells close together look like one at first.
    let nearest = |i: usize| {
        let far = |s: &Section| (s.frequency_hz / hz[i]).log2().abs();
        let bells = fit.model.sections.iter().enumerate().filter(|(_, s)| s.kind == SectionKind::Peaking);
        bells.min_by(|a, b| far(a.1).total_cmp(&far(b.1))).map(|(k, _)| k)
    };
    if let Some(k) = places.first().and_then(|&i| nearest(i)) {
        let whole = fit.model.sections[k];
        let mut sections = fit.model.sections.clone();
        let half = |ratio: f64| Section {
            frequency_hz: whole.frequency_hz * ratio,
            gain_db: 0.6 * whole.gain_db,
            q: 1.4 * whole.q,
            ..whole
        };
        sections[k] = half(0.84);
        sections.push(half(1.19));
        starts.push(sections);
    }
    let shelf = |kind, frequency_hz, gain_db: f64| Section {
        kind,
        frequency_hz,
        gain_db: gain_db.clamp(-12.0, 12.0),
        q: 0.7,
    };
    // Where a shelf would stand: what is left over at an open end has come down to half.
    let within = |i: Option<usize>| i.map_or(reach.hz.1, |i| hz[i]).clamp(reach.hz.0, reach.hz.1);
    if fit.model.high_pass.is_none()
        && let Some(&gain_db) = smooth.first()
    {
        let places = [
            150.0f64.clamp(reach.hz.0, reach.hz.1),
            within(smooth.iter().position(|level_db| level_db / gain_db < 0.5)),
        ];
        starts.extend(places.map(|place| with(shelf(SectionKind::LowShelf, place, gain_db))));
    }
    if fit.model.low_pass.is_none()
        && let Some(&gain_db) = smooth.last()
    {
        let places = [
            5_000.0f64.clamp(reach.hz.0, reach.hz.1),
            within(smooth.iter().rposition(|level_db| level_db / gain_db < 0.5)),
        ];
        starts.extend(places.map(|place| with(shelf(SectionKind::HighShelf, place, gain_db))));
    }
    let tried = starts.into_iter().map(|sections| {
        let model = ChannelModel { sections, ..fit.model.clone() };
        refine(model, response, Part::Level, reach, 8)
    });
    tried.collect()
}
