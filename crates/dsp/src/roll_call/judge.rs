//! Holding the answers against the map and against one another.
//!
//! The thresholds are common practice, no source; the figures beside each were seen on simulated cars.

use super::assign::{assign, mate, stranger};
use super::hear::{AUDIBLE_DB, Heard};
use super::{Call, Fault, Kind, Side, Trouble, speaker};
use crate::align::Confidence;
use crate::tune::Polarity;

/// A pair of like speakers differs less in level unless something is wrong (sound pairs: 4 dB at most).
const PAIR_LEVEL_DB: f64 = 8.0;
/// The nearer of a pair is louder by about this for each millisecond that it comes earlier: 34 cm beyond a metre take
/// 2.6 dB from a direct sound (inverse distance), and about half of what is heard in a small cabin is direct.
const NEARER_DB_PER_MS: f64 = 1.3;
/// What comes earlier by more is not the same pair's direct sound.
const LEAD_MS: f64 = 4.0;
/// A speaker without a like one differs less from all the others (sound cars: 7 dB at most).
const LONE_LEVEL_DB: f64 = 10.0;
/// Nor do both of a pair together, which are told from one another first.
const PAIR_AWAY_DB: f64 = 14.0;
/// An answer that overdrives the recording is louder than can be said; then this much is enough.
const CLIPPED_DB: f64 = 3.0;
/// An answer that lies this far below its fellows is crosstalk.
const CROSSTALK_DB: f64 = 30.0;
/// Left and right must differ by this in arrival before their order counts.
const ORDER_MS: f64 = 0.25;
/// Two answers are alike, or opposite, beyond this correlation.
const ALIKE: f64 = 0.4;
/// A subwoofer's direct sound comes within this of the first speaker's (sound cars: 2.1 ms at most; half a period late
/// from 4.5 ms on).
const LATE_MS: f64 = 3.5;
/// What the first pulse says, against 1 to 3 for the largest by its confidence.
const FIRST: f64 = 1.5;
/// Evidence from here on is sure: medium confidence and the first pulse agree.
const SURE: f64 = 3.5;
/// An answer is a stranger's when another kind is likelier by this, as a logarithm.
const STRANGE: f64 = 12.0;
/// A buzz louder than this is a rattle (sound cars: none above −80 dB).
const RATTLE_DB: f64 = -70.0;

pub(super) fn judge(calls: &[Call], heard: &[Heard], listener: Option<Side>) -> (Vec<Fault>, Vec<String>) {
    let mut remarks = Vec::new();
    for it in heard.iter().filter(|it| it.answer.clipped) {
        remarks.push(format!(
            "The recording is overdriven while {} plays: lower the level and call again.",
            it.answer.name
        ));
    }
    let level_db = heard.iter().map(|it| it.answer.level_db).collect();
    let mut bench = Bench { calls, heard, troubles: vec![Vec::new(); calls.len()], level_db, remarks };
    bench.find_exchanged(listener);
    bench.find_silent();
    bench.find_levels();
    bench.find_inverted();
    bench.find_rattles();
    let faults = (0..calls.len())
        .flat_map(|i| bench.troubles[i].iter().map(move |trouble| (i, trouble)))
        .map(|(i, trouble)| Fault {
            name: calls[i].name.clone(),
            trouble: trouble.clone(),
            sentence: sentence(&calls[i], trouble),
        })
        .collect();
    (faults, bench.remarks)
}

struct Bench<'a> {
    calls: &'a [Call],
    heard: &'a [Heard],
    troubles: Vec<Vec<Trouble>>,
    /// Level of each answer against what is usual of the speaker that answers.
    level_db: Vec<f64>,
    remarks: Vec<String>,
}

