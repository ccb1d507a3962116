//! Whose speaker answers each call: all answers weighed together.
//!
//! Looked at one by one, answers mislead: a centre and a rear speaker sound much alike, and which of two tweeters is
//! meant shows in no answer of its own. So whole assignments are compared: nobody exchanged, any two channels
//! exchanged, any two such pairs, and so on. Under each the levels over frequency are likely or not, given what kinds of
//! speakers do; the answers thought to come from a left and a right one of the same make must be alike; the side
//! nearer to the microphone must come first. The likeliest counts, exchanges being rare.
//!
//! The spreads are those seen among sound simulated cars (two makers of cabins), rounded up.

use std::f64::consts::TAU;

use super::hear::{AUDIBLE_DB, Heard};
use super::{Call, Kind, Side};
use crate::curve::interpolate_log;

/// What a make of speaker has beyond its kind, in dB: its own resonances.
const MAKE_DB: f64 = 3.0;
/// And by this share of what the kind falls off there: its edges are not known.
const MAKE_EDGE: f64 = 0.4;
/// What its place in the cabin adds to each speaker at low frequencies; above, more and more of the cabin's modes share
/// a third of an octave and the spread falls with the root of the frequency, down to what the aim of a speaker makes.
const PLACE_DB: (f64, f64) = (4.0, 2.0);
/// From here on.
const PLACE_FALLS_HZ: f64 = 800.0;
/// Neighbouring thirds of an octave say half the same.
const THIRD_WORTH: f64 = 0.5;
/// Sensitivity and cabin, of one make against the others.
const MAKE_LEVEL_DB: f64 = 4.0;
/// And of two of the same make.
const PAIR_LEVEL_DB: f64 = 3.0;
/// Something else is wrong with a channel's level: as often as exchanges, and then anywhere within ±30 dB.
const LEVEL_FAULT: (f64, f64) = (0.15, 60.0);
/// The farther of a pair comes later by this, give or take.
const FARTHER_MS: (f64, f64) = (1.0, 0.5);
/// An arrival is mistaken this often, and then anywhere within ±10 ms.
const ARRIVAL_FAULT: (f64, f64) = (0.01, 20.0);
/// A channel is dead this often.
const DEAD: f64 = 0.1;
/// By this, as a logarithm, an exchange must be likelier: the second where both are of one kind, as a centre and a front
/// midrange, which only small differences tell.
const EXCHANGE: f64 = -2.0;
const EXCHANGE_IN_KIND: f64 = -5.0;
/// The same where one of the two is silent.
const EXCHANGE_AND_SILENT: f64 = -6.0;
/// The same for the two of a pair, which only their order and small differences tell.
const EXCHANGE_IN_PAIR: f64 = -3.0;
/// A speaker this far outside its own band is silent.
const DEAF_DB: f64 = -20.0;
/// A speaker's own band ends here.
const OWN_BAND_DB: f64 = -10.0;
/// No answer is told from the sweep's own remains below this.
const FLOOR_DB: f64 = -36.0;
/// Channels that may take part in exchanges, the likeliest ones.
const SUSPECTS: usize = 10;
/// A closed cabin lifts what lies below its lowest modes (common practice, no source): so much, and half of it here.
const LIFT: (f64, f64) = (10.0, 90.0);
/// A subwoofer is louder than its fellows by this besides (common practice, no source).
const SUBWOOFER_DB: f64 = 3.0;

/// Who answers each call.
pub(super) struct Assigned {
    /// For each call the channel whose speaker answers.
    pub speaker: Vec<usize>,
    /// Level of each answer against what is usual of that speaker's kind, within the band of the kind.
    pub level_db: Vec<f64>,
}

/// The likeliest assignment; `near` is the side of the car that is nearer to the microphone, where it is known.
pub(super) fn assign(calls: &[Call], heard: &[Heard], near: Option<Side>) -> Assigned {
    let evidence = Evidence::new(calls, heard, near);
    let mut suspects = evidence.suspects();
    suspects.truncate(SUSPECTS);
    let own: Vec<usize> = (0..calls.len()).collect();
    let mut best = (evidence.likely(&own), own.clone());
    evidence.exchange(&suspects, &mut own.clone(), 0.0, &mut best);
    let speaker = best.1;
    let level_db = heard.iter().zip(&speaker).map(|(it, &j)| level_db(it, calls[j].kind));
    Assigned { level_db: level_db.collect(), speaker }
}

