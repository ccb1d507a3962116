//! "Set it up for the driver": one call from measured channels to a tune, with what was done and why.

use dsp::correct::Effort;
use dsp::limits::Limits;
use dsp::target::Target;
use dsp::tune::{ChannelTune, LeftAlone, Polarity, Predicted, SectionKind, Tune};
use dsp::verdict::Verdict;
use garage::{ChannelMap, Reason};
use serde::Serialize;

use super::align::{arrivals, refresh};
use super::crossovers::{CrossoverAdvice, propose_crossovers};
use super::ears::{AtTheEars, at_the_ears};
use super::join::{Joined, Joint, as_refined, join};
use super::propose::{Equalised, each_channel, reason};
use super::refine::{Refined, Refinement, THOROUGH, refine, whole_error_db};
use super::slopes::reach_slopes;
use super::start::start_tune;
use super::tape::cross_check;
use super::taps::tap;
use super::{pairs, set_levels, taps};
use crate::cabin::CabinCurves;
use crate::error::JobError;
use crate::judged::Judged;

/// What the tuner may say besides.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Wish {
    /// Air in the cabin, for distances.
    pub temperature_c: Option<f64>,
    /// Distances from speaker to head by tape measure, per channel.
    pub tape_m: Vec<(String, f64)>,
    /// Begin from these crossovers, and the slopes they are to reach, instead of proposing some.
    pub crossovers_of: Option<Tune>,
    /// Propose filters that reach the slopes which this tune asks of speaker and filter together.
    pub slopes_of: Option<Tune>,
    /// Leave the processor's taps empty.
    pub no_taps: bool,
}

/// A whole set-up.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SetUp {
    /// The settings.
    pub tune: Tune,
    /// What was done and why, in the order it was done.
    #[serde(skip)]
    pub reasons: Vec<Reason>,
    /// What the crossovers rest on; empty where they were given.
    pub crossovers: Vec<CrossoverAdvice>,
    /// The tune before everything was refined together.
    pub stepwise: Tune,
    /// How the bands are joined, with everything refined.
    pub joints: Vec<Joint>,
    /// Rms distance of all sides from the target at one level, with crossovers only.
    pub start_db: f64,
    /// The same step by step: arrivals, bands, levels, joints.
    pub stepwise_db: f64,
    /// The same refined together; never more.
    pub refined_db: f64,
    /// What taps do after that; absent where the processor has none, they are not wanted or would do too little.
    pub taps: Option<Taps>,
    /// Left against right with the tune; absent where a side has no channel of its own.
    pub ears: Option<AtTheEars>,
    /// Regions not touched.
    pub left_alone: Vec<LeftAlone>,
}

/// Taps in a tune.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Taps {
    /// Rms distance of all sides from the target with them.
    pub after_db: f64,
    /// All channels come this much later.
    pub latency_ms: f64,
    /// The loudest of what rings ahead of the sound earlier than a millisecond before it, against it; absent where
    /// nothing does.
    pub pre_ringing_db: Option<f64>,
    /// Channels whose level they change; the others only wait.
    pub channels: Vec<String>,
}

/// Crossovers, arrivals, each channel's bands, levels, joints, then everything refined together; then taps for what the
/// bands leave, where the processor has any.
///
/// # Errors
/// No takes, a processor that has nothing to correct with, a crossover that cannot be.
pub fn set_up(
    cabin: &CabinCurves,
    map: &ChannelMap,
    target: &Target,
    limits: &Limits,
    wish: &Wish,
) -> Result<Judged<SetUp>, JobError> {
    let mut work = Work { cabin, map, target, limits, wish, said: Judged::good(()), reasons: Vec::new() };
    let (start, crossovers) = work.crossovers()?;
    let start_db = whole_error_db(cabin, &start, target);
    let (tune, timed) = work.arrivals(start)?;
    let (joined, left_alone) = work.bands_levels_joints(&tune, timed)?;
    let refined = work.refined(&joined.tune, timed)?;
    let (mut tune, taps) = work.taps(refined.tune, timed)?;
    let joints = if timed { as_refined(cabin, map, &joined, &tune, limits)? } else { Vec::new() };
    tune.left_alone.clone_from(&left_alone);
    let ears = work.ears(&tune)?;
    let after_db = taps.as_ref().map_or(refined.after_db, |taps| taps.after_db);
    tune.predicted = Predicted { rms_error_db_before: start_db, rms_error_db_after: after_db };
    work.reasons.extend(tune.channels.iter().filter_map(settings_in_words));
    let result = SetUp {
        start_db,
        ears,
        stepwise_db: refined.before_db,
        refined_db: refined.after_db,
        taps,
        tune,
        reasons: work.reasons,
        crossovers,
        stepwise: joined.tune,
        joints,
        left_alone,
    };
    Ok(Judged { result, verdict: work.said.verdict, remarks: work.said.remarks })
}

