//! Every crossover joined: delay, polarity and all-pass by the complex sum through the tune at every position.

use dsp::curve::log_grid_hz;
use dsp::filter::ChannelFilter;
use dsp::limits::Limits;
use dsp::spectrum::{Bins, Complex};
use dsp::system::join::{self, Into, Means, Meeting, SumOverDelay, Way, Why};
use dsp::tune::{Pass, Polarity, Section, SectionKind, Tune};
use dsp::verdict::Verdict;
use garage::{Channel, ChannelMap, Reason, Role, Side};
use serde::Serialize;

use super::align::refresh;
use super::start::{in_order, lower_of};
use super::system::{heard, shared_positions};
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::handover::changes::hertz;
use crate::judged::Judged;
use crate::source::side_name;

/// A tune whose bands are joined.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Joined {
    /// The settings.
    pub tune: Tune,
    /// What was done and why.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
    /// One for each crossover, top down.
    pub joints: Vec<Joint>,
}

/// Two bands and how they were joined.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Joint {
    /// What was moved: one channel, or a left and right pair, which get the same so that they stay alike.
    pub lower: Vec<String>,
    /// The channels it meets.
    pub upper: Vec<String>,
    /// Where they meet.
    pub frequency_hz: f64,
    /// The region over which they are to add.
    pub region_hz: (f64, f64),
    /// Added to the lower channels, against their own arrival.
    pub delay_ms: f64,
    /// The lower channels are turned over.
    pub inverted: bool,
    /// An all-pass that was needed, and the channels it went into.
    pub all_pass: Option<(Vec<String>, Section)>,
    /// Lost against drivers that add perfectly, mean over positions.
    pub lost_db: f64,
    /// The same before joining.
    pub lost_before_db: f64,
    /// The same at the worst position.
    pub worst_lost_db: f64,
    /// That position.
    pub worst_position: String,
    /// The second best, and why it lost.
    pub runner_up: Option<RunnerUp>,
    /// The sum over delay around what is set.
    pub picture: SumOverDelay,
}

/// A way to join that was not taken.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunnerUp {
    /// Its delay against what is set.
    pub delay_ms: f64,
    /// It is turned over against what is set.
    pub turned_over: bool,
    /// Lost against drivers that add perfectly.
    pub lost_db: f64,
    /// The same at its worst position.
    pub worst_lost_db: f64,
    /// Why it lost, a clause in plain words.
    pub why: String,
}

/// A subwoofer's own arrival is good to some milliseconds only.
const SUBWOOFER_WINDOW_S: f64 = 0.006;
/// Other drivers are set by arrival; their phase through the crossover asks for up to this share of a period more.
const WINDOW_PERIODS: f64 = 0.6;
/// An octave to either side of the crossover both are heard.
const REGION_OCTAVES: f64 = 1.0;
/// Points of a meeting.
const POINTS_PER_OCTAVE: f64 = 24.0;
/// A joint that loses more than this is said to be poor.
const POOR_DB: f64 = 2.0;
const PICTURE_POINTS: usize = 121;

