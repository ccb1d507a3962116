//! Band edges and equaliser bands from the level alone.
//!
//! Delay, polarity and all-passes leave no trace in the level, so it is explained first: candidates of edge family
//! and order are fitted with as many equaliser bands as they need, and the one that explains the level with the
//! fewest numbers wins (Schwarz 1978).

use super::fit::{Fit, Part, refine, residuals};
use super::model::{ChannelModel, bell, edge};
use super::response::LineResponse;
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

/// The band of a response: outermost −6 dB points against the median level between them.
///
/// The two depend on each other and are settled by repetition, starting at the highest third-octave level.
pub(super) fn band_of(response: &LineResponse) -> Option<Band> {
    let level_db = response.level_db();
    let hz = &response.frequency_hz;
    let top_db = smoothed(hz, &level_db, 1.0 / 3.0).into_iter().fold(f64::NEG_INFINITY, f64::max);
    let mut band = crossing(hz, &level_db, top_db)?;
    for _ in 0..20 {
        let inside = |i: &usize| {
            band.low_hz.is_none_or(|low| hz[*i] >= low) && band.high_hz.is_none_or(|high| hz[*i] <= high)
        };
        let mut levels: Vec<f64> = (0..hz.len()).filter(inside).map(|i| level_db[i]).collect();
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

/// Order of an edge from how steeply the level falls from 10 to 40 dB below the band.
fn order_estimate(response: &LineResponse, band: &Band, pass: Pass) -> Option<(f64, f64)> {
    let corner = match pass {
        Pass::High => band.low_hz?,
        Pass::Low => band.high_hz?,
    };
    let level_db = response.level_db();
    let outside = |i: &usize| match pass {
        Pass::High => response.frequency_hz[*i] < corner,
        Pass::Low => response.frequency_hz[*i] > corner,
    };
    let points = |from_db: f64, to_db: f64| -> Vec<(f64, f64)> {
        (0..response.len())
            .filter(outside)
            .map(|i| (response.frequency_hz[i].log2(), level_db[i] - band.level_db))
            .filter(|(_, below)| *below <= from_db && *below >= to_db)
            .collect()
    };
    let mut fall = points(-10.0, -40.0);
    if fall.len() < 4 {
        fall = points(-3.0, -60.0);
    }
    if fall.len() < 3 {
        return None;
    }
    let n = fall.len() as f64;
    let (mean_x, mean_y) =
        (fall.iter().map(|p| p.0).sum::<f64>() / n, fall.iter().map(|p| p.1).sum::<f64>() / n);
    let slope = fall.iter().map(|p| (p.0 - mean_x) * (p.1 - mean_y)).sum::<f64>()
        / fall.iter().map(|p| (p.0 - mean_x).powi(2)).sum::<f64>().max(1e-12);
    Some((corner, slope.abs() / 6.02))
}

/// Families and orders worth trying at an edge; `None` (no edge) where the level holds to the end.
fn candidates(response: &LineResponse, band: &Band, pass: Pass) -> Vec<Option<Crossover>> {
    let Some((corner, order)) = order_estimate(response, band, pass) else { return vec![None] };
    let mut list = Vec::new();
    for n in 1..=8u8 {
        // Equalisation at the edge bends the slope by up to about an order and a half.
        if (f64::from(n) - order).abs() > 1.6 {
            continue;
        }
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
            list.extend(edge(pass, family, n, nominal).map(Some));
        }
    }
    if list.is_empty() { vec![None] } else { list }
}

/// Explains the level of a response measured at `rate_hz`; `None` when there is no level to explain.
pub(super) fn explain(response: &LineResponse, rate_hz: f64, per_octave: f64) -> Option<Shape> {
    let band = band_of(response)?;
    let coarse = response.every((per_octave / COARSE_PER_OCTAVE as f64).round().max(1.0) as usize);
    let (lows, highs) = (candidates(response, &band, Pass::High), candidates(response, &band, Pass::Low));
    let base = ChannelModel { gain_db: band.level_db, ..ChannelModel::flat(rate_hz) };
    let with = |low: &Option<Crossover>, high: &Option<Crossover>| ChannelModel {
        high_pass: *low,
        low_pass: *high,
        ..base.clone()
    };
    let judged = |low: &Option<Crossover>, high: &Option<Crossover>| equalised(with(low, high), &coarse);
    // One edge at a time: they are octaves apart and hardly speak to each other.
    let middle = |list: &[Option<Crossover>]| list[list.len() / 2];
    let mut high = middle(&highs);
    let mut tried: Vec<Fit> = Vec::new();
    let mut low = middle(&lows);
    for _ in 0..2 {
        for (list, is_low) in [(&lows, true), (&highs, false)] {
            if list.len() == 1 && !tried.is_empty() {
                continue;
            }
            let mut fits: Vec<Fit> = list
                .iter()
                .filter_map(|this| {
                    let (l, h) = if is_low { (this, &high) } else { (&low, this) };
                    let known = tried.iter().any(|fit| same_edges(&fit.model, &with(l, h)));
                    (!known).then(|| judged(l, h))
                })
                .collect();
            tried.append(&mut fits);
            tried.sort_by(|a, b| a.criterion(Part::Level).total_cmp(&b.criterion(Part::Level)));
            if let Some(best) = tried.first() {
                let like = |edge: &Option<Crossover>, list: &[Option<Crossover>]| {
                    list.iter().find(|c| kind(c) == kind(edge)).copied().unwrap_or(*edge)
                };
                (low, high) = (like(&best.model.high_pass, &lows), like(&best.model.low_pass, &highs));
            }
        }
    }
    tried.truncate(4);
    // The finalists on every point, with room for bands that the coarse grid hid.
    let mut finals: Vec<Fit> = tried.into_iter().map(|fit| finished(fit.model, response)).collect();
    finals.sort_by(|a, b| a.criterion(Part::Level).total_cmp(&b.criterion(Part::Level)));
    let mut finals = finals.into_iter();
    let fit = finals.next()?;
    let rival = finals.find(|other| !same_edges(&other.model, &fit.model));
    Some(Shape { fit, rival })
}

fn kind(edge: &Option<Crossover>) -> Option<(CrossoverFamily, u8)> {
    edge.as_ref().map(|e| (e.family, e.order))
}

fn same_edges(a: &ChannelModel, b: &ChannelModel) -> bool {
    kind(&a.high_pass) == kind(&b.high_pass) && kind(&a.low_pass) == kind(&b.low_pass)
}

/// Adds equaliser bands to a model for as long as each pays for its three numbers.
fn equalised(start: ChannelModel, response: &LineResponse) -> Fit {
    let mut best = refine(start, response, Part::Level, 25);
    while best.model.sections.len() < MOST_SECTIONS && best.reduced() > 1.2 {
        let Some(next) = with_one_more(&best, response) else { break };
        if next.criterion(Part::Level) >= best.criterion(Part::Level) - 2.0 {
            break;
        }
        best = next;
    }
    best
}

fn finished(model: ChannelModel, response: &LineResponse) -> Fit {
    let fit = equalised(model, response);
    let mut best = refine(fit.model.clone(), response, Part::Level, 60);
    // A band that no longer earns its keep goes.
    let mut i = 0;
    while i < best.model.sections.len() {
        let mut without = best.model.clone();
        without.sections.remove(i);
        let without = refine(without, response, Part::Level, 25);
        if without.criterion(Part::Level) < best.criterion(Part::Level) {
            best = without;
        } else {
            i += 1;
        }
    }
    best
}

/// The best fit with one more band: a bell at the largest residual, or a shelf at either end of the band.
fn with_one_more(fit: &Fit, response: &LineResponse) -> Option<Fit> {
    let left = residuals(&fit.model, response, Part::Level);
    let left_db: Vec<f64> =
        left.iter().zip(&response.sigma_ln).map(|(r, s)| r * s * super::model::DB_PER_NEPER).collect();
    let weighed: Vec<f64> = left.iter().map(|r| r.clamp(-1e4, 1e4)).collect();
    let hz = &response.frequency_hz;
    let smooth = smoothed(hz, &weighed, 1.0 / 6.0);
    let peak = (0..smooth.len()).max_by(|&a, &b| smooth[a].abs().total_cmp(&smooth[b].abs()))?;
    let mut starts: Vec<Section> =
        [0.8, 3.0].iter().map(|&q| bell(hz[peak], left_db[peak].clamp(-12.0, 12.0), q)).collect();
    // The same for the place that is furthest off in dB, which need not be where it is surest.
    let smooth_db = smoothed(hz, &left_db, 1.0 / 6.0);
    let sure = |i: &usize| response.sigma_ln[*i] < 0.02;
    if let Some(far) =
        (0..hz.len()).filter(sure).max_by(|&a, &b| smooth_db[a].abs().total_cmp(&smooth_db[b].abs()))
        && (hz[far] / hz[peak]).log2().abs() > 0.3
    {
        starts.push(bell(hz[far], left_db[far].clamp(-12.0, 12.0), 1.5));
    }
    if fit.model.high_pass.is_none() {
        let gain_db = smooth_db[0].clamp(-12.0, 12.0);
        starts.push(Section { kind: SectionKind::LowShelf, frequency_hz: 150.0, gain_db, q: 0.7 });
    }
    if fit.model.low_pass.is_none() {
        let gain_db = smooth_db[smooth_db.len() - 1].clamp(-12.0, 12.0);
        starts.push(Section { kind: SectionKind::HighShelf, frequency_hz: 5_000.0, gain_db, q: 0.7 });
    }
    starts
        .into_iter()
        .map(|section| {
            let mut model = fit.model.clone();
            model.sections.push(section);
            refine(model, response, Part::Level, 14)
        })
        .min_by(|a, b| a.chi_squared.total_cmp(&b.chi_squared))
        .map(|fit| refine(fit.model, response, Part::Level, 12))
}
