//! Every crossover joined: delay, polarity and all-pass by the complex sum through the tune at every position.

use dsp::limits::Limits;
use dsp::system::join::{Into, Means, SumOverDelay, Way, Why, all_passes_within};
use dsp::target::Target;
use dsp::tune::{Polarity, Section, SectionKind, Tune};
use dsp::verdict::Verdict;
use garage::{Channel, ChannelMap, Reason, Role, Side};
use serde::Serialize;

use super::align::refresh;
use super::meeting::Place;
use super::refine::{Refinement, THOROUGH, refine, whole_error_db};
use super::start::{in_order, lower_of};
use super::system::shared_positions;
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::handover::changes::hertz;
use crate::judged::Judged;

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
/// Less is not worth typing in.
const WORTH_DB: f64 = 0.05;
/// A joint that loses more than this is said to be poor.
const POOR_DB: f64 = 2.0;

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
    joins(cabin, map, tune, limits, How::Set)
}

/// The joints that `made` set, as they are now that `tune` was refined: what they lose, and the best other way.
///
/// # Errors
/// As [`join`].
pub(super) fn as_refined(
    cabin: &CabinCurves,
    map: &ChannelMap,
    made: &Joined,
    tune: &Tune,
    limits: &Limits,
) -> Result<Vec<Joint>, JobError> {
    let unweighed = "before the whole is weighed: join again to see";
    let mut now = joins(cabin, map, tune, limits, How::Show { better: unweighed })?.result.joints;
    let moved_ms = |names: &[String]| {
        let delay_ms = |tune: &Tune| {
            tune.channels.iter().find(|it| names.first() == Some(&it.name)).map_or(0.0, |it| it.delay_ms)
        };
        delay_ms(tune) - delay_ms(&made.tune)
    };
    for joint in &mut now {
        let Some(set) = made.joints.iter().find(|it| it.lower == joint.lower && it.upper == joint.upper)
        else {
            continue;
        };
        joint.delay_ms = set.delay_ms + moved_ms(&joint.lower) - moved_ms(&joint.upper);
        (joint.inverted, joint.lost_before_db) = (set.inverted, set.lost_before_db);
        joint.all_pass.clone_from(&set.all_pass);
    }
    Ok(now)
}

/// Joins a tune that is voiced already: joined anew and refined, or as it was where that is no nearer to the target.
///
/// Bands were fitted on the joints that were there, so that a better joint alone can make the whole worse. The joints are
/// those of the tune that comes out.
///
/// # Errors
/// As [`join`].
pub fn join_again(
    cabin: &CabinCurves,
    map: &ChannelMap,
    tune: &Tune,
    target: &Target,
    limits: &Limits,
) -> Result<Judged<Joined>, JobError> {
    let anew = join(cabin, map, tune, limits)?;
    let everything = Refinement { channels: None, delays: true, iterations: THOROUGH };
    let refined = refine(cabin, &anew.result.tune, target, limits, everything)?;
    let before_db = whole_error_db(cabin, tune, target);
    let better = refined.after_db < before_db - WORTH_DB;
    let chosen = if better { &refined.tune } else { tune };
    let better_alone = "and brings the whole no nearer to the target";
    let mut judged = joins(cabin, map, chosen, limits, How::Show { better: better_alone })?;
    judged.result.tune = chosen.clone();
    let words = if better {
        judged.result.reasons = anew.result.reasons;
        format!(
            "Joined again and refined: the expected distance from the target fell from {before_db:.1} to {:.1} dB.",
            refined.after_db
        )
    } else {
        judged.result.reasons.clear();
        format!(
            "Joined again, the whole would come to {:.1} dB off the target instead of {before_db:.1}: all stays as it was.",
            refined.after_db
        )
    };
    judged.result.reasons.push(Reason { subject: "joins".into(), words });
    Ok(judged)
}

/// What is done with the ways to join.
#[derive(Clone, Copy)]
enum How<'a> {
    /// The best is set.
    Set,
    /// They are only looked at as they are, the best other way as the runner-up; `better` says why it is not taken
    /// though it loses less.
    Show { better: &'a str },
}

fn joins(
    cabin: &CabinCurves,
    map: &ChannelMap,
    tune: &Tune,
    limits: &Limits,
    how: How,
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
        // An all-pass takes a band in every channel it goes into.
        let has_room = |names: &[String]| {
            let channels = judged.result.tune.channels.iter().filter(|it| names.contains(&it.name));
            channels.into_iter().all(|it| limits.bands_left(it) > 0)
        };
        // What several channels have in common cannot be turned in one of them.
        let one_each = place.upper.len() == place.lower.len();
        let mut into = Vec::new();
        if one_each && has_room(&place.upper) {
            into.push(Into::Fixed);
        }
        if has_room(&place.lower) {
            into.push(Into::Moved);
        }
        let has_all_pass = limits.kinds.contains(&SectionKind::AllPass);
        let all_passes: Vec<Section> = if has_all_pass && matches!(how, How::Set) {
            let all = all_passes_within(place.region_hz.0, place.region_hz.1);
            all.iter().map(|it| limits.on_steps(it)).collect()
        } else {
            Vec::new()
        };
        let means = Means { home_s: 0.0, window_s, all_passes, into, rate_hz: tune.sample_rate_hz };
        let Some(mut found) = place.meeting.join(&means) else { continue };
        let mut better = "";
        if let How::Show { better: why } = how {
            better = why;
            let best = std::mem::replace(&mut found.best, place.meeting.as_it_is());
            if best.invert || best.delay_s.abs() > 0.1 / place.meeting.middle_hz() {
                found.runner_up = Some((best, Why::Less));
            }
        }
        let joint = place.joint(&found, window_s, tune.sample_rate_hz, better);
        if matches!(how, How::Set) {
            settle(&mut judged.result.tune, &joint, &found.best);
        }
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
    if matches!(how, How::Show { .. }) {
        return Ok(judged);
    }
    within_reach(&mut judged, limits);
    refresh(&mut judged.result.tune)?;
    Ok(judged)
}

/// The like channel on the other side.
pub(super) fn mate<'a>(map: &'a ChannelMap, channel: &Channel) -> Option<&'a Channel> {
    let other = match channel.side {
        Side::Left => Side::Right,
        Side::Right => Side::Left,
        Side::Both => return None,
    };
    map.channels.iter().find(|it| it.side == other && it.role == channel.role && it.place == channel.place)
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