/// What the steps share, and what they have said so far.
struct Work<'a> {
    cabin: &'a CabinCurves,
    map: &'a ChannelMap,
    target: &'a Target,
    limits: &'a Limits,
    wish: &'a Wish,
    said: Judged<()>,
    reasons: Vec<Reason>,
}

impl Work<'_> {
    /// A tune of crossovers alone, and what they rest on where they were not given.
    fn crossovers(&mut self) -> Result<(Tune, Vec<CrossoverAdvice>), JobError> {
        let mut tune = start_tune(self.map, self.limits)?;
        let advice = match &self.wish.crossovers_of {
            Some(given) => {
                take_over(&mut tune, given, |channel, from| {
                    channel.crossovers.clone_from(&from.crossovers);
                    channel.acoustic.clone_from(&from.acoustic);
                });
                Vec::new()
            }
            None => self.proposed(&mut tune)?,
        };
        refresh(&mut tune)?;
        for channel in &tune.channels {
            let (taken, bands) = (self.limits.bands_of_crossovers(&channel.crossovers), self.limits.bands);
            if taken > 0 {
                let words = format!(
                    "{}: its crossovers take {taken} of the {bands} bands; {} are left to equalise with.",
                    channel.name,
                    bands.saturating_sub(taken)
                );
                self.said.note(Verdict::Good, words);
            }
        }
        Ok((tune, advice))
    }

    fn proposed(&mut self, tune: &mut Tune) -> Result<Vec<CrossoverAdvice>, JobError> {
        let advice = heard(&mut self.said, propose_crossovers(self.cabin, self.map, self.limits));
        for it in &advice {
            if let Some(channel) = tune.channels.iter_mut().find(|channel| channel.name == it.channel) {
                channel.crossovers.clone_from(&it.crossovers);
            }
            self.reasons.push(Reason { subject: it.channel.clone(), words: it.sentence.clone() });
        }
        if let Some(asked) = &self.wish.slopes_of {
            take_over(tune, asked, |channel, from| channel.acoustic.clone_from(&from.acoustic));
            let reached = reach_slopes(self.cabin, self.map, tune, self.target, self.limits)?;
            let reached = heard(&mut self.said, reached);
            *tune = reached.tune;
            self.reasons.extend(reached.reasons);
        }
        Ok(advice)
    }

    /// The tune with delays and polarities, and whether there is a common time to set them by.
    fn arrivals(&mut self, mut tune: Tune) -> Result<(Tune, bool), JobError> {
        let mut timed = true;
        match arrivals(self.cabin, &tune, self.limits, self.wish.temperature_c, false) {
            Ok(aligned) => {
                tune = heard(&mut self.said, aligned).tune;
                for words in pairs::agree(self.cabin, self.map, &mut tune) {
                    // What was said of one of the two alone no longer holds.
                    self.said.remarks.retain(|it| {
                        it.split_once(" measures inverted").is_none_or(|(name, _)| !words.contains(name))
                    });
                    self.said.note(Verdict::Usable, words);
                }
            }
            // Levels and bands can still be set; without a common time nothing can be added up.
            Err(JobError::NotYet { missing, first }) => {
                timed = false;
                self.said.note(Verdict::Usable, format!("Delays were not set: {missing}; {first}."));
            }
            Err(error) => return Err(error),
        }
        for words in cross_check(self.cabin, &self.wish.tape_m, self.wish.temperature_c) {
            self.said.note(Verdict::Usable, words);
        }
        Ok((tune, timed))
    }

    /// Each channel equalised by itself, levels, then joints, and the regions that were left alone.
    fn bands_levels_joints(
        &mut self,
        tune: &Tune,
        timed: bool,
    ) -> Result<(Joined, Vec<LeftAlone>), JobError> {
        let limits = self.limits;
        // A band stays free for the all-pass that a joint may ask for.
        let kept_free =
            usize::from(timed && limits.bands > 1 && limits.kinds.contains(&SectionKind::AllPass));
        let for_bands = Limits { bands: limits.bands.saturating_sub(kept_free), ..limits.clone() };
        let Equalised { tune: equalised, left_alone, .. } =
            each_channel(self.cabin, tune, self.target, &for_bands, Effort::Quick)?;
        let levelled = heard(&mut self.said, set_levels(self.cabin, &equalised, self.target, limits)?);
        let joined = if timed {
            heard(&mut self.said, join(self.cabin, self.map, &levelled.tune, limits)?)
        } else {
            Joined { tune: levelled.tune, reasons: Vec::new(), joints: Vec::new() }
        };
        self.reasons.extend(joined.reasons.iter().cloned());
        Ok((joined, left_alone))
    }

    /// Everything refined together, where there is a common time to add it up by.
    fn refined(&mut self, tune: &Tune, timed: bool) -> Result<Refined, JobError> {
        if !timed {
            let error_db = whole_error_db(self.cabin, tune, self.target);
            let tune = tune.clone();
            return Ok(Refined { tune, reasons: Vec::new(), before_db: error_db, after_db: error_db });
        }
        let everything = Refinement { channels: None, delays: true, iterations: THOROUGH };
        let mut refined = refine(self.cabin, tune, self.target, self.limits, everything)?;
        self.reasons.append(&mut refined.reasons);
        Ok(refined)
    }

    /// The tune with taps for what its bands leave, where the processor has any, they are wanted and do enough.
    fn taps(&mut self, tune: Tune, timed: bool) -> Result<(Tune, Option<Taps>), JobError> {
        if !timed || self.wish.no_taps {
            return Ok((tune, None));
        }
        let Some(tapped) = tap(self.cabin, &tune, self.target, self.limits)? else { return Ok((tune, None)) };
        self.reasons.push(taps::reason(&tapped));
        let taps = Taps {
            after_db: tapped.after_db,
            latency_ms: tapped.latency_ms,
            pre_ringing_db: Some(tapped.pre_ringing_db).filter(|db| db.is_finite()),
            channels: tapped.used,
        };
        Ok((tapped.tune, Some(taps)))
    }

    /// Left against right with the tune.
    fn ears(&mut self, tune: &Tune) -> Result<Option<AtTheEars>, JobError> {
        let ears = at_the_ears(self.cabin, tune)?;
        let Some(found) = ears else { return Ok(None) };
        // Less alike, reflections hide what comes first.
        if found.likeness > 0.4 {
            let words = format!(
                "Through the band where the ear follows phase, 200 Hz to 1.5 kHz, the right side comes {:.2} ms {} than the \
                 left and {:.1} dB {}.",
                found.right_later_ms.abs(),
                if found.right_later_ms < 0.0 { "earlier" } else { "later" },
                found.right_louder_db.abs(),
                if found.right_louder_db < 0.0 { "softer" } else { "louder" }
            );
            self.reasons.push(Reason { subject: "left and right".into(), words });
        }
        if found.likeness < -0.5 {
            self.said.note(
                Verdict::Usable,
                "Left and right stand against each other between 200 Hz and 1.5 kHz: check the wires of one side.",
            );
        }
        Ok(ears)
    }
}

