//! Equaliser bands beside band edges: found one after the other, mended, and dropped where they are not worth their numbers.

use super::fit::{Fit, Part, refine, residuals};
use super::model::{ChannelModel, DB_PER_NEPER, Reach, bell};
use super::response::LineResponse;
use crate::curve::running_mean;
use crate::tune::{Section, SectionKind};

/// Equaliser bands that are looked for in one output.
const MOST_SECTIONS: usize = 9;
/// Explanations kept side by side while bands are added: the best next band is not always part of the best whole.
pub(super) const SIDE_BY_SIDE: usize = 2;
/// The same for the few that are worth a longer search.
const MANY_SIDE_BY_SIDE: usize = 6;
/// A band must better the criterion by this much.
const WORTH_A_BAND: f64 = 3.0;
/// A candidate this far behind its rival with no more to gain is given up.
const HOPELESS: f64 = 30.0;

/// Adds equaliser bands to a model for as long as they pay for their numbers.
pub(super) fn equalised(
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
        next.sort_by(by_cost);
        next.dedup_by(|a, b| (a.chi_squared / b.chi_squared - 1.0).abs() < 1e-2);
        // A shelf is often worth little before the bells beside it are there: the best one stays in the race.
        let shelf = next.iter().skip(side_by_side).find(|fit| has_shelf(&fit.model)).cloned();
        let without = !next.iter().take(side_by_side).any(|fit| has_shelf(&fit.model));
        next.truncate(side_by_side);
        next.extend(shelf.filter(|_| without));
        beam = next.into_iter().map(|fit| refine(fit.model, response, Part::Level, reach, 25)).collect();
        let Some(leader) = beam.iter().min_by(|a, b| by_cost(a, b)) else { break };
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

/// Searches for bands, which give up what falls far behind a rival.
pub(super) struct Search<'a> {
    /// All points, and few of them.
    pub response: &'a LineResponse,
    pub coarse: &'a LineResponse,
    pub reach: &'a Reach,
    /// Criterion of the rival on the coarse points.
    pub rival: f64,
}

impl Search<'_> {
    /// The best that a search beginning with `start` comes to.
    pub fn beginning(&self, start: ChannelModel) -> Fit {
        let found = equalised(start, self.coarse, self.reach, self.rival, MANY_SIDE_BY_SIDE);
        if found.criterion(Part::Level) > self.rival + FAR_BEHIND {
            return Fit::of(found.model, self.response, Part::Level);
        }
        finished(repaired(found, self.coarse, self.reach).model, self.response, self.reach)
    }

    /// The best that searches come to which begin with a shelf at an open end of `bare` and a broad bell with it or against
    /// it: neither is worth much without the other. None without an open end.
    pub fn by_pairs(&self, bare: &ChannelModel) -> Option<Fit> {
        let starts = shelf_and_bell(bare, self.coarse, self.reach);
        starts.into_iter().map(|start| self.beginning(start)).min_by(by_criterion)
    }
}

/// A search this far behind its rival is not finished.
const FAR_BEHIND: f64 = 150.0;
/// The right bands leave less than this, in units of the noise's power.
const ASTRAY: f64 = 0.3;
/// What leaves more than this has not missed the right bands by little.
const HOPELESSLY_ASTRAY: f64 = 100.0;

/// True where bands may have gone astray.
pub(super) fn may_be_astray(fit: &Fit) -> bool {
    fit.reduced() > ASTRAY
}

/// True where the right shelf and bell may stand for what was found, or may have been missed by little.
pub(super) fn may_be_a_pair(fit: &Fit) -> bool {
    has_shelf(&fit.model) || (ASTRAY..HOPELESSLY_ASTRAY).contains(&fit.reduced())
}

/// The order of explanations, the best first.
pub(super) fn by_criterion(a: &Fit, b: &Fit) -> std::cmp::Ordering {
    a.criterion(Part::Level).total_cmp(&b.criterion(Part::Level))
}

fn by_cost(a: &Fit, b: &Fit) -> std::cmp::Ordering {
    a.chi_squared.total_cmp(&b.chi_squared)
}

/// What a shelf and a bell against or with it begin with.
const PAIR_DB: f64 = 5.0;

