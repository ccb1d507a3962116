//! What reaches the seat, channel by channel: curves to look at, and complex responses to sum.

use audio::rig::Watch;
use dsp::average::{Method, spatial_average};
use dsp::curve::Curve;
use dsp::measure::Distortion;
use dsp::spectrum::Complex;
use dsp::verdict::Verdict;
use garage::channels::Place;
use garage::{Channel, Side, TakeKind, TakeRecord, VisitFolder};
use serde::Serialize;

use crate::analysis;
use crate::error::JobError;
use crate::gates::{self, Neighbour};
use crate::judged::Judged;
use crate::plan::band_of;
use crate::source;
use crate::voicing::Bins;

/// Everything the cabin stage knows about one seat.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct CabinCurves {
    /// True when any take behind it was simulated.
    pub simulated: bool,
    /// One per channel that has takes, in the order of the channel map.
    pub channels: Vec<ChannelCurves>,
    /// What each side's music carries to each channel, where the source stage measured it.
    #[serde(skip)]
    pub feeds: Vec<Feed>,
}

/// One channel at every position.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelCurves {
    /// Its name in the channel map.
    pub name: String,
    /// Its side.
    pub side: Side,
    /// Where its speaker sits.
    pub place: Place,
    /// The band it was measured over.
    pub band_hz: (f64, f64),
    /// One per position, in the order of the visit's positions.
    pub positions: Vec<PositionCurve>,
    /// The average over positions, with its 95 % half-width where there are two or more.
    pub average: Curve,
    /// Harmonic distortion over frequency in percent, the middle of the positions; empty where none was measured.
    pub thd_percent: Vec<(f64, f64)>,
}

/// One channel at one position.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PositionCurve {
    /// P1 and so on.
    pub position: String,
    /// The take it rests on.
    pub take: String,
    /// Smoothed.
    pub curve: Curve,
    /// Direct sound after time zero, where there is a time reference.
    pub arrival_ms: Option<f64>,
    /// The same where it is sure enough to be compared between positions.
    #[serde(skip)]
    pub sharp_arrival_ms: Option<f64>,
    /// Why it disagrees with the other positions, if it does.
    pub disagrees: Option<String>,
    /// The impulse response from time zero on, for arrivals and polarity.
    #[serde(skip)]
    pub impulse: Vec<f64>,
    /// Sample rate of `impulse`.
    #[serde(skip)]
    pub rate_hz: f64,
    /// Complex response at [`Bins::standard`], phase from time zero.
    #[serde(skip)]
    pub response: Vec<Complex>,
}

/// What the music of one side carries into one channel's processor input.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Feed {
    /// Left or right.
    pub side: Side,
    /// The channel.
    pub channel: String,
    /// Complex response at [`Bins::standard`].
    #[serde(skip)]
    pub response: Vec<Complex>,
}

impl CabinCurves {
    /// The channel of that name.
    pub fn channel(&self, name: &str) -> Option<&ChannelCurves> {
        self.channels.iter().find(|channel| channel.name == name)
    }

    /// What reaches `channel` when `side` plays (both sides for [`Side::Both`]); `None` for silence.
    ///
    /// Where the source was not measured, a channel hears its own side unbent, and one that plays for both hears each.
    pub fn feed(&self, side: Side, channel: &ChannelCurves) -> Option<Vec<Complex>> {
        if self.feeds.is_empty() {
            let heard = side == Side::Both || channel.side == side || channel.side == Side::Both;
            return heard.then(|| vec![Complex::new(1.0, 0.0); Bins::standard().frequency_hz.len()]);
        }
        let mut sum: Option<Vec<Complex>> = None;
        for feed in self.feeds.iter().filter(|feed| feed.channel == channel.name) {
            if side != Side::Both && feed.side != side {
                continue;
            }
            match &mut sum {
                None => sum = Some(feed.response.clone()),
                Some(sum) => sum.iter_mut().zip(&feed.response).for_each(|(a, b)| *a += b),
            }
        }
        sum
    }
}

/// A channel that is heard above this has a direct sound sharp enough to compare arrivals between positions.
const SHARP_FROM_HZ: f64 = 2_000.0;

/// Works the curves out from the recordings (or from what an earlier look kept beside them).
///
/// Only the newest take of each channel and position counts, and none that a gate sent back.
///
/// # Errors
/// A record or recording that cannot be read; no take at all; stopped.
pub fn curves(folder: &VisitFolder, watch: &Watch) -> Result<Judged<CabinCurves>, JobError> {
    let takes = folder.takes()?;
    let mut judged = Judged::good(CabinCurves::default());
    for damaged in &takes.damaged {
        judged.note(Verdict::Usable, damaged.to_string());
    }
    let cabin: Vec<&TakeRecord> =
        takes.found.iter().filter(|take| take.kind == TakeKind::Cabin && take.is_current()).collect();
    for channel in &folder.car().channel_map.channels {
        let mine: Vec<&TakeRecord> =
            cabin.iter().copied().filter(|take| take.subject.as_deref() == Some(&channel.name)).collect();
        if let Some(found) = channel_curves(folder, channel, &mine, watch, &mut judged)? {
            judged.result.channels.push(found);
        }
    }
    if judged.result.channels.is_empty() {
        return Err(JobError::not_yet("there is no take of any channel yet", "take the positions in Cabin"));
    }
    judged.result.simulated = cabin.iter().any(|take| take.simulated);
    let (feeds, remark) = source::feeds(folder, &takes.found)?;
    judged.result.feeds = feeds;
    judged.remarks.extend(remark);
    Ok(judged)
}

