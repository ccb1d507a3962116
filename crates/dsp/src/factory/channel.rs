//! One factory output: what is found in it and how sure that is.

use serde::{Deserialize, Serialize};

use super::edges::{band_of, kind, same_edges};
use super::excess::{self, Excess};
use super::fit::{Part, deviation};
use super::model::{ChannelModel, Parameter};
use super::response::LineResponse;
use super::shape::{self, Shape};
use super::split::{Edge, Shown};
use crate::tune::{Crossover, Pass, Section};

/// How sure a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sure {
    /// Do not rely on it.
    Low,
    /// Probably.
    Medium,
    /// Beyond reasonable doubt.
    High,
}

/// How sure each part of a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Confidence {
    /// Family and order of the band edges.
    pub edges: Sure,
    /// Polarity.
    pub polarity: Sure,
    /// Number, order and place of the all-passes.
    pub all_passes: Sure,
    /// How well the product of filters explains the response as a whole.
    pub shape: Sure,
}

/// What is found in one factory output.
#[derive(Debug, Clone)]
pub struct ChannelFinding {
    /// The output as a product of filters; its delay counts from the time base of the response.
    pub model: ChannelModel,
    /// −6 dB points of what was measured, or the ends of the measurement.
    pub band_hz: (f64, f64),
    /// True where the level still holds at that end of the measurement.
    pub open_ends: (bool, bool),
    /// Half-width of the 95 % interval of the model's delay: noise, and what other slopes that explain the level nearly as
    /// well would make of it.
    pub delay_within_s: f64,
    /// Median level in the band.
    pub level_db: f64,
    /// Root mean square of the level that the model leaves unexplained, in the band.
    pub unexplained_db: f64,
    /// As much of that as the noise does not account for.
    pub beyond_noise_db: f64,
    /// Signal-to-noise ratio of the response in the middle of its band.
    pub snr_db: f64,
    /// How sure.
    pub confidence: Confidence,
}

/// A lead in Schwarz's criterion that settles the family of an edge.
const RIVAL_LEAD: f64 = 20.0;

/// Points per octave that [`explain`] wants.
pub const PER_OCTAVE: f64 = 48.0;

/// Explains one output from its line-level response at `rate_hz` (thinned to [`PER_OCTAVE`] points).
///
/// `None` when fewer than an octave rises above the noise.
pub fn explain(response: &LineResponse, rate_hz: f64) -> Option<ChannelFinding> {
    if response.len() < 16 || response.frequency_hz[response.len() - 1] < 2.0 * response.frequency_hz[0] {
        return None;
    }
    found(response, &shape::explain(response, rate_hz, PER_OCTAVE)?)
}

/// Explains an output once more with each of the pairs of band edges that its neighbours show
/// ([`super::split::shown_by_others`]).
///
/// `None` where all of them explain it less well: clearly less where the neighbours are sure, at all elsewhere.
pub fn explain_beside(
    response: &LineResponse,
    before: &ChannelFinding,
    shown: &[Shown],
) -> Option<ChannelFinding> {
    let heard = shape::clearly_heard(response);
    let was = shape::by_level(&before.model, response, &heard)?;
    // By how much a pair explains it less well than is allowed for it.
    let judged = shown.iter().filter_map(|pair| {
        let mut shape = shape::explain_held(response, PER_OCTAVE, &was.model, pair)?;
        let sure = pair.low.is_sure() && pair.high.is_sure();
        let worse = shape.fit.criterion(Part::Level) - was.criterion(Part::Level);
        shape.rival = Some(was.clone()).filter(|was| !same_edges(&was.model, &shape.fit.model));
        Some((worse - if sure { RIVAL_LEAD } else { 0.0 }, pair, shape))
    });
    let (worse, pair, shape) = judged.min_by(|a, b| a.0.total_cmp(&b.0))?;
    let mut again = (worse < 0.0).then(|| found(response, &shape)).flatten()?;
    // What others show is not in doubt for what this output alone might be; what nobody shows is as doubtful as it was.
    let settled = |shown: Edge, own: Option<Crossover>| match shown {
        Edge::Own => own.is_none() || before.confidence.edges == Sure::High,
        Edge::Shown { edge, sure } => sure && kind(&edge) == kind(&own),
    };
    let explained = !shape.fit.leaves_more_than_noise(&heard);
    again.confidence.edges = if settled(pair.low, again.model.high_pass)
        && settled(pair.high, again.model.low_pass)
        && explained
    {
        again.confidence.shape
    } else {
        again.confidence.edges.min(Sure::Medium)
    };
    Some(again)
}

