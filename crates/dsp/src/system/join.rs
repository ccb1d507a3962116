//! Joining two bands: the delay, polarity and all-pass at which they add over the whole of their common region, at
//! every position.
//!
//! What counts is how much of the sum is lost against drivers that add perfectly (the sum of their magnitudes), in
//! decibels, half from the mean power and half from the mean level over log frequency, so that neither a filled dip
//! nor the energy as a whole is bought with the other. A position that loses more than the mean counts more.

use std::f64::consts::TAU;

use crate::filter::{Warp, section_prototype};
use crate::spectrum::Complex;
use crate::tune::{Section, SectionKind};

/// Two bands over their common region, at every place where they are to add.
#[derive(Debug, Clone, PartialEq)]
pub struct Meeting {
    /// Evenly spaced in octaves.
    pub frequency_hz: Vec<f64>,
    /// `[place][frequency]`: what stays as it is.
    pub fixed: Vec<Vec<Complex>>,
    /// The same of what is delayed, turned over or passed through an all-pass.
    pub moved: Vec<Vec<Complex>>,
}

/// What may be tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Means {
    /// Delay of the moved band at which the two arrive together, as far as arrivals tell.
    pub home_s: f64,
    /// Furthest from there that is plausible.
    pub window_s: f64,
    /// All-pass sections the processor can set, second order; empty where it has none.
    pub all_passes: Vec<Section>,
    /// Which of the two may get one.
    pub into: Vec<Into>,
    /// Sample rate of the processor.
    pub rate_hz: f64,
}

/// Which of the two an all-pass goes into.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Into {
    /// What stays.
    Fixed,
    /// What is delayed.
    Moved,
}

/// One way to join.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    /// Added to the moved band; negative: taken from it.
    pub delay_s: f64,
    /// Turn the moved band over.
    pub invert: bool,
    /// An all-pass, and where.
    pub all_pass: Option<(Into, Section)>,
    /// Lost against drivers that add perfectly, mean over places.
    pub lost_db: f64,
    /// The same at the place that loses most.
    pub worst_lost_db: f64,
    /// That place.
    pub worst_place: usize,
}

/// Why the second best lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Why {
    /// It is early (negative) or late by so many periods of the region's middle.
    CyclesAway(f64),
    /// Its worst place loses so much more than that of the best.
    DipAt {
        /// The place.
        place: usize,
        /// How much more.
        by_db: f64,
    },
    /// It just adds up to less.
    Less,
}

/// The best way, and the best of the others.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Join {
    /// What to set.
    pub best: Way,
    /// Another polarity or a maximum of its own, with the reason why it is not the best.
    pub runner_up: Option<(Way, Why)>,
}

/// Level of the sum over delay, for a picture.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct SumOverDelay {
    /// Added to what is set; 0 is as set.
    pub delay_ms: Vec<f64>,
    /// Lost with the polarity that is set, mean over places, as a negative number: 0 is perfect.
    pub as_set_db: Vec<f64>,
    /// The same turned over.
    pub turned_over_db: Vec<f64>,
}

/// What the worst place has beyond the mean counts by this share.
const WORST_SHARE: f64 = 0.25;
/// A period away from the common arrival counts as so many decibels, and as the square of the distance: rivals a
/// period away add within a tenth of a decibel in the middle of the region, but smear what is heard.
const PERIOD_AWAY_DB: f64 = 0.2;
/// Delays tried in each period of the highest frequency.
const TRIES_PER_PERIOD: f64 = 40.0;
/// An all-pass is one more thing to type in and rings a little: it must be worth this.
const ALL_PASS_WORTH_DB: f64 = 0.15;
/// Ways nearer than this share of a period are the same way.
const SAME_WAY_PERIODS: f64 = 0.2;
/// The runner-up's dip is the reason when it is deeper by this.
const DIP_DB: f64 = 1.0;

impl Meeting {
    /// Middle of the region, in octaves.
    pub fn middle_hz(&self) -> f64 {
        match (self.frequency_hz.first(), self.frequency_hz.last()) {
            (Some(low), Some(high)) => (low * high).sqrt(),
            _ => 1.0,
        }
    }