/// The likeliest pairs of a shelf at an open end and a broad bell.
fn shelf_and_bell(bare: &ChannelModel, coarse: &LineResponse, reach: &Reach) -> Vec<ChannelModel> {
    let ends = [
        (SectionKind::LowShelf, bare.high_pass.is_none(), LOW_SHELVES_HZ),
        (SectionKind::HighShelf, bare.low_pass.is_none(), HIGH_SHELVES_HZ),
    ];
    let shelves = ends.into_iter().filter(|(_, open, _)| *open).flat_map(|(kind, _, places)| {
        places.into_iter().flat_map(move |frequency_hz| {
            [PAIR_DB, -PAIR_DB].map(|gain_db| Section { kind, frequency_hz, gain_db, q: 0.7 })
        })
    });
    let places = crate::curve::log_grid_hz(reach.hz.0, reach.hz.1, 1.0);
    let bells = places.iter().flat_map(|&hz| [PAIR_DB, -PAIR_DB].map(|gain_db| bell(hz, gain_db, 0.7)));
    let pairs = shelves.flat_map(|shelf| bells.clone().map(move |bell| vec![shelf, bell]));
    let models = pairs.map(|sections| ChannelModel { sections, ..bare.clone() });
    let mut tried = likeliest(models, coarse, reach);
    tried.sort_by(by_cost);
    tried.dedup_by(|a, b| (a.chi_squared / b.chi_squared - 1.0).abs() < 1e-2);
    tried.truncate(SIDE_BY_SIDE);
    tried.into_iter().map(|fit| fit.model).collect()
}

fn has_shelf(model: &ChannelModel) -> bool {
    model.sections.iter().any(|section| section.kind != SectionKind::Peaking)
}

