//! All channels of a car set to reach the seat together.

use serde::{Deserialize, Serialize};

use super::arrival::{Arrival, Confidence, UNANIMOUS, arrival, arrival_within, majority};
use super::join::{Region, join};
use super::{AlignError, band::Band};
use crate::air::speed_of_sound_m_s;
use crate::decibel::amplitude_of;
use crate::limits::DelayRange;
use crate::tune::Polarity;

/// One channel: its impulse response at each position, in the same order for every channel, on one time base.
#[derive(Debug, Clone, PartialEq)]
pub struct Speaker {
    /// The channel's name.
    pub name: String,
    /// One response for each position; they may differ in length.
    pub impulses: Vec<Vec<f64>>,
}

/// What there is besides the responses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Sample rate of the responses.
    pub rate_hz: f64,
    /// Sample rate of the processor, for delays in samples; the responses' own where not known.
    pub processor_rate_hz: f64,
    /// Air in the cabin.
    pub temperature_c: f64,
    /// The processor's delay; `None`: any delay.
    pub delay: Option<DelayRange>,
    /// Join subwoofers by their sum with the midbass; without it they are set by their own arrival, good to a few
    /// milliseconds, for a joint that is made later through the crossovers.
    pub join_subwoofers: bool,
}

/// What to set on one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlignedChannel {
    /// The channel's name.
    pub name: String,
    /// The direct sound on the common time base; over several positions the median.
    pub arrival_ms: f64,
    /// The same as a distance, where the time base begins at the loudspeaker's signal.
    pub distance_m: f64,
    /// To add in the processor, on its step.
    pub delay_ms: f64,
    /// The same as a length in the cabin's air.
    pub delay_cm: f64,
    /// The same in samples of the processor.
    pub delay_samples: f64,
    /// To set in the processor: no channel is raised, so nothing can clip that did not before.
    pub gain_db: f64,
    /// Turn this channel over.
    pub invert: bool,
    /// How far to trust the arrival, or the joint of a subwoofer.
    pub confidence: Confidence,
    /// The band of the channel, between its −6 dB points.
    pub band_hz: (f64, f64),
}

/// What to set on all channels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// In the order given.
    pub channels: Vec<AlignedChannel>,
    /// What a tuner should know about it, in plain words.
    pub remarks: Vec<String>,
}

/// A channel whose band ends below the first (−6 dB) and the second (nothing left) is a subwoofer.
const SUBWOOFER_BELOW_HZ: (f64, f64) = (220.0, 700.0);
/// A channel this much below the strongest in the region of the joint has no say in it.
const MIDBASS_WITHIN_DB: f64 = 10.0;
/// A channel this much weaker in the region of the joint than in its own band does not reach down to it.
const MIDBASS_REACHES_DB: f64 = 20.0;

/// A channel with what was found about it.
struct Found {
    arrivals: Vec<Arrival>,
    arrival_s: f64,
    band: Band,
    level_db: f64,
    confidence: Confidence,
    inverted: bool,
    /// Whether the positions agree on that.
    agreed: bool,
    subwoofer: bool,
}

