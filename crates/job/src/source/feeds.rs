//! What each side's music carries to each processor channel.

use dsp::filter::ChannelFilter;
use dsp::spectrum::Complex;
use dsp::tune::{ChannelTune, Tune};
use garage::finding::{Combine, Finding};
use garage::{Side, TakeRecord, VisitFolder};

use super::input_stage::route;
use super::{BOTH, FACTORY, FITTED, SIDES, Signal, newest, sounding};
use crate::analysis;
use crate::cabin::Feed;
use crate::error::JobError;
use crate::factory;
use crate::voicing::Bins;

type Lines = Vec<(String, Vec<Complex>)>;

/// From the newest takes; nothing where the processor's outputs were not probed. Once the undoing is worked out it counts
/// as typed in, as it is for every take with a tune: as recorded, or until then as worked out from the recording
/// without it, which the second value says.
pub(crate) fn feeds(
    folder: &VisitFolder,
    takes: &[TakeRecord],
) -> Result<(Vec<Feed>, Option<String>), JobError> {
    let finding = folder.finding()?;
    let undo = finding.as_ref().and_then(|it| it.tune).map(|number| folder.tune(number)).transpose()?;
    let undone = |take: &&TakeRecord| finding.as_ref().is_some_and(|it| take.made_at >= it.made_at);
    let (mut feeds, mut remark) = (Vec::new(), None);
    for (side, name) in SIDES {
        // Older visits hold a take of each side.
        let of = |signal: Signal| {
            newest(takes, BOTH, signal.label()).or_else(|| newest(takes, name, signal.label()))
        };
        let recorded = of(Signal::Undone).filter(|take| undo.is_none() || undone(take));
        if let Some(take) = recorded {
            feeds.extend(fitted(folder, take, side)?);
            continue;
        }
        let Some(take) = of(Signal::AsItCame) else { continue };
        let lines = analysis::lines_of_take(folder, take, Some(side))?;
        match (&finding, &undo) {
            (Some(finding), Some(undo)) => {
                feeds.extend(worked_out(folder, finding, &undo.tune, lines, side)?);
                remark = Some(
                    "The undoing counts as typed in, but its signal was not recorded: what it sends each channel is worked out."
                        .to_owned(),
                );
            }
            _ => feeds.extend(of_lines(sounding(lines, FITTED), side)),
        }
    }
    Ok((feeds, remark))
}

fn fitted(folder: &VisitFolder, take: &TakeRecord, side: Side) -> Result<Vec<Feed>, JobError> {
    Ok(of_lines(sounding(analysis::lines_of_take(folder, take, Some(side))?, FITTED), side))
}

fn of_lines(lines: Lines, side: Side) -> Vec<Feed> {
    lines.into_iter().map(|(channel, response)| Feed { side, channel, response }).collect()
}

/// What the channels will be sent once the undoing is typed in.
fn worked_out(
    folder: &VisitFolder,
    finding: &Finding,
    undo: &Tune,
    lines: Lines,
    side: Side,
) -> Result<Vec<Feed>, JobError> {
    let factory = sounding(lines.clone(), FACTORY);
    let hz = &Bins::standard().frequency_hz;
    let mut feeds = Vec::new();
    if !finding.is_joined() {
        for (channel, mut response) in sounding(lines, FITTED) {
            // Outputs that are bent alike are undone alike: which of them it is does not matter.
            let like =
                factory.iter().min_by(|a, b| unlike(&a.1, &response).total_cmp(&unlike(&b.1, &response)));
            if let Some(filter) = like.and_then(|(name, _)| channel_of(undo, name)) {
                times(&mut response, &filter_of(filter, undo)?.responses(hz));
            }
            feeds.push(Feed { side, channel, response });
        }
        return Ok(feeds);
    }
    for channel in &folder.car().channel_map.channels {
        let mut response = vec![Complex::ZERO; hz.len()];
        for (name, gain_db) in route(finding, channel.side) {
            let parts = finding.sum(name).map_or(&[][..], |sum| &sum.parts);
            let mut joined = joined(parts, &factory);
            if let Some(filter) = channel_of(undo, name) {
                times(&mut joined, &filter_of(filter, undo)?.responses(hz));
            }
            let gain = dsp::decibel::amplitude_of(gain_db);
            response.iter_mut().zip(joined).for_each(|(sum, part)| *sum += part * gain);
        }
        if response.iter().any(|value| *value != Complex::ZERO) {
            feeds.push(Feed { side, channel: channel.name.clone(), response });
        }
    }
    Ok(feeds)
}

/// The lines joined by `parts`, at [`Bins::standard`].
pub(super) fn joined(parts: &[Combine], lines: &Lines) -> Vec<Complex> {
    let line =
        |part: &Combine| lines.iter().find(|(name, _)| *name == part.name).map(|(_, response)| response);
    let responses: Vec<Option<&Vec<Complex>>> = parts.iter().map(line).collect();
    // A line that was not heard adds nothing.
    let at = |part: usize, k: usize| responses[part].map_or(Complex::ZERO, |response| response[k]);
    factory::sum_at(parts, &Bins::standard().frequency_hz, at)
}

fn channel_of<'a>(tune: &'a Tune, name: &str) -> Option<&'a ChannelTune> {
    tune.channels.iter().find(|channel| channel.name == name)
}

fn filter_of(channel: &ChannelTune, tune: &Tune) -> Result<ChannelFilter, JobError> {
    ChannelFilter::new(channel, tune.sample_rate_hz)
        .map_err(|error| JobError::Input(format!("{}: {error}", channel.name)))
}

fn times(response: &mut [Complex], by: &[Complex]) {
    response.iter_mut().zip(by).for_each(|(value, factor)| *value *= factor);
}

/// How much two responses differ in the shape of their levels.
fn unlike(a: &[Complex], b: &[Complex]) -> f64 {
    let gaps: Vec<f64> = a
        .iter()
        .zip(b)
        .filter(|(a, b)| a.norm_sqr() > 0.0 && b.norm_sqr() > 0.0)
        .map(|(a, b)| dsp::decibel::of_power(a.norm_sqr() / b.norm_sqr()))
        .collect();
    let count = gaps.len().max(1) as f64;
    let mean = gaps.iter().sum::<f64>() / count;
    gaps.iter().map(|gap| (gap - mean).powi(2)).sum::<f64>() / count
}