/// Joins every channel to those above it, from the top down, and the subwoofer last.
///
/// The top of each side stays where its arrival put it, so that left and right keep their balance.
///
/// # Errors
/// No position that every channel shares, or a tune with a filter that cannot be.
pub fn join(
    cabin: &CabinCurves,
    map: &ChannelMap,
    tune: &Tune,
    limits: &Limits,
) -> Result<Judged<Joined>, JobError> {
    let positions = shared_positions(&cabin.channels);
    if positions.is_empty() {
        return Err(JobError::not_yet("no position has takes of every channel", "take them in Cabin first"));
    }
    let mut judged = Judged::good(Joined { tune: tune.clone(), reasons: Vec::new(), joints: Vec::new() });
    let mut joined: Vec<&str> = Vec::new();
    for lower in in_order(map) {
        if joined.contains(&lower.name.as_str()) {
            continue;
        }
        let pair: Vec<&Channel> = std::iter::once(lower).chain(mate(map, lower)).collect();
        joined.extend(pair.iter().map(|it| it.name.as_str()));
        let mut place = Place::default();
        for lower in &pair {
            let upper: Vec<&str> = map
                .channels
                .iter()
                .filter(|it| lower_of(map, it).is_some_and(|below| below.name == lower.name))
                .map(|it| it.name.as_str())
                .collect();
            place.add(cabin, &judged.result.tune, &lower.name, &upper, &positions)?;
        }
        if place.meeting.fixed.is_empty() {
            continue;
        }
        let window_s = if lower.role == Role::Subwoofer {
            SUBWOOFER_WINDOW_S
        } else {
            WINDOW_PERIODS / place.meeting.middle_hz()
        };
        let has_all_pass = limits.kinds.contains(&SectionKind::AllPass);
        // What several channels have in common cannot be turned in one of them.
        let one_each = place.upper.len() == place.lower.len();
        let into = if one_each { vec![Into::Fixed, Into::Moved] } else { vec![Into::Moved] };
        let all_passes: Vec<Section> = if has_all_pass {
            let all = join::all_passes_within(place.region_hz.0, place.region_hz.1);
            all.iter().map(|it| limits.on_steps(it)).collect()
        } else {
            Vec::new()
        };
        let means = Means { home_s: 0.0, window_s, all_passes, into, rate_hz: tune.sample_rate_hz };
        let Some(found) = place.meeting.join(&means) else { continue };
        let joint = place.joint(&found, window_s, tune.sample_rate_hz);
        settle(&mut judged.result.tune, &joint, &found.best);
        if joint.lost_db > POOR_DB {
            judged.note(
                Verdict::Usable,
                format!(
                    "{} and {} lose {:.1} dB where they meet, whatever the delay: try another crossover frequency.",
                    joint.lower.join(" and "),
                    joint.upper.join(" and "),
                    joint.lost_db
                ),
            );
        }
        judged.result.reasons.push(Reason { subject: joint.lower.join(" and "), words: joint.sentence() });
        judged.result.joints.push(joint);
    }
    within_reach(&mut judged, limits);
    refresh(&mut judged.result.tune)?;
    Ok(judged)
}

/// The like channel on the other side.
fn mate<'a>(map: &'a ChannelMap, channel: &Channel) -> Option<&'a Channel> {
    let other = match channel.side {
        Side::Left => Side::Right,
        Side::Right => Side::Left,
        Side::Both => return None,
    };
    map.channels.iter().find(|it| it.side == other && it.role == channel.role && it.place == channel.place)
}

/// Two bands as they meet.
struct Place {
    meeting: Meeting,
    names: Vec<String>,
    lower: Vec<String>,
    upper: Vec<String>,
    frequency_hz: f64,
    region_hz: (f64, f64),
}

impl Default for Place {
    fn default() -> Self {
        Self {
            meeting: Meeting { frequency_hz: Vec::new(), fixed: Vec::new(), moved: Vec::new() },
            names: Vec::new(),
            lower: Vec::new(),
            upper: Vec::new(),
            frequency_hz: 0.0,
            region_hz: (0.0, 0.0),
        }
    }
}