/// Level of an answer against what is usual of a speaker of `kind`, its own band counting evenly.
fn level_db(heard: &Heard, kind: Kind) -> f64 {
    let usual = if kind == Kind::Subwoofer { SUBWOOFER_DB } else { 0.0 };
    let own = |it: &&(f64, f64)| kind.level_db(it.0) > OWN_BAND_DB;
    let (sum, count) = heard.levels.iter().filter(own).fold((0.0, 0.0), |(sum, count), (hz, db)| {
        (sum + db - kind.level_db(*hz) - lift_db(*hz), count + 1.0)
    });
    // Called nowhere in its own band: all there is.
    if count > 0.0 { sum / count - usual } else { heard.answer.level_db }
}

/// How much likelier, as a logarithm, `heard` comes from a speaker of another kind than `kind`.
pub(super) fn stranger(heard: &Heard, kind: Kind) -> f64 {
    let own = Fit::new(heard, kind).likely;
    Kind::ALL.iter().map(|other| Fit::new(heard, *other).likely - own).fold(0.0, f64::max)
}

/// An answer held against a kind of speaker.
struct Fit {
    /// Frequency, what is beyond the kind's level and the offset, and the variance of what its make adds there.
    beyond: Vec<(f64, f64, f64)>,
    /// Level against the kind's.
    offset_db: f64,
    /// Its variance, besides that of sensitivities.
    offset_variance: f64,
    /// Logarithm of the likelihood of what is beyond.
    likely: f64,
}

impl Fit {
    fn new(heard: &Heard, kind: Kind) -> Self {
        let usual = if kind == Kind::Subwoofer { SUBWOOFER_DB } else { 0.0 };
        let expected = |hz: f64| kind.level_db(hz).max(FLOOR_DB) + lift_db(hz);
        let make = |hz: f64| MAKE_DB.powi(2) + (MAKE_EDGE * kind.level_db(hz).max(FLOOR_DB)).powi(2);
        let (mut weight, mut sum) = (1e-9, 0.0);
        for ((hz, db), clear_db) in heard.levels.iter().zip(&heard.clear_db) {
            // Noise says little about the level.
            let variance =
                make(*hz) + place_db(*hz).powi(2) + if *clear_db < AUDIBLE_DB { 400.0 } else { 0.0 };
            weight += 1.0 / variance;
            sum += (db - expected(*hz)) / variance;
        }
        let offset_db = sum / weight;
        let mut likely = 0.0;
        let mut beyond = Vec::new();
        for ((hz, db), clear_db) in heard.levels.iter().zip(&heard.clear_db) {
            let apart_db = db - expected(*hz) - offset_db;
            // In noise a speaker may be as soft as it likes.
            let apart_db = if *clear_db < AUDIBLE_DB { apart_db.min(0.0) } else { apart_db };
            let shared = make(*hz);
            likely += THIRD_WORTH * normal(apart_db, shared + place_db(*hz).powi(2));
            beyond.push((*hz, apart_db, shared));
        }
        Self { beyond, offset_db: offset_db - usual, offset_variance: 1.0 / (THIRD_WORTH * weight), likely }
    }

    /// What two answers, both held against one kind, gain in likelihood when they come from speakers of one make.
    fn alike(&self, other: &Self) -> f64 {
        let hz: Vec<f64> = other.beyond.iter().map(|it| it.0).collect();
        let apart: Vec<f64> = other.beyond.iter().map(|it| it.1).collect();
        let gain = |&(f, a, shared): &(f64, f64, f64)| {
            let b = interpolate_log(&hz, &apart, f)?;
            let whole = shared + place_db(f).powi(2);
            let limit = 4.0 * whole.sqrt();
            let (a, b) = (a.clamp(-limit, limit), b.clamp(-limit, limit));
            // Sum and difference of two of one make are independent.
            let together = normal(a + b, 2.0 * (whole + shared)) + normal(a - b, 2.0 * (whole - shared));
            Some(together - normal(a + b, 2.0 * whole) - normal(a - b, 2.0 * whole))
        };
        THIRD_WORTH * self.beyond.iter().filter_map(gain).sum::<f64>()
    }
}