/// Everything that follows from the shape of an output.
fn found(response: &LineResponse, shape: &Shape) -> Option<ChannelFinding> {
    let heard = shape::clearly_heard(response);
    let trusted = heard.as_trusted();
    let excess = excess::explain(&trusted, &shape.fit.model, &shape.reach);
    // Another shape that is nearly as good must say the same of the phase.
    let second = shape
        .rival
        .as_ref()
        .filter(|rival| rival.criterion(Part::Level) - shape.fit.criterion(Part::Level) < RIVAL_LEAD)
        .map(|rival| excess::explain(&trusted, &rival.model, &shape.reach));
    let model = excess.fit.model.clone();
    let noise_s = deviation(&model, &trusted, Parameter::Delay).map_or(0.0, |ms| NORMAL_95 * ms * 1e-3);
    let by_rival_s = second.as_ref().map_or(0.0, |it| (it.fit.model.delay_s - model.delay_s).abs());
    let delay_within_s = noise_s.max(by_rival_s);

    let measured = band_of(response)?;
    let modelled = model.minimum_phase(&response.frequency_hz);
    let inside: Vec<usize> =
        (0..response.len()).filter(|&i| measured.holds(response.frequency_hz[i])).collect();
    let squares = inside
        .iter()
        .map(|&i| (super::DB_PER_NEPER * (response.value[i].norm() / modelled[i].norm()).ln()).powi(2));
    let unexplained_db = (squares.sum::<f64>() / inside.len().max(1) as f64).sqrt();
    // What is explained to a hair is free of noise in the model, and its grid is even down to the lowest octave.
    let band = if unexplained_db < SAME_DB { band_of(&noise_free(&model, response))? } else { measured };
    let (low, high) = (response.frequency_hz[0], response.frequency_hz[response.len() - 1]);
    let band_hz = (band.low_hz.unwrap_or(low), band.high_hz.unwrap_or(high));
    let mut sigmas: Vec<f64> = inside.iter().map(|&i| response.sigma_ln[i]).collect();
    sigmas.sort_by(f64::total_cmp);
    let snr_db = sigmas.get(sigmas.len() / 2).map_or(0.0, |s| -20.0 * s.log10() - 3.0);
    // Noise of its own in every cell adds to what the filters leave.
    let noise = inside.iter().map(|&i| (super::DB_PER_NEPER * response.sigma_ln[i]).powi(2)).sum::<f64>();
    let beyond = unexplained_db.powi(2) - noise / inside.len().max(1) as f64;
    let confidence =
        confidence(&heard, shape, &excess, second.as_ref(), unexplained_db, (band_hz.1 / band_hz.0).log2());
    Some(ChannelFinding {
        model,
        band_hz,
        delay_within_s,
        open_ends: (band.low_hz.is_none(), band.high_hz.is_none()),
        level_db: band.level_db,
        unexplained_db,
        beyond_noise_db: beyond.max(0.0).sqrt(),
        snr_db,
        confidence,
    })
}

/// 95 % of a normal distribution lie within this many standard deviations.
const NORMAL_95: f64 = 1.96;
/// A model this close to what was measured stands for it.
const SAME_DB: f64 = 0.05;

/// The level of a model over the range of a measurement.
fn noise_free(model: &ChannelModel, response: &LineResponse) -> LineResponse {
    let frequency_hz = crate::curve::log_grid_hz(
        response.frequency_hz[0],
        response.frequency_hz[response.len() - 1],
        2.0 * PER_OCTAVE,
    );
    let value = model.minimum_phase(&frequency_hz);
    LineResponse { sigma_ln: vec![0.0; value.len()], value, frequency_hz }
}

fn confidence(
    heard: &LineResponse,
    shape: &Shape,
    excess: &Excess,
    second: Option<&Excess>,
    unexplained_db: f64,
    octaves: f64,
) -> Confidence {
    let model = &excess.fit.model;
    let shape_sure = match unexplained_db {
        x if x < 0.15 => Sure::High,
        x if x < 0.6 => Sure::Medium,
        _ => Sure::Low,
    };
    let graded = |margin: f64| match margin {
        m if m > 6.0 => Sure::High,
        m if m > 2.0 => Sure::Medium,
        _ => Sure::Low,
    };
    let edges = match &shape.rival {
        None => Sure::High,
        // Differences of Schwarz's criterion: beyond 10 is very strong (Kass & Raftery 1995) for independent values;
        // what is left over after a fit hangs together over about an eighth of an octave here.
        Some(rival) => match rival.criterion(Part::Level) - shape.fit.criterion(Part::Level) {
            x if x > RIVAL_LEAD => Sure::High,
            x if x > 0.4 * RIVAL_LEAD => Sure::Medium,
            _ => Sure::Low,
        },
    };
    // While more than noise is left over, another family with better bands may hide behind the best one found.
    let doubtful = shape.fit.leaves_more_than_noise(heard);
    // So does it where two broad bands work against one another at one place: no factory sets them like that.
    let edges = if doubtful || at_odds(&model.sections) { edges.min(Sure::Medium) } else { edges };
    let (mut polarity, mut all_passes) = (graded(excess.polarity_margin), graded(excess.all_pass_margin));
    if octaves < 1.0 || doubtful {
        polarity = polarity.min(Sure::Medium);
    }
    if let Some(second) = second {
        if second.fit.model.inverted != model.inverted {
            polarity = Sure::Low;
        }
        if second.fit.model.all_passes.len() != model.all_passes.len() {
            all_passes = Sure::Low;
        }
    }
    Confidence {
        edges: edges.min(shape_sure),
        polarity,
        all_passes: all_passes.min(shape_sure),
        shape: shape_sure,
    }
}

/// More than a factory gives one band.
const MUCH_DB: f64 = 11.5;

/// True where two broad bands at nearly one place pull in opposite directions, or one band does more than factories do.
fn at_odds(sections: &[Section]) -> bool {
    let opposed = |a: &Section, b: &Section| {
        a.gain_db * b.gain_db < 0.0
            && a.q.max(b.q) < 1.4
            && (a.frequency_hz / b.frequency_hz).log2().abs() < 0.35
    };
    sections.iter().any(|s| s.gain_db.abs() > MUCH_DB)
        || sections.iter().enumerate().any(|(i, a)| sections.iter().skip(i + 1).any(|b| opposed(a, b)))
}

impl ChannelFinding {
    /// The band edges found, lower first.
    pub fn edges(&self) -> Vec<(Pass, Crossover)> {
        let edges = self.model.high_pass.iter().chain(&self.model.low_pass);
        edges.map(|edge| (edge.pass, *edge)).collect()
    }
}