impl Place {
    /// Adds a channel and those it meets; nothing where they do not meet: no takes, no crossover, no common region, or
    /// another region than its mate's.
    fn add(
        &mut self,
        cabin: &CabinCurves,
        tune: &Tune,
        lower: &str,
        upper: &[&str],
        positions: &[String],
    ) -> Result<(), JobError> {
        let Some(low) = cabin.channel(lower) else { return Ok(()) };
        let above: Vec<_> = upper.iter().filter_map(|name| cabin.channel(name)).collect();
        let edge = |name: &str, pass: Pass| {
            let channel = tune.channels.iter().find(|it| it.name == name)?;
            channel.crossovers.iter().find(|it| it.pass == pass).map(|it| it.frequency_hz)
        };
        let high_passes: Vec<f64> = upper.iter().filter_map(|name| edge(name, Pass::High)).collect();
        let Some(high_pass_hz) = high_passes.iter().copied().reduce(f64::max) else { return Ok(()) };
        let frequency_hz = (edge(lower, Pass::Low).unwrap_or(high_pass_hz) * high_pass_hz).sqrt();
        let reach = REGION_OCTAVES.exp2();
        let from_hz = above
            .iter()
            .map(|it| it.band_hz.0)
            .chain([low.band_hz.0, frequency_hz / reach])
            .fold(0.0, f64::max);
        let to_hz = low.band_hz.1.min(frequency_hz * reach);
        if above.is_empty() || to_hz < 1.2 * from_hz {
            return Ok(());
        }
        let bins = &Bins::standard().frequency_hz;
        let mut at: Vec<usize> = log_grid_hz(from_hz, to_hz, POINTS_PER_OCTAVE)
            .into_iter()
            .map(|f| bins.partition_point(|b| *b < f).min(bins.len() - 1))
            .collect();
        at.dedup();
        let frequencies: Vec<f64> = at.iter().map(|&k| bins[k]).collect();
        let filter = |name: &str| -> Result<Vec<Complex>, JobError> {
            let Some(channel) = tune.channels.iter().find(|it| it.name == name) else {
                return Ok(vec![Complex::new(1.0, 0.0); frequencies.len()]);
            };
            let filter = ChannelFilter::new(channel, tune.sample_rate_hz)
                .map_err(|error| JobError::Input(format!("tune, channel \"{name}\": {error}")))?;
            Ok(filter.responses(&frequencies))
        };
        let through = |places: Vec<Vec<Complex>>, filter: &[Complex]| -> Vec<Vec<Complex>> {
            let one = |place: Vec<Complex>| at.iter().zip(filter).map(|(&k, h)| place[k] * h).collect();
            places.into_iter().map(one).collect()
        };
        // A subwoofer meets left and right: each side playing alone counts, and both together.
        let of_its_own = |side: &Side| above.iter().any(|it| it.side == *side);
        let mut sides: Vec<Side> =
            [Side::Left, Side::Right, Side::Both].into_iter().filter(of_its_own).collect();
        if sides.len() > 1 && !sides.contains(&Side::Both) {
            sides.push(Side::Both);
        }
        let low_filter = filter(lower)?;
        if self.lower.is_empty() {
            self.meeting.frequency_hz.clone_from(&frequencies);
            (self.frequency_hz, self.region_hz) = (frequency_hz, (from_hz, to_hz));
        } else if self.meeting.frequency_hz != frequencies {
            return Ok(());
        }
        self.lower.push(lower.to_owned());
        self.upper.extend(above.iter().map(|it| it.name.clone()));
        // In a pair a place is one ear of one speaker; its name says which.
        let spoken = |position: &String, side: Side| match side {
            Side::Both => position.clone(),
            _ => format!("{position}, {}", side_name(side)),
        };
        for side in sides {
            let moved = through(heard(cabin, low, side, positions), &low_filter);
            let mut fixed = vec![vec![Complex::new(0.0, 0.0); at.len()]; positions.len()];
            for channel in &above {
                let share = through(heard(cabin, channel, side, positions), &filter(&channel.name)?);
                for (sum, share) in fixed.iter_mut().zip(share) {
                    sum.iter_mut().zip(share).for_each(|(sum, share)| *sum += share);
                }
            }
            if moved.len() != fixed.len() {
                continue;
            }
            self.meeting.moved.extend(moved);
            self.meeting.fixed.extend(fixed);
            self.names.extend(positions.iter().map(|it| spoken(it, side)));
        }
        Ok(())
    }

    fn joint(&self, found: &join::Join, window_s: f64, rate_hz: f64) -> Joint {
        let best = &found.best;
        let name = |place: usize| self.names.get(place).cloned().unwrap_or_default();
        let runner_up = found.runner_up.map(|(way, why)| RunnerUp {
            delay_ms: 1e3 * (way.delay_s - best.delay_s),
            turned_over: way.invert != best.invert,
            lost_db: way.lost_db,
            worst_lost_db: way.worst_lost_db,
            why: match why {
                Why::CyclesAway(periods) => format!(
                    "it is {:.1} of a period {} and loses {:.1} dB more",
                    periods.abs(),
                    if periods < 0.0 { "early" } else { "late" },
                    (way.lost_db - best.lost_db).max(0.0)
                ),
                Why::DipAt { place, by_db } => {
                    format!("it leaves a dip {by_db:.1} dB deeper at {}", name(place))
                }
                Why::Less => format!("it loses {:.1} dB more", (way.lost_db - best.lost_db).max(0.0)),
            },
        });
        let as_it_was = self.meeting.over_delay(
            &Way { delay_s: 0.0, invert: false, all_pass: None, ..*best },
            rate_hz,
            0.0,
            1,
        );
        Joint {
            lower: self.lower.clone(),
            upper: self.upper.clone(),
            frequency_hz: self.frequency_hz,
            region_hz: self.region_hz,
            delay_ms: 1e3 * best.delay_s,
            inverted: best.invert,
            all_pass: best.all_pass.map(|(into, section)| match into {
                Into::Moved => (self.lower.clone(), section),
                Into::Fixed => (self.upper.clone(), section),
            }),
            lost_db: best.lost_db,
            lost_before_db: as_it_was.as_set_db.first().map_or(0.0, |db| -db),
            worst_lost_db: best.worst_lost_db,
            worst_position: name(best.worst_place),
            runner_up,
            picture: self.meeting.over_delay(best, rate_hz, 1.2 * window_s, PICTURE_POINTS),
        }
    }
}