    /// What is lost at each place with `turn` on the moved band at each frequency.
    fn lost_db(&self, turn: &[Complex]) -> impl Iterator<Item = f64> {
        self.fixed.iter().zip(&self.moved).map(move |(fixed, moved)| {
            let (mut power, mut perfect, mut level, mut perfect_level) = (0.0, 0.0, 0.0, 0.0);
            for ((a, b), turn) in fixed.iter().zip(moved).zip(turn) {
                let most = (a.norm() + b.norm()).powi(2).max(f64::MIN_POSITIVE);
                // A null of 60 dB is as bad as it gets.
                let sum = (a + b * turn).norm_sqr().max(1e-6 * most);
                power += sum;
                perfect += most;
                level += sum.ln();
                perfect_level += most.ln();
            }
            let count = turn.len().max(1) as f64;
            let by_power = (perfect.max(f64::MIN_POSITIVE) / power.max(f64::MIN_POSITIVE)).ln();
            10.0 / std::f64::consts::LN_10 * 0.5 * (by_power + (perfect_level - level) / count)
        })
    }

    fn turns(&self, delay_s: f64, invert: bool, filter: &[Complex]) -> Vec<Complex> {
        let sign = if invert { -1.0 } else { 1.0 };
        let turned = |f: &f64| Complex::from_polar(sign, -TAU * f * delay_s);
        if filter.is_empty() {
            return self.frequency_hz.iter().map(turned).collect();
        }
        self.frequency_hz.iter().zip(filter).map(|(f, h)| turned(f) * h).collect()
    }

    /// Judges one way; `filter` is what its all-pass does to the moved band against the fixed one.
    fn way(&self, delay_s: f64, invert: bool, all_pass: Option<(Into, Section)>, filter: &[Complex]) -> Way {
        let turns = self.turns(delay_s, invert, filter);
        let (mut sum, mut worst_lost_db, mut worst_place, mut count) = (0.0, f64::NEG_INFINITY, 0, 0.0);
        for (place, lost_db) in self.lost_db(&turns).enumerate() {
            sum += lost_db;
            count += 1.0;
            if lost_db > worst_lost_db {
                (worst_lost_db, worst_place) = (lost_db, place);
            }
        }
        let lost_db = sum / f64::max(count, 1.0);
        Way { delay_s, invert, all_pass, lost_db, worst_lost_db: worst_lost_db.max(lost_db), worst_place }
    }

    fn price_db(&self, way: &Way, home_s: f64) -> f64 {
        let periods = (way.delay_s - home_s) * self.middle_hz();
        way.lost_db + WORST_SHARE * (way.worst_lost_db - way.lost_db) + PERIOD_AWAY_DB * periods * periods
    }

    /// The minima of the price over the window, both polarities.
    fn minima(&self, means: &Means, all_pass: Option<(Into, Section)>) -> Vec<Way> {
        let filter = self.filter_of(all_pass, means.rate_hz);
        let top_hz = self.frequency_hz.last().copied().unwrap_or(1.0);
        let half = (means.window_s * top_hz * TRIES_PER_PERIOD).ceil().clamp(1.0, 2000.0) as i32;
        let step_s = means.window_s / f64::from(half);
        let mut minima = Vec::new();
        for invert in [false, true] {
            let ways: Vec<Way> = (-half..=half)
                .map(|i| self.way(means.home_s + step_s * f64::from(i), invert, all_pass, &filter))
                .collect();
            let prices: Vec<f64> = ways.iter().map(|way| self.price_db(way, means.home_s)).collect();
            for (i, &price) in prices.iter().enumerate() {
                let before = i.checked_sub(1).and_then(|j| prices.get(j));
                let after = prices.get(i + 1);
                if before.is_some_and(|b| *b < price) || after.is_some_and(|a| *a <= price) {
                    continue;
                }
                // A parabola through three points; at an end of the window the end itself.
                let shift = match (before, after) {
                    (Some(b), Some(a)) if a + b - 2.0 * price > 0.0 => 0.5 * (b - a) / (a + b - 2.0 * price),
                    _ => 0.0,
                };
                let delay_s = ways[i].delay_s + step_s * shift.clamp(-0.5, 0.5);
                minima.push(self.way(delay_s, invert, all_pass, &filter));
            }
        }
        minima.sort_by(|a, b| self.price_db(a, means.home_s).total_cmp(&self.price_db(b, means.home_s)));
        minima
    }

    /// What an all-pass does to the moved band against the fixed one.
    fn filter_of(&self, all_pass: Option<(Into, Section)>, rate_hz: f64) -> Vec<Complex> {
        let Some((into, section)) = all_pass else { return Vec::new() };
        let warp = Warp::new(rate_hz);
        let corner = warp.tangent(section.frequency_hz);
        let prototype = section_prototype(&section);
        let response = |f: &f64| {
            let h = prototype.response(warp.tangent(*f) / corner);
            // In the fixed band it turns the sum the other way round.
            if into == Into::Moved { h } else { h.conj() }
        };
        self.frequency_hz.iter().map(response).collect()
    }