/// Takes each band out in turn and lets another find its place, for as long as that helps: what was added first was
/// placed when the others were not there yet.
pub(super) fn repaired(fit: Fit, response: &LineResponse, reach: &Reach) -> Fit {
    let mut best = shelved(fit, response, reach);
    for _ in 0..2 {
        let before = best.chi_squared;
        for i in 0..best.model.sections.len() {
            let mut without = best.model.clone();
            without.sections.remove(i);
            let without = refine(without, response, Part::Level, reach, 10);
            let again = with_one_more(&without, response, reach).into_iter();
            let Some(again) = again.min_by(by_cost) else { continue };
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

/// Puts a shelf at an open end where one or two broad bells stand for it: a search that began with bells does not leave them.
fn shelved(fit: Fit, response: &LineResponse, reach: &Reach) -> Fit {
    let mut best = fit;
    let (Some(&lowest_hz), Some(&highest_hz)) = (response.frequency_hz.first(), response.frequency_hz.last())
    else {
        return best;
    };
    let open_ends = [
        (SectionKind::LowShelf, best.model.high_pass.is_none(), lowest_hz),
        (SectionKind::HighShelf, best.model.low_pass.is_none(), highest_hz),
    ];
    for (kind, _, end_hz) in open_ends.into_iter().filter(|(_, open, _)| *open) {
        let sections = best.model.sections.clone();
        let broad = |s: &Section| s.kind == SectionKind::Peaking && s.q < SHELF_LIKE_Q;
        let pairs = (0..sections.len()).flat_map(|i| (i..sections.len()).map(move |j| (i, j)));
        for (i, j) in pairs {
            let (a, b) = (&sections[i], &sections[j]);
            let apart = (a.frequency_hz / b.frequency_hz).log2().abs();
            if !broad(a) || !broad(b) || apart > SHELF_LIKE_OCTAVES {
                continue;
            }
            let end_db = |s: &Section| DB_PER_NEPER * s.response(end_hz, best.model.rate_hz).norm().ln();
            let gain_db = if i == j { a.gain_db } else { end_db(a) + end_db(b) };
            let frequency_hz = (a.frequency_hz * b.frequency_hz).sqrt();
            let others = sections.iter().enumerate().filter(|(k, _)| *k != i && *k != j).map(|(_, s)| *s);
            let shelf = Section { kind, frequency_hz, gain_db, q: 0.7 };
            let model = ChannelModel { sections: others.chain([shelf]).collect(), ..best.model.clone() };
            let tried = refine(model, response, Part::Level, reach, 30);
            if tried.criterion(Part::Level) < best.criterion(Part::Level) {
                best = tried;
            }
        }
    }
    best
}

/// Bells that may stand for a shelf are as broad as this, and two of them as close.
const SHELF_LIKE_Q: f64 = 1.2;
const SHELF_LIKE_OCTAVES: f64 = 1.2;

/// The fit on every point, without the bands that do not earn their keep.
pub(super) fn finished(model: ChannelModel, response: &LineResponse, reach: &Reach) -> Fit {
    let mut best = refine(model, response, Part::Level, reach, 80);
    let mut i = 0;
    while i < best.model.sections.len() {
        let mut without = best.model.clone();
        without.sections.remove(i);
        let without = refine(without, response, Part::Level, reach, 25);
        if without.criterion(Part::Level) < best.criterion(Part::Level) + WORTH_A_BAND {
            best = without;
        } else {
            i += 1;
        }
    }
    best
}

/// Places where a shelf is tried.
const LOW_SHELVES_HZ: [f64; 3] = [35.0, 70.0, 150.0];
const HIGH_SHELVES_HZ: [f64; 3] = [3_500.0, 7_000.0, 12_000.0];
/// Places where one more bell is tried.
const PLACES: usize = 3;

/// Fits with one more band: a bell where most is left over, a bell split in two, or a shelf at an open end.
fn with_one_more(fit: &Fit, response: &LineResponse, reach: &Reach) -> Vec<Fit> {
    let left = residuals(&fit.model, response, Part::Level);
    let hz = &response.frequency_hz;
    let left_db: Vec<f64> = left.iter().zip(&response.sigma_ln).map(|(r, s)| r * s * DB_PER_NEPER).collect();
    // Points that are less sure count for less, but none for everything.
    let weight: Vec<f64> = response.sigma_ln.iter().map(|s| 1.0 / (1.0 + s / 2e-3)).collect();
    let smooth = running_mean(hz, &left_db, 1.0 / 6.0, 0.0);
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
    // Two bells close together, and a broad one with a narrow one on it, look like one at first.
    let nearest = |i: usize| {
        let far = |s: &Section| (s.frequency_hz / hz[i]).log2().abs();
        let bells = fit.model.sections.iter().enumerate().filter(|(_, s)| s.kind == SectionKind::Peaking);
        bells.min_by(|a, b| far(a.1).total_cmp(&far(b.1))).map(|(k, _)| k)
    };
    if let Some(k) = places.first().and_then(|&i| nearest(i)) {
        let whole = fit.model.sections[k];
        let part = |place: f64, narrower: f64| Section {
            frequency_hz: whole.frequency_hz * place,
            gain_db: 0.6 * whole.gain_db,
            q: narrower * whole.q,
            ..whole
        };
        for (one, other) in [(part(0.84, 1.4), part(1.19, 1.4)), (part(0.96, 0.6), part(1.04, 1.6))] {
            let mut sections = fit.model.sections.clone();
            sections[k] = one;
            sections.push(other);
            starts.push(sections);
        }
    }
    let shelf = |kind, frequency_hz, gain_db: f64| Section {
        kind,
        frequency_hz,
        gain_db: gain_db.clamp(-12.0, 12.0),
        q: 0.7,
    };
    // Where a shelf may stand: what is left over at an open end has come down to half, or a few places near that end.
    let within = |i: Option<usize>| i.map_or(reach.hz.1, |i| hz[i]);
    let clamped = |place: f64| place.clamp(reach.hz.0, reach.hz.1);
    if fit.model.high_pass.is_none()
        && let Some(&gain_db) = smooth.first()
    {
        let half = within(smooth.iter().position(|level_db| level_db / gain_db < 0.5));
        let places = [half].into_iter().chain(LOW_SHELVES_HZ).map(clamped);
        starts.extend(places.map(|place| with(shelf(SectionKind::LowShelf, place, gain_db))));
    }
    if fit.model.low_pass.is_none()
        && let Some(&gain_db) = smooth.last()
    {
        let half = within(smooth.iter().rposition(|level_db| level_db / gain_db < 0.5));
        let places = [half].into_iter().chain(HIGH_SHELVES_HZ).map(clamped);
        starts.extend(places.map(|place| with(shelf(SectionKind::HighShelf, place, gain_db))));
    }
    let models = starts.into_iter().map(|sections| ChannelModel { sections, ..fit.model.clone() });
    likeliest(models, response, reach)
}

/// Steps after which starts are first compared, and those that the better half are given besides.
const FIRST_STEPS: usize = 3;
const FURTHER_STEPS: usize = 6;

/// What the better half of starts come to.
fn likeliest(starts: impl Iterator<Item = ChannelModel>, response: &LineResponse, reach: &Reach) -> Vec<Fit> {
    let mut tried: Vec<Fit> =
        starts.map(|start| refine(start, response, Part::Level, reach, FIRST_STEPS)).collect();
    tried.sort_by(by_cost);
    tried.truncate(tried.len().div_ceil(2));
    tried.into_iter().map(|fit| refine(fit.model, response, Part::Level, reach, FURTHER_STEPS)).collect()
}