impl Bench<'_> {
    fn audible(&self, i: usize) -> bool {
        self.heard[i].answer.snr_db >= AUDIBLE_DB
    }

    /// True while the channel's own speaker, or one like it, is thought to have answered.
    fn own(&self, i: usize) -> bool {
        !self.troubles[i].iter().any(|it| {
            matches!(it, Trouble::Silent | Trouble::WrongSpeaker)
                || matches!(it, Trouble::SwappedWith { other } if self.group_of(other) != Some(&self.calls[i].group))
        })
    }

    fn group_of(&self, name: &str) -> Option<&String> {
        self.calls.iter().find(|call| call.name == name).map(|call| &call.group)
    }

    /// The like speaker on the other side.
    fn mate(&self, i: usize) -> Option<usize> {
        mate(self.calls, i)
    }

    /// The middle level of all channels but `i` that were heard.
    fn fellows_db(&self, i: usize) -> Option<f64> {
        let mut levels: Vec<f64> =
            (0..self.calls.len()).filter(|&j| j != i && self.audible(j)).map(|j| self.level_db[j]).collect();
        levels.sort_by(f64::total_cmp);
        levels.get(levels.len() / 2).copied()
    }

    fn find_exchanged(&mut self, listener: Option<Side>) {
        let near = listener.filter(|side| *side != Side::Both).or_else(|| self.clear_near_side());
        if near.is_none() && !self.orders().is_empty() {
            self.remarks.push(
                "Left and right could not be told apart: say on which side of the car the microphone stands."
                    .into(),
            );
        }
        let assigned = assign(self.calls, self.heard, near);
        self.level_db = assigned.level_db;
        for (i, other) in assigned.speaker.into_iter().enumerate() {
            if other != i {
                let other = self.calls[other].name.clone();
                self.troubles[i].push(Trouble::SwappedWith { other });
            } else if self.audible(i) && stranger(&self.heard[i], self.calls[i].kind) > STRANGE {
                self.troubles[i].push(Trouble::WrongSpeaker);
            }
        }
    }

    /// The side of the microphone where the pairs alone say it.
    fn clear_near_side(&self) -> Option<Side> {
        let orders = self.orders();
        // One pair alone, or a draw, tells nothing: either could be the swapped one.
        let agreed = orders.len() > 2 || orders.len() > 1 && orders.iter().all(|it| it.2 == orders[0].2);
        self.near_side().filter(|_| agreed)
    }

    /// The side whose speakers arrive first in most left-right pairs.
    fn near_side(&self) -> Option<Side> {
        let votes: i32 =
            self.orders().iter().map(|(_, _, left_first)| if *left_first { 1 } else { -1 }).sum();
        match votes {
            0 => None,
            _ if votes > 0 => Some(Side::Left),
            _ => Some(Side::Right),
        }
    }

    /// Left channel, right channel, and whether the left arrives first, for each pair in which that is clear.
    fn orders(&self) -> Vec<(usize, usize, bool)> {
        (0..self.calls.len())
            .filter(|&i| self.calls[i].side == Side::Left)
            .filter_map(|left| {
                let right = self.mate(left)?;
                if !(self.own(left) && self.own(right)) {
                    return None;
                }
                let (a, b) = (self.heard[left].answer.arrival_ms?, self.heard[right].answer.arrival_ms?);
                ((a - b).abs() > ORDER_MS && (a - b).abs() < 4.0).then_some((left, right, a < b))
            })
            .collect()
    }

    fn find_silent(&mut self) {
        for i in 0..self.calls.len() {
            let far_below = self.fellows_db(i).is_some_and(|db| self.level_db[i] < db - CROSSTALK_DB);
            if self.troubles[i].is_empty() && (!self.audible(i) || far_below) {
                self.troubles[i].push(Trouble::Silent);
            }
        }
    }

    fn find_levels(&mut self) {
        let mut found = Vec::new();
        for i in (0..self.calls.len()).filter(|&i| self.own(i)) {
            let Some(fellows_db) = self.fellows_db(i) else { continue };
            let away = self.level_db[i] - fellows_db;
            let mate = self.mate(i).filter(|&j| self.own(j));
            let by_db = match mate {
                Some(j) => {
                    let apart = self.level_db[i] - self.level_db[j];
                    let beyond = apart - NEARER_DB_PER_MS * self.lead_ms(i, j);
                    let mate_away = self.fellows_db(j).map_or(0.0, |db| self.level_db[j] - db);
                    let limit =
                        if self.heard[i].answer.clipped && apart > 0.0 { CLIPPED_DB } else { PAIR_LEVEL_DB };
                    if beyond.abs() > limit && away.abs() >= mate_away.abs() {
                        apart
                    } else if away.abs() > PAIR_AWAY_DB {
                        // Both of the pair, alike or one each way.
                        away
                    } else {
                        continue;
                    }
                }
                None if away.abs() > LONE_LEVEL_DB || (self.heard[i].answer.clipped && away > CLIPPED_DB) => {
                    away
                }
                None => continue,
            };
            found.push((i, by_db));
        }
        for (i, by_db) in found {
            self.troubles[i].push(if by_db > 0.0 {
                Trouble::TooLoud { by_db }
            } else {
                Trouble::TooSoft { by_db: -by_db }
            });
        }
    }

    fn find_inverted(&mut self) {
        let (mut found, mut doubts) = (Vec::new(), Vec::new());
        for i in (0..self.calls.len()).filter(|&i| self.own(i) && self.audible(i)) {
            let mate = self.mate(i).filter(|&j| self.own(j) && self.audible(j));
            let inverted = match mate
                .map(|j| (j, speaker::likeness(&self.heard[i], &self.heard[j], self.calls[i].kind)))
            {
                // They go against each other. The others may tell which is right; else the surer is believed, and of
                // two as sure the nearer: of the farther one a reflection may be louder than the direct sound.
                Some((j, r)) if r < -ALIKE => {
                    let (own, other) = (self.forward(i), self.forward(j));
                    let vouched = self.vouched(i, j) - self.vouched(j, i);
                    let surer = own.abs() > other.abs() || own.abs() == other.abs() && self.nearer(i, j);
                    if vouched.abs() > 2.0 * ALIKE {
                        vouched < 0.0
                    } else if surer {
                        own < 0.0
                    } else {
                        other >= 0.0
                    }
                }
                // They go together; both backwards is rare and must be clear in both.
                Some((j, r)) if r > ALIKE => self.forward(i) <= -SURE && self.forward(j) <= -SURE,
                // Neither: the nearer is believed when both are sure.
                Some((j, _)) => self.nearer(i, j) && self.forward(i) <= -SURE && self.forward(j) >= SURE,
                None => self.forward(i) <= -SURE && !self.late(i) && !self.contradicted(i),
            };
            if inverted {
                found.push(i);
            } else if mate.is_none() && self.forward(i) < 0.0 {
                doubts.push(format!(
                    "{} may be the wrong way round, but the answer is not clear: check its wires, or take the roll \
                     call again with the microphone nearer to it.",
                    self.calls[i].name
                ));
            }
        }
        self.remarks.extend(doubts);
        found.into_iter().for_each(|i| self.troubles[i].push(Trouble::Inverted));
    }

    /// So late that it may have been taken for half a period later, the other way round.
    fn late(&self, i: usize) -> bool {
        self.calls[i].kind == Kind::Subwoofer
            && self.heard[i].answer.arrival_ms.is_none_or(|at_ms| at_ms > LATE_MS)
    }

    /// By how much `i` arrives before `j`; 0 where that is not known.
    fn lead_ms(&self, i: usize, j: usize) -> f64 {
        let at = |k: usize| self.heard[k].answer.arrival_ms;
        at(j).zip(at(i)).map(|(later, own)| later - own).filter(|lead| lead.abs() < LEAD_MS).unwrap_or(0.0)
    }

    fn nearer(&self, i: usize, j: usize) -> bool {
        let at = |k: usize| self.heard[k].answer.arrival_ms.unwrap_or(f64::INFINITY);
        at(i) < at(j)
    }

    /// True where other speakers that surely move forward move along with it at low frequencies.
    fn contradicted(&self, i: usize) -> bool {
        self.calls[i].kind != Kind::Subwoofer && self.vouched(i, i) > ALIKE
    }

    /// How alike `i` moves, at low frequencies, with other speakers than `mate` that surely move forward; 0 without any.
    fn vouched(&self, i: usize, mate: usize) -> f64 {
        let alike: Vec<f64> = (0..self.calls.len())
            .filter(|&k| k != i && k != mate && self.calls[k].kind != Kind::Subwoofer)
            .filter(|&k| self.own(k) && self.audible(k) && self.forward(k) >= SURE)
            .filter_map(|k| speaker::alike_below(&self.heard[i], &self.heard[k]))
            .collect();
        alike.iter().sum::<f64>() / alike.len().max(1) as f64
    }

    /// How surely the speaker moves forward, by the largest pulse and by the first: beyond ±[`SURE`] both say so.
    fn forward(&self, i: usize) -> f64 {
        let Some((polarity, confidence)) = self.heard[i].answer.polarity else { return 0.0 };
        let weight = match confidence {
            Confidence::High => 3.0,
            Confidence::Medium => 2.0,
            Confidence::Low => 1.0,
        };
        let largest = if polarity == Polarity::Inverted { -weight } else { weight };
        match speaker::first_push(&self.heard[i], self.calls[i].kind) {
            Some(first) => largest + if first { FIRST } else { -FIRST },
            // A subwoofer's pulse is one wave, first and largest alike.
            None => largest + FIRST.copysign(largest),
        }
    }

    fn find_rattles(&mut self) {
        for i in 0..self.calls.len() {
            // An overdriven recording sounds like a rattle.
            let clean = self.own(i) && !self.heard[i].answer.clipped;
            if clean && self.heard[i].answer.rattle_db.is_some_and(|db| db > RATTLE_DB) {
                self.troubles[i].push(Trouble::Rattles);
            }
        }
    }
}