impl Joint {
    fn sentence(&self) -> String {
        let mut words =
            format!("To join {} at {} it was ", self.upper.join(" and "), hertz(self.frequency_hz));
        words.push_str(&match (self.inverted, self.delay_ms) {
            (turned, ms) if ms.abs() < 0.005 => {
                if turned {
                    "turned over".to_owned()
                } else {
                    "left as its arrival set it".to_owned()
                }
            }
            (turned, ms) => format!(
                "{} by {:.2} ms{}",
                if ms < 0.0 { "brought forward" } else { "delayed" },
                ms.abs(),
                if turned { " and turned over" } else { "" }
            ),
        });
        if let Some((names, section)) = &self.all_pass {
            words.push_str(&format!(
                ", and {} got an all-pass at {} with Q {}",
                names.join(" and "),
                hertz(section.frequency_hz),
                section.q
            ));
        }
        words.push_str(&format!(
            ": between {} and {} the sum loses {:.1} dB, {:.1} dB at worst ({}), where it lost {:.1} dB before.",
            hertz(self.region_hz.0),
            hertz(self.region_hz.1),
            self.lost_db,
            self.worst_lost_db,
            self.worst_position,
            self.lost_before_db
        ));
        if let Some(other) = &self.runner_up {
            words.push_str(&format!(
                " Next best would be {:+.2} ms{}; {}.",
                other.delay_ms,
                if other.turned_over { ", turned over" } else { "" },
                other.why
            ));
        }
        words
    }
}

/// Sets the joint; delays may be negative until all joints are made.
fn settle(tune: &mut Tune, joint: &Joint, best: &Way) {
    for channel in tune.channels.iter_mut().filter(|it| joint.lower.contains(&it.name)) {
        channel.delay_ms += joint.delay_ms;
        if best.invert {
            channel.polarity = turned(channel.polarity);
        }
    }
    // Nothing runs backwards: everything else waits for it.
    let earliest = tune.channels.iter().map(|it| it.delay_ms).fold(0.0, f64::min);
    tune.channels.iter_mut().for_each(|it| it.delay_ms -= earliest);
    if let Some((names, section)) = &joint.all_pass {
        for channel in tune.channels.iter_mut().filter(|it| names.contains(&it.name)) {
            channel.sections.push(*section);
        }
    }
}

fn turned(polarity: Polarity) -> Polarity {
    match polarity {
        Polarity::Normal => Polarity::Inverted,
        Polarity::Inverted => Polarity::Normal,
    }
}

/// Delays on the processor's steps, the smallest at zero, none beyond the longest there is.
fn within_reach(judged: &mut Judged<Joined>, limits: &Limits) {
    let earliest = judged.result.tune.channels.iter().map(|it| it.delay_ms).fold(f64::INFINITY, f64::min);
    let mut short = Vec::new();
    for channel in &mut judged.result.tune.channels {
        let wanted_ms = channel.delay_ms - earliest;
        channel.delay_ms = limits.delay_on_step_ms(wanted_ms);
        if let Some(range) = limits.delay_ms
            && wanted_ms > range.max + 1e-6
        {
            short.push(format!(
                "{} needs {wanted_ms:.2} ms and the processor has {:.2} ms; it was set to the most there is.",
                channel.name, range.max
            ));
        }
    }
    short.into_iter().for_each(|words| judged.note(Verdict::Usable, words));
}