/// Works out delays, polarity and gains.
///
/// Channels are delayed to the latest arrival by excess phase ([`arrival`]). A subwoofer is joined to the channels that
/// share its upper end by the level of the sum over 40 to 160 Hz at all positions ([`join`](super::join)). Gains bring the mean
/// level of each channel in its own band down to that of the quietest.
///
/// # Errors
/// [`AlignError`] naming the channel and position of a response that cannot be used, or positions that differ.
pub fn align(speakers: &[Speaker], options: Options) -> Result<Alignment, AlignError> {
    check_positions(speakers)?;
    let found =
        speakers.iter().map(|speaker| find(speaker, options.rate_hz)).collect::<Result<Vec<_>, _>>()?;
    let mut remarks = Vec::new();
    let quietest_db = found.iter().map(|f| f.level_db).fold(f64::INFINITY, f64::min);
    let gains_db: Vec<f64> = found.iter().map(|f| quietest_db - f.level_db).collect();
    let mut invert = polarity(speakers, &found, &mut remarks);
    let mut confidence: Vec<Confidence> = found.iter().map(|f| f.confidence).collect();

    let is_main = |i: &usize| found.get(*i).is_some_and(|f| !f.subwoofer);
    let latest_s = (0..found.len())
        .filter(is_main)
        .map(|i| found[i].arrival_s)
        .reduce(f64::max)
        .unwrap_or_else(|| found.iter().map(|f| f.arrival_s).fold(f64::NEG_INFINITY, f64::max));
    let mut delays_s: Vec<f64> = found.iter().map(|f| latest_s - f.arrival_s).collect();

    let region = |i: usize| Region::new(speakers[i].impulses.iter().map(Vec::as_slice), options.rate_hz);
    let subwoofers: Vec<usize> = (0..found.len()).filter(|i| !is_main(i)).collect();
    let midbass =
        if subwoofers.is_empty() || !options.join_subwoofers { Vec::new() } else { midbass(&found, region) };
    let scale = |i: usize, inverted: bool| amplitude_of(gains_db[i]) * if inverted { -1.0 } else { 1.0 };
    for i in subwoofers.into_iter().filter(|_| options.join_subwoofers) {
        let name = &speakers[i].name;
        if midbass.is_empty() {
            remarks.push(format!(
                "No other channel reaches down to {name}, so it was set by its own arrival, which is good to a few milliseconds at best; measure the midbass with it."
            ));
            confidence[i] = Confidence::Low;
            continue;
        }
        let sub = region(i);
        let mut main = sub.silent();
        for (m, bass) in &midbass {
            main.add(bass, delays_s[*m], scale(*m, invert[*m]));
        }
        let (best, rival) = join(&main, &sub, scale(i, false), delays_s[i]);
        delays_s[i] = best.delay_s;
        invert[i] = best.invert;
        let margin_db = rival.map_or(f64::INFINITY, |r| best.level_db - r.level_db);
        confidence[i] = match margin_db {
            m if m > 0.5 => Confidence::High,
            m if m > 0.1 => Confidence::Medium,
            _ => Confidence::Low,
        };
        if let Some(rival) = rival {
            remarks.push(format!(
                "{name}: {} adds up best with the midbass over 40 to 160 Hz; {}, {:+.1} ms away, loses {margin_db:.1} dB{}.",
                way(best.invert),
                way(rival.invert),
                1e3 * (rival.delay_s - best.delay_s),
                if margin_db < 0.3 { ": too close to tell apart by the sum alone, so listen to both" } else { "" }
            ));
        }
    }
    let channels = settle(speakers, &found, options, delays_s, &mut remarks)
        .into_iter()
        .zip(gains_db.iter().zip(invert).zip(confidence))
        .map(|(channel, ((&gain_db, invert), confidence))| AlignedChannel {
            gain_db: (gain_db * 100.0).round() / 100.0,
            invert,
            confidence,
            ..channel
        })
        .collect();
    Ok(Alignment { channels, remarks })
}

/// The channels that share the region with the subwoofer, and their responses there.
fn midbass(found: &[Found], region: impl Fn(usize) -> Region) -> Vec<(usize, Region)> {
    let bass: Vec<(usize, Region, f64)> = found
        .iter()
        .enumerate()
        .filter(|(_, f)| !f.subwoofer)
        .map(|(i, f)| (i, region(i), f.level_db))
        .map(|(i, region, own_db)| {
            let level_db = region.level_db();
            (i, region, if level_db > own_db - MIDBASS_REACHES_DB { level_db } else { f64::NEG_INFINITY })
        })
        .collect();
    let strongest_db = bass.iter().map(|b| b.2).fold(f64::NEG_INFINITY, f64::max);
    bass.into_iter()
        .filter(|(.., level_db)| level_db.is_finite() && *level_db > strongest_db - MIDBASS_WITHIN_DB)
        .map(|(i, region, _)| (i, region))
        .collect()
}

fn way(invert: bool) -> &'static str {
    if invert { "inverted" } else { "not inverted" }
}

fn check_positions(speakers: &[Speaker]) -> Result<(), AlignError> {
    let first = speakers.first().ok_or(AlignError::None)?;
    if first.impulses.is_empty() {
        return Err(AlignError::None);
    }
    match speakers.iter().find(|s| s.impulses.len() != first.impulses.len()) {
        None => Ok(()),
        Some(odd) => Err(AlignError::Positions {
            name: odd.name.clone(),
            actual: odd.impulses.len(),
            first: first.name.clone(),
            expected: first.impulses.len(),
        }),
    }
}

/// Up to here a channel is heard from one speaker: a tweeter beside it begins about there or higher (common practice, no
/// source).
const ONE_SPEAKER_TO_HZ: f64 = 2500.0;

/// Whether a band is so wide that a woofer and a tweeter may share the channel.
fn may_hold_two(band: Band) -> bool {
    band.core_low_hz < ONE_SPEAKER_TO_HZ / 5.0 && band.high_hz > 2.0 * ONE_SPEAKER_TO_HZ
}

