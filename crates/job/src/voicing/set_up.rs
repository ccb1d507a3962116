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
    let mut reasons = Vec::new();
    let mut tune = start_tune(map, limits)?;
    let mut said = Judged::good(());
    let crossovers = match &wish.crossovers_of {
        Some(given) => {
            for channel in &mut tune.channels {
                if let Some(from) = given.channels.iter().find(|it| it.name == channel.name) {
                    channel.crossovers.clone_from(&from.crossovers);
                    channel.acoustic.clone_from(&from.acoustic);
                }
            }
            Vec::new()
        }
        None => {
            let advice = heard(&mut said, propose_crossovers(cabin, map, limits));
            for it in &advice {
                if let Some(channel) = tune.channels.iter_mut().find(|channel| channel.name == it.channel) {
                    channel.crossovers.clone_from(&it.crossovers);
                }
                reasons.push(Reason { subject: it.channel.clone(), words: it.sentence.clone() });
            }
            if let Some(asked) = &wish.slopes_of {
                for channel in &mut tune.channels {
                    if let Some(from) = asked.channels.iter().find(|it| it.name == channel.name) {
                        channel.acoustic.clone_from(&from.acoustic);
                    }
                }
                let reached = heard(&mut said, reach_slopes(cabin, map, &tune, target, limits)?);
                tune = reached.tune;
                reasons.extend(reached.reasons);
            }
            advice
        }
    };
    refresh(&mut tune)?;
    for channel in &tune.channels {
        let (taken, bands) = (limits.bands_of_crossovers(&channel.crossovers), limits.bands);
        if taken > 0 {
            said.note(
                Verdict::Good,
                format!(
                    "{}: its crossovers take {taken} of the {bands} bands; {} are left to equalise with.",
                    channel.name,
                    bands.saturating_sub(taken)
                ),
            );
        }
    }
    let start = tune.clone();

    let mut timed = true;
    match arrivals(cabin, &tune, limits, wish.temperature_c, false) {
        Ok(aligned) => {
            tune = heard(&mut said, aligned).tune;
            for words in pairs::agree(cabin, map, &mut tune) {
                // What was said of one of the two alone no longer holds.
                said.remarks.retain(|it| {
                    it.split_once(" measures inverted").is_none_or(|(name, _)| !words.contains(name))
                });
                said.note(Verdict::Usable, words);
            }
        }
        // Levels and bands can still be set; without a common time nothing can be added up.
        Err(JobError::NotYet { missing, first }) => {
            timed = false;
            said.note(Verdict::Usable, format!("Delays were not set: {missing}; {first}."));
        }
        Err(error) => return Err(error),
    }
    for words in cross_check(cabin, &wish.tape_m, wish.temperature_c) {
        said.note(Verdict::Usable, words);
    }

    // A band stays free for the all-pass that a joint may ask for.
    let kept_free = usize::from(timed && limits.bands > 1 && limits.kinds.contains(&SectionKind::AllPass));
    let for_bands = Limits { bands: limits.bands.saturating_sub(kept_free), ..limits.clone() };
    let Equalised { tune: equalised, left_alone, .. } =
        each_channel(cabin, &tune, target, &for_bands, Effort::Quick)?;
    let levelled = heard(&mut said, set_levels(cabin, &equalised, target, limits)?);
    let joined = if timed {
        heard(&mut said, join(cabin, map, &levelled.tune, limits)?)
    } else {
        Joined { tune: levelled.tune, reasons: Vec::new(), joints: Vec::new() }
    };
    reasons.extend(joined.reasons.iter().cloned());
    let refined = if timed {
        let everything = Refinement { channels: None, delays: true, iterations: THOROUGH };
        refine(cabin, &joined.tune, target, limits, everything)?
    } else {
        let error_db = whole_error_db(cabin, &joined.tune, target);
        Refined { tune: joined.tune.clone(), reasons: Vec::new(), before_db: error_db, after_db: error_db }
    };
    reasons.extend(refined.reasons);

    let mut tune = refined.tune;
    let mut after_db = refined.after_db;
    let mut taps = None;
    if timed
        && !wish.no_taps
        && let Some(tapped) = tap(cabin, &tune, target, limits)?
    {
        reasons.push(taps::reason(&tapped));
        after_db = tapped.after_db;
        tune = tapped.tune;
        taps = Some(Taps {
            after_db,
            latency_ms: tapped.latency_ms,
            pre_ringing_db: Some(tapped.pre_ringing_db).filter(|db| db.is_finite()),
            channels: tapped.used,
        });
    }
    let joints = if timed { as_refined(cabin, map, &joined, &tune, limits)? } else { Vec::new() };
    tune.left_alone.clone_from(&left_alone);
    let ears = at_the_ears(cabin, &tune)?;
    if let Some(ears) = ears {
        let words = format!(
            "Through the band where the ear follows phase, 200 Hz to 1.5 kHz, the right side comes {:.2} ms {} than the \
             left and {:.1} dB {}.",
            ears.right_later_ms.abs(),
            if ears.right_later_ms < 0.0 { "earlier" } else { "later" },
            ears.right_louder_db.abs(),
            if ears.right_louder_db < 0.0 { "softer" } else { "louder" }
        );
        // Less alike, reflections hide what comes first.
        if ears.likeness > 0.4 {
            reasons.push(Reason { subject: "left and right".into(), words });
        }
        if ears.likeness < -0.5 {
            said.note(
                Verdict::Usable,
                "Left and right stand against each other between 200 Hz and 1.5 kHz: check the wires of one side.",
            );
        }
    }
    let start_db = whole_error_db(cabin, &start, target);
    tune.predicted = Predicted { rms_error_db_before: start_db, rms_error_db_after: after_db };
    reasons.extend(tune.channels.iter().filter_map(settings_in_words));
    let result = SetUp {
        start_db,
        ears,
        stepwise_db: refined.before_db,
        refined_db: refined.after_db,
        taps,
        tune,
        reasons,
        crossovers,
        stepwise: joined.tune,
        joints,
        left_alone,
    };
    Ok(Judged { result, verdict: said.verdict, remarks: said.remarks })
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