fn place_db(hz: f64) -> f64 {
    let (most, least) = PLACE_DB;
    (most / (1.0 + (hz / PLACE_FALLS_HZ).powi(2)).powf(0.25)).max(least)
}

fn lift_db(hz: f64) -> f64 {
    LIFT.0 / (1.0 + (hz / LIFT.1).powi(2))
}

/// Logarithm of the normal density, with a distance beyond 5 standard deviations counting no further.
fn normal(x: f64, variance: f64) -> f64 {
    -0.5 * ((x * x / variance).min(25.0) + (TAU * variance).ln())
}

/// The same where, every so often, something else is wrong.
fn normal_or(x: f64, variance: f64, (fault, range): (f64, f64)) -> f64 {
    ((1.0 - fault) * normal(x, variance).exp() + fault / range).ln()
}

struct Evidence<'a> {
    calls: &'a [Call],
    heard: &'a [Heard],
    near: Option<Side>,
    /// `[call][kind]`
    fits: Vec<Vec<Fit>>,
    /// Left and right channels of one make.
    pairs: Vec<(usize, usize)>,
    /// Channels without a like one.
    lone: Vec<usize>,
    level_db: f64,
}

impl<'a> Evidence<'a> {
    fn new(calls: &'a [Call], heard: &'a [Heard], near: Option<Side>) -> Self {
        let fits: Vec<Vec<Fit>> =
            heard.iter().map(|it| Kind::ALL.iter().map(|kind| Fit::new(it, *kind)).collect()).collect();
        let pairs: Vec<(usize, usize)> = (0..calls.len())
            .filter(|&i| calls[i].side == Side::Left)
            .filter_map(|left| Some((left, mate(calls, left)?)))
            .collect();
        let lone = (0..calls.len()).filter(|i| pairs.iter().all(|(l, r)| l != i && r != i)).collect();
        let mut levels: Vec<f64> = (0..calls.len())
            .filter(|&i| audible(&heard[i]))
            .map(|i| fits[i][calls[i].kind as usize].offset_db)
            .collect();
        levels.sort_by(f64::total_cmp);
        let level_db = levels.get(levels.len() / 2).copied().unwrap_or(0.0);
        Self { calls, heard, near, fits, pairs, lone, level_db }
    }

    /// Channels in the order in which an exchange with any other one is likely.
    fn suspects(&self) -> Vec<usize> {
        let own: Vec<usize> = (0..self.calls.len()).collect();
        let mut ranked: Vec<(f64, usize)> = own
            .iter()
            .map(|&i| {
                let with = |j: usize| {
                    let mut who = own.clone();
                    who.swap(i, j);
                    self.likely(&who) + self.seldom(i, j)
                };
                let best =
                    own.iter().filter(|&&j| j != i).map(|&j| with(j)).fold(f64::NEG_INFINITY, f64::max);
                (best, i)
            })
            .collect();
        ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
        ranked.into_iter().map(|(_, i)| i).collect()
    }

    /// Tries every set of exchanges among `free`, on top of those made in `who`.
    fn exchange(&self, free: &[usize], who: &mut Vec<usize>, seldom: f64, best: &mut (f64, Vec<usize>)) {
        let Some((&i, rest)) = free.split_first() else { return };
        self.exchange(rest, who, seldom, best);
        for (k, &j) in rest.iter().enumerate() {
            who.swap(i, j);
            let seldom = seldom + self.seldom(i, j);
            let likely = self.likely(who) + seldom;
            if likely > best.0 {
                *best = (likely, who.clone());
            }
            let others: Vec<usize> =
                rest.iter().enumerate().filter(|(n, _)| *n != k).map(|it| *it.1).collect();
            self.exchange(&others, who, seldom, best);
            who.swap(i, j);
        }
    }

