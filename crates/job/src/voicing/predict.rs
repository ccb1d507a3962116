//! What a tune will do at the seat: the complex sum over speakers at every position, then the average.

use dsp::average::{Method, spatial_average};
use dsp::curve::{Curve, log_grid_hz};
use dsp::filter::ChannelFilter;
use dsp::spectrum::Complex;
use dsp::tune::Tune;
use garage::Side;
use serde::{Deserialize, Serialize};

use crate::cabin::{CabinCurves, ChannelCurves};
use crate::error::JobError;
use crate::voicing::Bins;

/// Points of every curve that is shown or averaged.
pub const CURVE_FROM_HZ: f64 = 20.0;
/// Upper end of every curve that is shown or averaged.
pub const CURVE_TO_HZ: f64 = 20_000.0;
const POINTS_PER_OCTAVE: f64 = 48.0;
/// Curves are smoothed by 1/12 octave: about what the ear resolves, and narrower than any correction worth making.
pub const SMOOTHING_PER_OCTAVE: f64 = 12.0;

/// The grid of every curve that is shown or averaged.
pub fn curve_grid_hz() -> Vec<f64> {
    log_grid_hz(CURVE_FROM_HZ, CURVE_TO_HZ, POINTS_PER_OCTAVE)
}

/// What is left of a swept band when every smoothed point is to see nothing but it: the fades at its ends, and half the
/// width of the smoothing, are cut off.
pub(crate) fn inner_band((low_hz, high_hz): (f64, f64)) -> (f64, f64) {
    let edge = (1.0 / SMOOTHING_PER_OCTAVE).exp2();
    (low_hz * edge.sqrt(), high_hz / edge)
}

/// What a correction or a prediction is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    /// One channel alone.
    Channel(String),
    /// All that is heard when one side plays.
    Side(Side),
    /// Both sides playing the same.
    Whole,
}

/// A predicted response.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Prediction {
    /// At each position that every channel involved was measured at.
    pub positions: Vec<Curve>,
    /// Their average, with its 95 % half-width.
    pub average: Curve,
}

/// Predicts the response of `scope` with `tune` in the processor.
///
/// Exact for a linear car up to the noise of the takes: each channel's filter at the kept bins, times what the source
/// feeds it, times its complex response at the position, summed over channels; then power-smoothed and averaged.
/// Channels that the tune does not name pass unchanged.
///
/// # Errors
/// A scope without takes, or a tune with a filter that cannot be.
pub fn predict(cabin: &CabinCurves, tune: &Tune, scope: &Scope) -> Result<Prediction, JobError> {
    let parts = parts(cabin, tune, scope)?;
    // Where no channel was measured there is nothing to predict.
    let bands = || parts.iter().map(|part| inner_band(part.channel.band_hz));
    let low_hz = bands().map(|band| band.0).fold(f64::INFINITY, f64::min);
    let high_hz = bands().map(|band| band.1).fold(0.0, f64::max);
    let grid: Vec<f64> = curve_grid_hz().into_iter().filter(|f| (low_hz..=high_hz).contains(f)).collect();
    let positions: Vec<Curve> = shared_positions(&parts)
        .map(|position| {
            let mut sum = vec![Complex::new(0.0, 0.0); Bins::standard().frequency_hz.len()];
            for part in &parts {
                let Some(at) = part.channel.positions.iter().find(|p| p.position == position) else {
                    continue;
                };
                for ((sum, gain), response) in sum.iter_mut().zip(&part.gain).zip(&at.response) {
                    *sum += gain * response;
                }
            }
            let power: Vec<f64> = sum.iter().map(Complex::norm_sqr).collect();
            let smooth = Bins::standard().smooth(&power, &grid, SMOOTHING_PER_OCTAVE);
            let level_db = smooth.iter().map(|p| 10.0 * p.max(1e-30).log10()).collect();
            Curve::of_levels(grid.clone(), level_db)
        })
        .collect();
    let average = average_of(&positions).ok_or_else(|| {
        JobError::not_yet("no position has takes of every channel involved", "take them in Cabin first")
    })?;
    Ok(Prediction { positions, average })
}

/// The average over positions that every curve of the job is made by.
pub fn average_of(positions: &[Curve]) -> Option<Curve> {
    spatial_average(positions, Method::Power).ok()
}

struct Part<'a> {
    channel: &'a ChannelCurves,
    /// Filter times feed at each bin.
    gain: Vec<Complex>,
}

fn parts<'a>(cabin: &'a CabinCurves, tune: &Tune, scope: &Scope) -> Result<Vec<Part<'a>>, JobError> {
    let involved: Vec<(&ChannelCurves, Side)> = match scope {
        Scope::Channel(name) => {
            let channel = cabin.channel(name).ok_or_else(|| {
                JobError::not_yet(format!("\"{name}\" has no takes"), "take its positions in Cabin first")
            })?;
            vec![(channel, channel.side)]
        }
        Scope::Side(side) => cabin.channels.iter().map(|channel| (channel, *side)).collect(),
        Scope::Whole => cabin.channels.iter().map(|channel| (channel, Side::Both)).collect(),
    };
    let mut parts = Vec::new();
    for (channel, side) in involved {
        let Some(mut gain) = cabin.feed(side, channel) else { continue };
        if let Some(settings) = tune.channels.iter().find(|it| it.name == channel.name) {
            let filter = ChannelFilter::new(settings, tune.sample_rate_hz)
                .map_err(|error| JobError::Input(format!("tune, channel \"{}\": {error}", channel.name)))?;
            for (gain, response) in gain.iter_mut().zip(filter.responses(&Bins::standard().frequency_hz)) {
                *gain *= response;
            }
        }
        parts.push(Part { channel, gain });
    }
    Ok(parts)
}

fn shared_positions<'a>(parts: &'a [Part]) -> impl Iterator<Item = &'a str> {
    let has = |part: &Part, name: &str| part.channel.positions.iter().any(|p| p.position == name);
    parts
        .first()
        .into_iter()
        .flat_map(|first| &first.channel.positions)
        .map(|p| p.position.as_str())
        .filter(move |name| parts.iter().all(|part| has(part, name)))
}
