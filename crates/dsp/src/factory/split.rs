//! One split, two sides: where a signal is split, the output below and the output above show the same filter.
//!
//! Each output's own equalisation can pass for another slope; hardly ever does it do so on both sides alike. That the two
//! sides of a split have one family, order and frequency is common practice in the trade, no source.

use super::channel::{ChannelFinding, Sure};
use crate::tune::{Crossover, Pass};

/// A split is looked for this far from where an output seems to end, however far a finding has gone astray.
const ONE_SPLIT_OCTAVES: f64 = 2.2;
/// Edges of others this close to one another belong to one split.
const TOGETHER_OCTAVES: f64 = 0.2;
/// Edges of the same split may seem this far apart while one of them is taken for another filter.
const CONFUSED_OCTAVES: f64 = 0.4;
/// Edges that agree to this need no second look.
const ALIKE_OCTAVES: f64 = 0.01;
/// Edges this close need not be tried one after the other.
const TO_A_HAIR_OCTAVES: f64 = 0.002;
/// An edge of at most this order may be none, bent by equalisation.
const GENTLE_ORDER: u8 = 2;
/// Pairs of edges that are tried on one output.
const MOST_TRIED: usize = 6;

/// Band edges that an output has by what others show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The lower edge.
    pub low: Edge,
    /// The upper edge.
    pub high: Edge,
}

/// One edge of [`Shown`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Edge {
    /// As the output itself has it.
    Own,
    /// As others show it: a filter, or that there is none.
    Shown {
        /// The filter.
        edge: Option<Crossover>,
        /// True where those who show it are sure of it.
        sure: bool,
    },
}

impl Edge {
    /// True unless those who show it are in doubt themselves.
    pub fn is_sure(&self) -> bool {
        !matches!(self, Self::Shown { sure: false, .. })
    }

    /// True where others show it.
    pub fn is_shown(&self) -> bool {
        matches!(self, Self::Shown { .. })
    }

    fn is_like(self, other: Self) -> bool {
        match (self, other) {
            (Self::Own, Self::Own) => true,
            (Self::Shown { edge: a, sure: is_sure }, Self::Shown { edge: b, sure }) => {
                let alike = match (a, b) {
                    (Some(a), Some(b)) => {
                        same_kind(&a, &b) && octaves(a.frequency_hz, b.frequency_hz) < TO_A_HAIR_OCTAVES
                    }
                    (None, None) => true,
                    _ => false,
                };
                alike && is_sure == sure
            }
            _ => false,
        }
    }
}

impl Shown {
    /// True where both say the same, to a hair, and are as sure of it.
    pub fn is_like(&self, other: &Self) -> bool {
        self.low.is_like(other.low) && self.high.is_like(other.high)
    }
}

/// What the others show of each output's edges, likeliest first; nothing where its own finding is sure and nobody
/// contradicts it.
pub fn shown_by_others(findings: &[ChannelFinding]) -> Vec<Vec<Shown>> {
    let pairs = |(i, own): (usize, &ChannelFinding)| {
        let (low, high) = (options(findings, i, Pass::High), options(findings, i, Pass::Low));
        let mut pairs: Vec<Shown> =
            low.iter().flat_map(|&low| high.iter().map(move |&high| Shown { low, high })).collect();
        pairs.retain(|pair| pair.low.is_shown() || pair.high.is_shown());
        let crossed =
            |pair: &Shown| match (edge_of(pair.low, own, Pass::High), edge_of(pair.high, own, Pass::Low)) {
                (Some(low), Some(high)) => low.frequency_hz >= high.frequency_hz,
                _ => false,
            };
        pairs.retain(|pair| !crossed(pair));
        let shown = |pair: &Shown| usize::from(pair.low.is_shown()) + usize::from(pair.high.is_shown());
        let doubted = |pair: &Shown| usize::from(!pair.low.is_sure()) + usize::from(!pair.high.is_sure());
        pairs.sort_by_key(|pair| (doubted(pair), shown(pair)));
        pairs.truncate(MOST_TRIED);
        pairs
    };
    findings.iter().enumerate().map(pairs).collect()
}

fn edge_of(edge: Edge, own: &ChannelFinding, pass: Pass) -> Option<Crossover> {
    match edge {
        Edge::Own => own_edge(own, pass),
        Edge::Shown { edge, .. } => edge,
    }
}

fn own_edge(finding: &ChannelFinding, pass: Pass) -> Option<Crossover> {
    match pass {
        Pass::High => finding.model.high_pass,
        Pass::Low => finding.model.low_pass,
    }
}

