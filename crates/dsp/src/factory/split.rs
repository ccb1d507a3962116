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
const ALIKE_OCTAVES: f64 = 0.003;
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
    let splits = splits(findings, i);
    let shown_within = |most_octaves: f64| {
        splits.iter().any(|split| {
            same_kind(&split.edge, &own) && octaves(split.edge.frequency_hz, own.frequency_hz) < most_octaves
        })
    };
    let agrees = shown_within(ALIKE_OCTAVES);
    // What is sure and agrees with anyone of its split is settled.
    if agrees && is_sure(finding) {
        return vec![Edge::Own];
    }
    // What nobody else shows may have gone astray, however sure it is.
    let confirmed = is_sure(finding) && shown_within(TOGETHER_OCTAVES);
    let within = if confirmed { CONFUSED_OCTAVES } else { ONE_SPLIT_OCTAVES };
    for split in splits.into_iter().filter(|split| far(&split.edge) < within) {
        // Where two agree, a third is not surer than both.
        let sure = split.sure && (!agrees || same_kind(&split.edge, &own));
        list.push(Edge::Shown { edge: Some(Crossover { pass, ..split.edge }), sure });
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::factory::ChannelModel;
    use crate::factory::channel::Confidence;
    use crate::tune::CrossoverFamily;

    /// A filter of an output: family, order and frequency.
    type Filter = Option<(CrossoverFamily, u8, f64)>;
    use CrossoverFamily::{Butterworth, LinkwitzRiley};

    fn finding(low: Filter, high: Filter, edges: Sure) -> ChannelFinding {
        let edge = |pass, filter: Filter| {
            filter.map(|(family, order, frequency_hz)| Crossover { pass, family, order, frequency_hz })
        };
        let (high_pass, low_pass) = (edge(Pass::High, low), edge(Pass::Low, high));
        ChannelFinding {
            band_hz: (low.map_or(5.0, |it| it.2), high.map_or(20_000.0, |it| it.2)),
            open_ends: (low.is_none(), high.is_none()),
            model: ChannelModel { high_pass, low_pass, ..ChannelModel::flat(48_000.0) },
            delay_within_s: 0.0,
            level_db: 0.0,
            unexplained_db: 0.0,
            beyond_noise_db: 0.0,
            snr_db: 60.0,
            confidence: Confidence { edges, polarity: Sure::High, all_passes: Sure::High, shape: Sure::High },
        }
    }

    /// How sure each output of a woofer up to `woofer`, a midrange from 94 Hz and a tweeter stays of its edges.
    fn sure_beside(woofer: Filter) -> [Sure; 3] {
        let (low, high) = (Some((LinkwitzRiley, 4, 94.0)), Some((LinkwitzRiley, 4, 2_500.0)));
        let mut findings = [
            finding(None, woofer, Sure::High),
            finding(low, high, Sure::High),
            finding(high, None, Sure::High),
        ];
        doubt_contradicted(&mut findings);
        findings.map(|it| it.confidence.edges)
    }

    #[test]
    fn an_edge_that_no_neighbour_shows_is_doubted() {
        // As on the other side of the split, a tenth of an octave off at most.
        assert_eq!(sure_beside(Some((LinkwitzRiley, 4, 94.0))), [Sure::High; 3]);
        assert_eq!(sure_beside(Some((LinkwitzRiley, 4, 98.0))), [Sure::High; 3]);
        // The same filter elsewhere, or another one there: one of the two sides is wrong.
        for woofer in [(LinkwitzRiley, 4, 75.0), (Butterworth, 4, 94.0), (LinkwitzRiley, 2, 94.0)] {
            assert_eq!(sure_beside(Some(woofer)), [Sure::Medium, Sure::Medium, Sure::High], "{woofer:?}");
        }
        // Nobody else shows a split within reach: there is nothing to contradict.
        let woofer = || finding(None, Some((LinkwitzRiley, 4, 75.0)), Sure::High);
        let mut apart = [woofer(), finding(Some((LinkwitzRiley, 4, 2_500.0)), None, Sure::High)];
        doubt_contradicted(&mut apart);
        assert_eq!(apart.map(|it| it.confidence.edges), [Sure::High; 2]);
        // Doubt is never taken away.
        let mut low = [woofer(), finding(Some((LinkwitzRiley, 4, 94.0)), None, Sure::Low)];
        doubt_contradicted(&mut low);
        assert_eq!(low.map(|it| it.confidence.edges), [Sure::Medium, Sure::Low]);
    }

    #[test]
    fn one_sure_output_is_no_surer_than_two_that_agree() {
        let (agreed, other_kind) = (Some((LinkwitzRiley, 2, 2_500.0)), Some((Butterworth, 2, 2_500.0)));
        let told = |low_mid: Filter| {
            let findings = [
                finding(None, low_mid, Sure::Medium),
                finding(agreed, None, Sure::Medium),
                finding(other_kind, None, Sure::High),
            ];
            let shown = shown_by_others(&findings).swap_remove(1);
            let other = |pair: &&Shown| matches!(pair.low, Edge::Shown { edge: Some(edge), .. } if edge.family == Butterworth);
            shown.iter().find(other).map(|pair| pair.low.is_sure())
        };
        assert_eq!(told(agreed), Some(false));
        assert_eq!(told(None), Some(true));
    }
}