    /// Finds the best way to join, and the best of the others.
    ///
    /// An all-pass is used only where it gains more than it costs to type in, at the mean and at the worst place.
    /// `None` without a frequency or a place.
    pub fn join(&self, means: &Means) -> Option<Join> {
        if self.frequency_hz.is_empty() || self.fixed.is_empty() || self.moved.len() != self.fixed.len() {
            return None;
        }
        let plain = self.minima(means, None);
        let mut best = *plain.first()?;
        let mut threshold_db = self.price_db(&best, means.home_s) - ALL_PASS_WORTH_DB;
        for &section in &means.all_passes {
            for &into in &means.into {
                let Some(&way) = self.minima(means, Some((into, section))).first() else { continue };
                let price_db = self.price_db(&way, means.home_s);
                if price_db < threshold_db && way.worst_lost_db <= best.worst_lost_db {
                    threshold_db = price_db;
                    best = way;
                }
            }
        }
        let period_s = 1.0 / self.middle_hz();
        let other = |way: &&Way| {
            way.invert != best.invert || (way.delay_s - best.delay_s).abs() > SAME_WAY_PERIODS * period_s
        };
        let runner_up = plain.iter().find(other).map(|&way| (way, self.why(&best, &way)));
        Some(Join { best, runner_up })
    }

    /// The two bands with nothing changed.
    pub fn as_it_is(&self) -> Way {
        self.way(0.0, false, None, &[])
    }

    fn why(&self, best: &Way, other: &Way) -> Why {
        let by_db = other.worst_lost_db - best.worst_lost_db;
        let periods = (other.delay_s - best.delay_s) * self.middle_hz();
        if by_db > DIP_DB && by_db > 2.0 * (other.lost_db - best.lost_db) {
            Why::DipAt { place: other.worst_place, by_db }
        } else if periods.abs() > 0.3 {
            Why::CyclesAway(periods)
        } else {
            Why::Less
        }
    }

    /// The sum over delay around `way`, out to `reach_s` on both sides, at `points` delays.
    pub fn over_delay(&self, way: &Way, rate_hz: f64, reach_s: f64, points: usize) -> SumOverDelay {
        let filter = self.filter_of(way.all_pass, rate_hz);
        let mut out = SumOverDelay::default();
        for i in 0..points {
            let away_s = reach_s * (2.0 * i as f64 / (points.max(2) - 1) as f64 - 1.0);
            let lost = |invert| self.way(way.delay_s + away_s, invert, way.all_pass, &filter).lost_db;
            out.delay_ms.push(1e3 * away_s);
            out.as_set_db.push(-lost(way.invert));
            out.turned_over_db.push(-lost(!way.invert));
        }
        out
    }
}