fn channel_curves(
    folder: &VisitFolder,
    channel: &Channel,
    takes: &[&TakeRecord],
    watch: &Watch,
    judged: &mut Judged<CabinCurves>,
) -> Result<Option<ChannelCurves>, JobError> {
    let mut positions = Vec::new();
    let (mut missing, mut spoilt) = (Vec::new(), Vec::new());
    let mut distortions: Vec<Vec<Distortion>> = Vec::new();
    for position in &folder.record().positions {
        if watch.stopping() {
            return Err(JobError::Stopped);
        }
        let Some(take) = takes.iter().rfind(|take| take.position.as_deref() == Some(&position.name)) else {
            missing.push(position.name.as_str());
            continue;
        };
        if take.verdict == Verdict::Retake {
            spoilt.push(position.name.as_str());
            continue;
        }
        let found = analysis::of_take(folder, take)?;
        distortions.push(found.facts.distortion);
        positions.push(PositionCurve {
            position: position.name.clone(),
            take: take.id.clone(),
            curve: found.curve,
            arrival_ms: found.timed.then_some(found.facts.arrival_ms),
            sharp_arrival_ms: found.sharp_arrival_ms.filter(|_| found.timed),
            disagrees: None,
            impulse: found.impulse,
            rate_hz: found.rate_hz,
            response: found.response,
        });
    }
    if positions.is_empty() && !spoilt.is_empty() {
        let words = format!(
            "{}: nothing of it was heard at {}; as long as that is so it counts as dead.",
            channel.name,
            places(&spoilt)
        );
        judged.note(Verdict::Usable, words);
        return Ok(None);
    }
    if positions.is_empty() {
        judged.note(Verdict::Usable, format!("{} has no take yet.", channel.name));
        return Ok(None);
    }
    if !spoilt.is_empty() {
        let words = format!("{}, {}: left out, to be taken again.", channel.name, places(&spoilt));
        judged.note(Verdict::Usable, words);
    }
    if !missing.is_empty() {
        judged.note(
            Verdict::Usable,
            format!("{} is still to be taken at {}.", channel.name, missing.join(", ")),
        );
    }
    let band_hz = band_of(channel);
    accuse(&mut positions, band_hz);
    for position in &positions {
        if let Some(words) = &position.disagrees {
            judged.note(Verdict::Usable, format!("{}: {words}", channel.name));
        }
    }
    let all: Vec<Curve> = positions.iter().map(|position| position.curve.clone()).collect();
    let average = spatial_average(&all, Method::Power)
        .map_err(|error| JobError::Analysis(format!("{}: {error}", channel.name)))?;
    Ok(Some(ChannelCurves {
        name: channel.name.clone(),
        side: channel.side,
        place: channel.place,
        band_hz,
        positions,
        average,
        thd_percent: middle_thd(&distortions),
    }))
}

/// Positions as they are said: by name, or how many.
fn places(names: &[&str]) -> String {
    if names.len() > 4 { format!("{} positions", names.len()) } else { names.join(", ") }
}

/// The middle over positions at each frequency of the first.
fn middle_thd(positions: &[Vec<Distortion>]) -> Vec<(f64, f64)> {
    let Some(first) = positions.first() else { return Vec::new() };
    let at = |frequency_hz: f64| {
        let mut all: Vec<f64> = positions
            .iter()
            .filter_map(|list| list.iter().find(|it| it.frequency_hz == frequency_hz))
            .map(|it| it.thd_percent)
            .filter(|percent| percent.is_finite())
            .collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied()
    };
    first.iter().filter_map(|it| Some((it.frequency_hz, at(it.frequency_hz)?))).collect()
}

/// Marks the positions that disagree with the others.
fn accuse(positions: &mut [PositionCurve], (low_hz, high_hz): (f64, f64)) {
    let sharp = high_hz > SHARP_FROM_HZ;
    let all: Vec<Neighbour> = positions
        .iter()
        .map(|it| Neighbour {
            position: &it.position,
            curve: &it.curve,
            arrival_ms: it.sharp_arrival_ms.filter(|_| sharp),
        })
        .collect();
    let found = gates::neighbours(&all, low_hz, high_hz);
    for (position, finding) in positions.iter_mut().zip(found) {
        position.disagrees = finding.map(|it| it.words);
    }
}