/// Does `what` to every channel of `tune` that `given` has too.
fn take_over(tune: &mut Tune, given: &Tune, what: impl Fn(&mut ChannelTune, &ChannelTune)) {
    for channel in &mut tune.channels {
        if let Some(from) = given.channels.iter().find(|it| it.name == channel.name) {
            what(channel, from);
        }
    }
}

/// Delay, level, polarity and bands of a channel as they came out in the end.
fn settings_in_words(channel: &ChannelTune) -> Option<Reason> {
    let mut done = Vec::new();
    if channel.delay_ms > 0.0 {
        done.push(format!("delayed by {:.2} ms, so that it arrives with the others", channel.delay_ms));
    }
    if channel.gain_db < 0.0 {
        done.push(format!("turned down by {:.1} dB to balance it with the quietest", -channel.gain_db));
    }
    if channel.polarity == Polarity::Inverted {
        done.push("turned over".to_owned());
    }
    let mut words = if done.is_empty() { String::new() } else { format!("It was {}.", done.join(", ")) };
    if let Some(bands) = reason(&channel.name, &channel.sections) {
        if !words.is_empty() {
            words.push(' ');
        }
        words.push_str(&bands.words);
    }
    (!words.is_empty()).then(|| Reason { subject: channel.name.clone(), words })
}

/// Takes a result and keeps what was said about it.
fn heard<T>(said: &mut Judged<()>, judged: Judged<T>) -> T {
    said.verdict = said.verdict.max(judged.verdict);
    said.remarks.extend(judged.remarks);
    judged.result
}