/// The all-passes worth trying in a region: six to the octave, from soft to sharp.
pub fn all_passes_within(low_hz: f64, high_hz: f64) -> Vec<Section> {
    let mut all = Vec::new();
    for frequency_hz in crate::curve::log_grid_hz(low_hz, high_hz, 4.0) {
        for q in [0.5, 0.7, 1.0, 1.6] {
            all.push(Section { kind: SectionKind::AllPass, frequency_hz, gain_db: 0.0, q });
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;
    use crate::filter::ChannelFilter;
    use crate::tune::{ChannelTune, Crossover, CrossoverFamily, Pass};

    fn filter(family: CrossoverFamily, order: u8, pass: Pass, hz: f64) -> Vec<Complex> {
        let crossovers = vec![Crossover { pass, family, order, frequency_hz: 1000.0 }];
        let channel = ChannelTune { crossovers, ..ChannelTune::default() };
        let filter = ChannelFilter::new(&channel, 192_000.0).unwrap();
        filter.responses(&log_grid_hz(hz, 4.0 * hz, 24.0))
    }

    fn meeting(family: CrossoverFamily, order: u8) -> Meeting {
        Meeting {
            frequency_hz: log_grid_hz(500.0, 2000.0, 24.0),
            fixed: vec![filter(family, order, Pass::High, 500.0)],
            moved: vec![filter(family, order, Pass::Low, 500.0)],
        }
    }

    fn means(home_s: f64, window_s: f64) -> Means {
        Means {
            home_s,
            window_s,
            all_passes: Vec::new(),
            into: vec![Into::Fixed, Into::Moved],
            rate_hz: 192_000.0,
        }
    }

    /// S. Linkwitz, R. Riley, JAES 24(1), 1976: both halves of a fourth-order one are in phase at every frequency, so
    /// the sum is an all-pass and nothing is lost; of a second-order one after one is turned over.
    #[test]
    fn linkwitz_riley_adds_perfectly_where_it_stands() {
        for (order, turned) in [(4, false), (2, true), (8, false), (6, true)] {
            let meeting = meeting(CrossoverFamily::LinkwitzRiley, order);
            let found = meeting.join(&means(0.0, 0.4e-3)).unwrap().best;
            assert_eq!(found.invert, turned, "order {order}: {found:?}");
            assert!(found.lost_db < 1e-6 && found.delay_s.abs() < 1e-6, "order {order}: {found:?}");
            let turns = meeting.turns(0.0, turned, &[]);
            for ((a, b), turn) in meeting.fixed[0].iter().zip(&meeting.moved[0]).zip(turns) {
                assert!(((a + b * turn).norm() - 1.0).abs() < 1e-9);
            }
        }
    }

    /// Butterworth of odd order: |L|² + |H|² = 1 and the two stand at right angles, so the sum is flat in power with
    /// either polarity (S. P. Lipshitz, J. Vanderkooy, JAES 31(1), 1983, from memory).
    #[test]
    fn odd_butterworth_sums_flat_either_way_round() {
        let meeting = meeting(CrossoverFamily::Butterworth, 3);
        for turned in [false, true] {
            for ((a, b), turn) in
                meeting.fixed[0].iter().zip(&meeting.moved[0]).zip(meeting.turns(0.0, turned, &[]))
            {
                assert!(((a + b * turn).norm() - 1.0).abs() < 1e-9);
            }
        }
    }

    /// A known delay and polarity are undone, wherever the search begins within its window.
    #[test]
    fn a_known_delay_is_found() {
        let mut meeting = meeting(CrossoverFamily::LinkwitzRiley, 4);
        let late_s = 0.217e-3;
        for (h, f) in meeting.moved[0].iter_mut().zip(&meeting.frequency_hz) {
            *h *= Complex::from_polar(-1.0, -TAU * f * late_s);
        }
        let found = meeting.join(&means(-0.1e-3, 0.4e-3)).unwrap();
        // A period away costs 0.2 dB, which pulls the answer by less than a hundredth of a period towards home.
        assert!(found.best.invert && (found.best.delay_s + late_s).abs() < 10e-6, "{found:?}");
        let (rival, why) = found.runner_up.unwrap();
        assert!(rival.lost_db > found.best.lost_db && why != Why::Less, "{rival:?} {why:?}");
        let picture = meeting.over_delay(&found.best, 192_000.0, 0.5e-3, 101);
        assert!(picture.as_set_db[50] > -0.05 && picture.turned_over_db[50] < -5.0);
    }

    /// At one place the two arrive together, at eight others half a period later: what serves the one is not chosen.
    #[test]
    fn one_position_does_not_decide() {
        let mut meeting = meeting(CrossoverFamily::LinkwitzRiley, 4);
        let (fixed, moved) = (meeting.fixed[0].clone(), meeting.moved[0].clone());
        for _ in 0..8 {
            meeting.fixed.push(fixed.clone());
            let late = |(h, f): (&Complex, &f64)| h * Complex::from_polar(1.0, -TAU * f * 0.5e-3);
            meeting.moved.push(moved.iter().zip(&meeting.frequency_hz).map(late).collect());
        }
        let found = meeting.join(&means(0.0, 0.7e-3)).unwrap().best;
        assert!(!found.invert && (found.delay_s + 0.5e-3).abs() < 0.1e-3, "{found:?}");
        assert_eq!(found.worst_place, 0);
    }

    /// Where one band has an all-pass of its own, delay and polarity cannot mend it and the same all-pass in the
    /// other does.
    #[test]
    fn an_all_pass_is_answered_by_its_like() {
        let mut meeting = meeting(CrossoverFamily::LinkwitzRiley, 4);
        let bent = Section { kind: SectionKind::AllPass, frequency_hz: 1000.0, gain_db: 0.0, q: 1.6 };
        let filter = meeting.filter_of(Some((Into::Moved, bent)), 192_000.0);
        meeting.moved[0].iter_mut().zip(&filter).for_each(|(h, bend)| *h *= bend);
        let without = meeting.join(&means(0.0, 0.5e-3)).unwrap().best;
        let all_passes = all_passes_within(500.0, 2000.0);
        let with = meeting.join(&Means { all_passes, ..means(0.0, 0.5e-3) }).unwrap().best;
        assert!(without.lost_db > 0.15 && with.lost_db < 0.01, "{without:?} {with:?}");
        assert_eq!(with.all_pass.map(|(into, section)| (into, section.q)), Some((Into::Fixed, 1.6)));
    }
}
