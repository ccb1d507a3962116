//! Where an output's band ends, and which filters may end it.

use super::model::{ChannelModel, edge};
use super::response::LineResponse;
use crate::curve::running_mean;
use crate::filter::Warp;
use crate::tune::{Crossover, CrossoverFamily, Pass, Section};

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
    let top_db = running_mean(hz, &level_db, 1.0 / 3.0, 0.0).into_iter().fold(f64::NEG_INFINITY, f64::max);
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
pub(super) fn candidates(
    response: &LineResponse,
    band: &Band,
    pass: Pass,
    rate_hz: f64,
) -> Vec<Option<Crossover>> {
    let Some((corner, order)) = order_estimate(response, band, pass, rate_hz) else { return vec![None] };
    let mut list = Vec::new();
    for n in 1..=8u8 {
        for family in [CrossoverFamily::LinkwitzRiley, CrossoverFamily::Butterworth] {
            list.extend(edge_through(pass, family, n, corner));
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

/// A band edge by its −6 dB point, which lies further out than Butterworth's own −3 dB frequency.
fn edge_through(pass: Pass, family: CrossoverFamily, order: u8, hz: f64) -> Option<Crossover> {
    edge(
        pass,
        family,
        order,
        match pass {
            Pass::High => hz * out_to_half(family, order),
            Pass::Low => hz / out_to_half(family, order),
        },
    )
}

/// From the −6 dB point to the filter's own frequency, as a ratio.
fn out_to_half(family: CrossoverFamily, order: u8) -> f64 {
    match family {
        CrossoverFamily::LinkwitzRiley => 1.0,
        _ => 3f64.powf(0.5 / f64::from(order)),
    }
}

/// The same explanation with another filter at one of its edges: of the same order and of the next ones, or none instead of
/// one of first order. Once with all its bands, and once without the broad ones at that edge.
///
/// Linkwitz–Riley and Butterworth of one order differ by nothing but such bands, so that a search that began with one of
/// them explains everything and does not come upon the other, which takes fewer.
pub(super) fn with_other_edges(model: &ChannelModel) -> Vec<ChannelModel> {
    let mut list = Vec::new();
    for this in model.edges() {
        let half_hz = match this.pass {
            Pass::High => this.frequency_hz / out_to_half(this.family, this.order),
            Pass::Low => this.frequency_hz * out_to_half(this.family, this.order),
        };
        let mut others: Vec<Option<Crossover>> = Vec::new();
        for family in [CrossoverFamily::LinkwitzRiley, CrossoverFamily::Butterworth] {
            let orders = this.order.saturating_sub(2)..=this.order + 2;
            let near =
                orders.filter(|n| n.abs_diff(this.order) < 2 || family == CrossoverFamily::LinkwitzRiley);
            others.extend(near.filter_map(|n| edge_through(this.pass, family, n, half_hz)).map(Some));
        }
        others.retain(|other| kind(other) != Some((this.family, this.order)));
        if this.order == 1 {
            others.push(None);
        }
        let at_the_edge = |s: &Section| s.q < 1.4 && (s.frequency_hz / this.frequency_hz).log2().abs() < 0.7;
        let fewer: Vec<Section> = model.sections.iter().filter(|s| !at_the_edge(s)).copied().collect();
        for other in others {
            let mut changed = model.clone();
            match this.pass {
                Pass::High => changed.high_pass = other,
                Pass::Low => changed.low_pass = other,
            }
            if fewer.len() < model.sections.len() {
                list.push(ChannelModel { sections: fewer.clone(), ..changed.clone() });
            }
            list.push(changed);
        }
    }
    list
}

pub(super) fn kind(edge: &Option<Crossover>) -> Option<(CrossoverFamily, u8)> {
    edge.as_ref().map(|e| (e.family, e.order))
}

pub(super) fn same_edges(a: &ChannelModel, b: &ChannelModel) -> bool {
    kind(&a.high_pass) == kind(&b.high_pass) && kind(&a.low_pass) == kind(&b.low_pass)
}
