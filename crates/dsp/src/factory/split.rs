//! One split, two sides: where a signal is split, the output below and the output above show the same filter.
//!
//! Each output's own equalisation can pass for another slope; hardly ever does it do so on both sides alike. That the two
//! sides of a split have one family, order and frequency is common practice in the trade, no source.

use super::channel::{ChannelFinding, Sure};
use crate::tune::{Crossover, CrossoverFamily};

/// Edges further apart than this belong to different splits, however far a finding has gone astray.
const ONE_SPLIT_OCTAVES: f64 = 2.2;
/// Edges of others this close to one another belong to one split.
const TOGETHER_OCTAVES: f64 = 0.2;
/// Edges that agree to this need no second look.
const ALIKE_OCTAVES: f64 = 0.01;

/// Band edges of one output as others show them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The lower edge, where another one than its own is shown or its own is in doubt.
    pub low: Option<Crossover>,
    /// The upper edge.
    pub high: Option<Crossover>,
    /// True where those who show it are sure of it.
    pub sure: bool,
}

/// What the others show of each output's edges; none where its own finding is sure and says the same.
pub fn shown_by_others(findings: &[ChannelFinding]) -> Vec<Option<Shown>> {
    let shown = |(i, finding): (usize, &ChannelFinding)| {
        let by = |own: Option<Crossover>| own.and_then(|own| by_others(findings, i, own));
        let (low, high) = (by(finding.model.high_pass), by(finding.model.low_pass));
        let sure = [low, high].iter().flatten().all(|(_, sure)| *sure);
        (low.is_some() || high.is_some()).then(|| Shown {
            low: low.map(|(edge, _)| edge),
            high: high.map(|(edge, _)| edge),
            sure,
        })
    };
    findings.iter().enumerate().map(shown).collect()
}

/// What most of the others say of the split nearest to `own`; none where that is what `own` says already.
fn by_others(findings: &[ChannelFinding], i: usize, own: Crossover) -> Option<(Crossover, bool)> {
    let sure = |finding: &ChannelFinding| finding.confidence.edges == Sure::High;
    let octaves = |a: f64, b: f64| (a / b).log2().abs();
    // An output that is sure counts twice; one that is not may be proved right by the other side.
    let others = findings.iter().enumerate().filter(|(j, _)| *j != i);
    let shown: Vec<(Crossover, bool)> = others
        .flat_map(|(_, other)| std::iter::repeat_n(other, if sure(other) { 2 } else { 1 }))
        .flat_map(|other| other.edges().into_iter().map(move |(_, edge)| (edge, sure(other))))
        .filter(|(edge, _)| octaves(edge.frequency_hz, own.frequency_hz) < ONE_SPLIT_OCTAVES)
        .collect();
    let distance = |(edge, _): &&(Crossover, bool)| octaves(edge.frequency_hz, own.frequency_hz);
    let nearest_hz = shown.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)))?.0.frequency_hz;
    let votes: Vec<&(Crossover, bool)> =
        shown.iter().filter(|(edge, _)| octaves(edge.frequency_hz, nearest_hz) < TOGETHER_OCTAVES).collect();
    let kind_of = |edge: &Crossover| (edge.family, edge.order);
    let of_kind = |kind: (CrossoverFamily, u8)| votes.iter().filter(move |(edge, _)| kind_of(edge) == kind);
    let kind = votes.iter().map(|(edge, _)| kind_of(edge)).max_by_key(|kind| of_kind(*kind).count())?;
    let by_sure = of_kind(kind).any(|(_, sure)| *sure);
    let mut places: Vec<f64> = of_kind(kind).map(|(edge, _)| edge.frequency_hz).collect();
    places.sort_by(f64::total_cmp);
    let frequency_hz = *places.get(places.len() / 2)?;
    let alike = (own.family, own.order) == kind && octaves(own.frequency_hz, frequency_hz) < ALIKE_OCTAVES;
    let settled = alike && findings.get(i).is_some_and(sure);
    let edge = Crossover { family: kind.0, order: kind.1, frequency_hz, ..own };
    (!settled).then_some((edge, by_sure))
}