    fn seldom(&self, i: usize, j: usize) -> f64 {
        // Two silences are two silent channels; one makes an exchange a second fault.
        match (audible(&self.heard[i]), audible(&self.heard[j])) {
            (false, false) => return f64::NEG_INFINITY,
            (true, true) => {}
            _ => return EXCHANGE_AND_SILENT,
        }
        if self.pairs.contains(&(i, j)) || self.pairs.contains(&(j, i)) {
            EXCHANGE_IN_PAIR
        } else if self.calls[i].kind == self.calls[j].kind {
            EXCHANGE_IN_KIND
        } else {
            EXCHANGE
        }
    }

    /// Logarithm of how likely all that was heard is when call `i` is answered by the speaker of channel `who[i]`;
    /// exchanges are mutual, so that the speaker of `i` answers call `who[i]`.
    fn likely(&self, who: &[usize]) -> f64 {
        let alone: f64 = who.iter().enumerate().map(|(i, &j)| self.answer(i, self.calls[j].kind)).sum();
        let lone: f64 = self.lone.iter().map(|&j| self.level(who[j], self.calls[j].kind)).sum();
        let pairs: f64 = self.pairs.iter().map(|&(l, r)| self.pair(who[l], who[r], self.calls[l].kind)).sum();
        alone + lone + pairs
    }

    fn answer(&self, i: usize, kind: Kind) -> f64 {
        let deaf = super::speaker::mean_level_db(&self.heard[i].levels, kind) < DEAF_DB;
        match (audible(&self.heard[i]), deaf) {
            (true, _) => self.fits[i][kind as usize].likely,
            // Silence is what a speaker gives that cannot play there at all.
            (false, true) => (0.5f64).ln(),
            (false, false) => DEAD.ln(),
        }
    }

    fn level(&self, i: usize, kind: Kind) -> f64 {
        if !audible(&self.heard[i]) {
            return 0.0;
        }
        let fit = &self.fits[i][kind as usize];
        let variance = MAKE_LEVEL_DB.powi(2) + PAIR_LEVEL_DB.powi(2) + fit.offset_variance;
        normal_or(fit.offset_db - self.level_db, variance, LEVEL_FAULT)
    }

    /// The left and the right one of a make, answering calls `a` and `b`.
    fn pair(&self, a: usize, b: usize, kind: Kind) -> f64 {
        if !audible(&self.heard[a]) || !audible(&self.heard[b]) {
            return self.level(a, kind) + self.level(b, kind);
        }
        let (left, right) = (&self.fits[a][kind as usize], &self.fits[b][kind as usize]);
        left.alike(right) + self.levels(left, right) + self.order(a, b)
    }

    fn levels(&self, left: &Fit, right: &Fit) -> f64 {
        let (a, b) = (left.offset_db - self.level_db, right.offset_db - self.level_db);
        let each = |fit: &Fit| PAIR_LEVEL_DB.powi(2) + fit.offset_variance;
        let make = MAKE_LEVEL_DB.powi(2);
        let (fault, range) = LEVEL_FAULT;
        let wrong = fault / range;
        let together = normal(a - b, each(left) + each(right))
            + normal(0.5 * (a + b), make + 0.25 * (each(left) + each(right)));
        let one = |x: f64, fit: &Fit| normal(x, make + each(fit)).exp();
        let sound = 1.0 - fault;
        (sound * sound * together.exp() + sound * wrong * (one(a, left) + one(b, right)) + wrong * wrong).ln()
    }

    /// The nearer one comes first.
    fn order(&self, a: usize, b: usize) -> f64 {
        let (Some(near), Some(left_ms), Some(right_ms)) =
            (self.near, self.heard[a].answer.arrival_ms, self.heard[b].answer.arrival_ms)
        else {
            return 0.0;
        };
        let later_ms = if near == Side::Left { right_ms - left_ms } else { left_ms - right_ms };
        normal_or(later_ms - FARTHER_MS.0, FARTHER_MS.1.powi(2), ARRIVAL_FAULT)
    }
}

fn audible(heard: &Heard) -> bool {
    heard.answer.snr_db >= AUDIBLE_DB
}

/// The like speaker on the other side.
pub(super) fn mate(calls: &[Call], i: usize) -> Option<usize> {
    let call = &calls[i];
    let other = match call.side {
        Side::Left => Side::Right,
        Side::Right => Side::Left,
        Side::Both => return None,
    };
    calls.iter().position(|it| it.side == other && it.group == call.group && it.kind == call.kind)
}