fn is_sure(finding: &ChannelFinding) -> bool {
    finding.confidence.edges == Sure::High
}

fn octaves(a: f64, b: f64) -> f64 {
    (a / b).log2().abs()
}

fn same_kind(a: &Crossover, b: &Crossover) -> bool {
    (a.family, a.order) == (b.family, b.order)
}

/// The output's own edge, and those it may have by what others show.
fn options(findings: &[ChannelFinding], i: usize, pass: Pass) -> Vec<Edge> {
    let mut list = vec![Edge::Own];
    let finding = &findings[i];
    let Some(own) = own_edge(finding, pass) else { return list };
    let ends_hz = match pass {
        Pass::High => finding.band_hz.0,
        Pass::Low => finding.band_hz.1,
    };
    let far = |edge: &Crossover| {
        octaves(edge.frequency_hz, own.frequency_hz).min(octaves(edge.frequency_hz, ends_hz))
    };
    for split in splits(findings, i) {
        let within = if is_sure(finding) { CONFUSED_OCTAVES } else { ONE_SPLIT_OCTAVES };
        let alike = same_kind(&split.edge, &own)
            && octaves(split.edge.frequency_hz, own.frequency_hz) < ALIKE_OCTAVES;
        // What is sure and agrees with anyone of its split is settled.
        if alike && is_sure(finding) {
            return vec![Edge::Own];
        }
        if far(&split.edge) < within {
            list.push(Edge::Shown { edge: Some(Crossover { pass, ..split.edge }), sure: split.sure });
        }
    }
    let others = findings.iter().enumerate().filter(|(j, _)| *j != i);
    let open: Vec<bool> = others
        .filter(|(_, other)| own_edge(other, pass).is_none())
        .map(|(_, other)| is_sure(other))
        .collect();
    if own.order <= GENTLE_ORDER && !is_sure(finding) && !open.is_empty() {
        list.push(Edge::Shown { edge: None, sure: open.contains(&true) });
    }
    list
}

/// A filter that outputs show, on either side of it.
struct Split {
    edge: Crossover,
    sure: bool,
}

/// The splits that all outputs but one show.
fn splits(findings: &[ChannelFinding], but: usize) -> Vec<Split> {
    let mut edges: Vec<Split> = findings
        .iter()
        .enumerate()
        .filter(|(j, _)| *j != but)
        .flat_map(|(_, other)| {
            other.edges().into_iter().map(|(_, edge)| Split { edge, sure: is_sure(other) })
        })
        .collect();
    edges.sort_by(|a, b| a.edge.frequency_hz.total_cmp(&b.edge.frequency_hz));
    let mut splits: Vec<Vec<Split>> = Vec::new();
    for this in edges {
        let same = |group: &&mut Vec<Split>| {
            group.first().is_some_and(|first| {
                same_kind(&first.edge, &this.edge)
                    && octaves(first.edge.frequency_hz, this.edge.frequency_hz) < TOGETHER_OCTAVES
            })
        };
        match splits.iter_mut().find(same) {
            Some(group) => group.push(this),
            None => splits.push(vec![this]),
        }
    }
    let middle = |mut group: Vec<Split>| {
        let sure = group.iter().any(|split| split.sure);
        // Those that are sure know the place.
        group.retain(|split| split.sure == sure);
        let edge = group.get(group.len() / 2)?.edge;
        Some(Split { edge, sure })
    };
    splits.into_iter().filter_map(middle).collect()
}

/// Makes outputs less sure of an edge where others show a split in its neighbourhood, and none of them that very filter: one
/// of them is wrong.
pub fn doubt_contradicted(findings: &mut [ChannelFinding]) {
    let contradicted: Vec<bool> = (0..findings.len())
        .map(|i| {
            let splits = splits(findings, i);
            findings[i].edges().iter().any(|(_, own)| {
                let apart = |split: &Split| octaves(split.edge.frequency_hz, own.frequency_hz);
                let confirmed =
                    splits.iter().any(|it| apart(it) < TOGETHER_OCTAVES && same_kind(&it.edge, own));
                !confirmed && splits.iter().any(|it| apart(it) < ONE_SPLIT_OCTAVES)
            })
        })
        .collect();
    for (finding, _) in findings.iter_mut().zip(contradicted).filter(|(_, it)| *it) {
        finding.confidence.edges = finding.confidence.edges.min(Sure::Medium);
    }
}