fn sentence(call: &Call, trouble: &Trouble) -> String {
    let name = &call.name;
    match trouble {
        Trouble::Silent => format!(
            "{name}: nothing is heard. Check that the channel is not muted, then its cable, its amplifier channel and the \
             speaker."
        ),
        Trouble::SwappedWith { other } => format!(
            "{name}: the speaker of {other} seems to answer. Check whether the two are swapped at the processor, the \
             amplifier or the speakers."
        ),
        Trouble::WrongSpeaker => format!(
            "{name}: the answer is not that of a {}. Check which speaker hangs on this channel before playing it \
             louder.",
            call.kind.word()
        ),
        Trouble::Inverted => format!(
            "{name}: it moves the wrong way. Check plus and minus at the speaker and the amplifier, and the polarity \
             switch of the processor."
        ),
        Trouble::TooLoud { by_db } => format!(
            "{name}: {by_db:.0} dB louder than its fellows. Check the gain of its amplifier and its level in the \
             processor."
        ),
        Trouble::TooSoft { by_db } => format!(
            "{name}: {by_db:.0} dB softer than its fellows. Check the gain of its amplifier, its level in the \
             processor, and for a bad contact."
        ),
        Trouble::Rattles => format!(
            "{name}: something buzzes along. Press on the trim around the speaker while it plays; check screws, clips \
             and cables."
        ),
    }
}