fn find(speaker: &Speaker, rate_hz: f64) -> Result<Found, AlignError> {
    let arrivals = speaker
        .impulses
        .iter()
        .enumerate()
        .map(|(i, impulse)| {
            arrival(impulse, rate_hz).map_err(|fault| AlignError::Channel {
                name: speaker.name.clone(),
                position: i + 1,
                fault: Box::new(fault),
            })
        })
        .collect::<Result<Vec<_>, _>>()?;
    let median = |value: &dyn Fn(&Arrival) -> f64| {
        let mut values: Vec<f64> = arrivals.iter().map(value).collect();
        values.sort_by(f64::total_cmp);
        let n = values.len();
        0.5 * (values[(n - 1) / 2] + values[n / 2])
    };
    let band = Band {
        core_low_hz: median(&|a| a.band.core_low_hz),
        core_high_hz: median(&|a| a.band.core_high_hz),
        ..arrivals[0].band
    };
    let (polarity, share) = majority(speaker.impulses.iter().zip(&arrivals).map(|(impulse, a)| {
        // Of two speakers on one channel the upper one may be turned over by its crossover: the lower one tells.
        let lower = || arrival_within(impulse, rate_hz, 0.0, ONE_SPEAKER_TO_HZ).ok();
        let told = may_hold_two(a.band).then(lower).flatten();
        told.map_or((a.polarity, a.coherence), |low| (low.polarity, low.coherence))
    }));
    let mut sure: Vec<Confidence> = arrivals.iter().map(|a| a.confidence).collect();
    sure.sort();
    Ok(Found {
        arrival_s: median(&|a| a.time_s),
        level_db: arrivals.iter().map(|a| a.band.level_db).sum::<f64>() / arrivals.len() as f64,
        confidence: sure[(sure.len() - 1) / 2],
        inverted: polarity == Polarity::Inverted,
        agreed: share > UNANIMOUS,
        subwoofer: band.core_high_hz < SUBWOOFER_BELOW_HZ.0 && band.high_hz < SUBWOOFER_BELOW_HZ.1,
        band,
        arrivals,
    })
}

/// Which channels to turn over, so that all move the same way; subwoofers are decided by their sum.
fn polarity(speakers: &[Speaker], found: &[Found], remarks: &mut Vec<String>) -> Vec<bool> {
    let mains: Vec<&Found> = found.iter().filter(|f| !f.subwoofer).collect();
    let all = mains.len() > 1 && mains.iter().all(|f| f.inverted);
    if all {
        remarks.push(
            "Every channel measures inverted, so the inversion is in the microphone, its cable or the signal before the processor; the channels agree and none is turned over."
                .into(),
        );
    }
    found
        .iter()
        .zip(speakers)
        .map(|(f, speaker)| {
            if f.subwoofer || all || !f.inverted {
                return false;
            }
            let name = &speaker.name;
            if f.confidence == Confidence::Low {
                remarks.push(format!(
                    "{name} may be inverted, but its response is too unclear to say; it was left as it is. Check the wiring."
                ));
                return false;
            }
            // At some positions and not at others: a reflection close by makes that of a sound speaker too.
            if !f.agreed {
                return false;
            }
            remarks.push(format!("{name} measures inverted; turn it over in the processor, or better at its terminals."));
            true
        })
        .collect()
}

/// Delays on the processor's steps, from the smallest up, and the figures beside them.
fn settle(
    speakers: &[Speaker],
    found: &[Found],
    options: Options,
    delays_s: Vec<f64>,
    remarks: &mut Vec<String>,
) -> Vec<AlignedChannel> {
    let speed_m_s = speed_of_sound_m_s(options.temperature_c);
    let earliest_s = delays_s.iter().copied().fold(f64::INFINITY, f64::min);
    let step_ms = options.delay.and_then(|d| d.step).filter(|s| *s > 0.0);
    let most_ms = options.delay.map_or(f64::INFINITY, |d| d.max);
    speakers
        .iter()
        .zip(found)
        .zip(delays_s)
        .map(|((speaker, f), delay_s)| {
            let wanted_ms = 1e3 * (delay_s - earliest_s);
            let on_step = |ms: f64| step_ms.map_or(ms, |step| (ms / step).round() * step);
            let mut delay_ms = on_step(wanted_ms);
            if delay_ms > most_ms {
                delay_ms = step_ms.map_or(most_ms, |step| (most_ms / step + 1e-9).floor() * step);
                remarks.push(format!(
                    "{} needs {wanted_ms:.2} ms and the processor has {most_ms:.2} ms; it was set to the most there is.",
                    speaker.name
                ));
            }
            // Steps such as 0.01 ms have no exact binary form; nine decimals hide that and nothing else.
            let delay_ms = (delay_ms * 1e9).round() / 1e9;
            if f.confidence == Confidence::Low && !f.subwoofer {
                remarks.push(format!(
                    "{}: the two ways to find its arrival disagree ({:.2} and {:.2} ms); check the distance with a tape measure.",
                    speaker.name,
                    1e3 * f.arrival_s,
                    1e3 * f.arrivals.first().map_or(f.arrival_s, |a| a.threshold_s)
                ));
            }
            AlignedChannel {
                name: speaker.name.clone(),
                arrival_ms: 1e3 * f.arrival_s,
                distance_m: f.arrival_s * speed_m_s,
                delay_ms,
                delay_cm: 0.1 * delay_ms * speed_m_s,
                delay_samples: 1e-3 * delay_ms * options.processor_rate_hz,
                gain_db: 0.0,
                invert: false,
                confidence: f.confidence,
                band_hz: (f.band.core_low_hz, f.band.core_high_hz),
            }
        })
        .collect()
}
