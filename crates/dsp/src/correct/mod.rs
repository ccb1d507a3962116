//! Correction of a response towards a target within a processor's limits.
//!
//! Bands are found by bounded Levenberg–Marquardt with closed-form slopes, from insertions where most of the error can
//! be taken away and from rearrangements; then rounded to the processor's steps, the rest following. What
//! equalisation cannot mend is left alone, with the reason.

mod band;
mod fir;
mod fit;
mod leave;
mod problem;
mod search;
mod seat;
mod slope;
mod steps;

pub use fir::{BoundedTaps, FirKind, LONGEST_PRE_RINGING_S, bounded_taps, latency_samples, pre_ringing_db};
pub use slope::{OffSlope, filter_for_slope, off_slope};

use crate::curve::{Curve, interpolate_log, log_grid_hz};
use crate::filter::{ChannelFilter, FilterError};
use crate::limits::{Frequencies, Limits};
use crate::target::Target;
use crate::tune::{ChannelTune, LeftAlone, Predicted, Section, SectionKind, Tune};
use band::{Axis, levels_db};
use fit::{Bounds, Fitter};
use leave::Region;
use problem::Problem;
use search::{Budget, Dictionary};

/// How much work to spend; counted in trials, so that the answer is the same on any machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Effort {
    /// A few milliseconds from the bands in [`Options::start`]: while a target is dragged.
    Follow,
    /// Some tens of milliseconds for ten bands.
    Quick,
    /// Within a second for ten bands.
    #[default]
    Thorough,
}

/// What to correct and how.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Lower end of the range.
    pub from_hz: f64,
    /// Upper end of the range.
    pub to_hz: f64,
    /// Work to spend.
    pub effort: Effort,
    /// Taps for what the bands leave, where the limits have any.
    pub fir: Option<FirKind>,
    /// Bands to begin from, for example those of the last proposal.
    pub start: Vec<Section>,
    /// What the square of the mean correction costs, against 1 for the square of the mean error: 0 leaves the level
    /// free. Above, a speaker that plays with others is not turned down by its bands where little is won by it.
    pub level_weight: f64,
    /// No shelf is steeper, but where the limits allow no Q so low: a setting for a person to type has
    /// [`GENTLE_SHELF_Q`](crate::filter::GENTLE_SHELF_Q). Freer, one steep shelf stands in for two bells that oppose each other.
    pub shelf_q_max: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            from_hz: 20.0,
            to_hz: 20_000.0,
            effort: Effort::default(),
            fir: None,
            start: Vec::new(),
            level_weight: 0.0,
            shelf_q_max: f64::INFINITY,
        }
    }
}

/// A correction and what it is expected to do.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Proposal {
    /// Bands, lowest first, each a setting the processor has.
    pub sections: Vec<Section>,
    /// Taps at the limits' rate.
    pub fir: Option<Vec<f64>>,
    /// What was not touched.
    pub left_alone: Vec<LeftAlone>,
    /// Plain rms distance from the target over the whole range, its level free.
    pub predicted: Predicted,
    /// The same over what is not left alone and weighted by how well it is known.
    pub mendable: Predicted,
    /// The target's level that fits the corrected response best.
    pub target_level_db: f64,
    /// The measured curve as it will be.
    pub curve: Curve,
}

/// Why there is no proposal.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CorrectError {
    /// The range does not lie within the curve.
    #[error(
        "the range {from_hz} to {to_hz} Hz does not lie within the response, which runs from {low_hz:.1} to {high_hz:.1} Hz, with at least a third of an octave; give another range"
    )]
    Range {
        /// As given.
        from_hz: f64,
        /// As given.
        to_hz: f64,
        /// First point of the curve.
        low_hz: f64,
        /// Last point of the curve.
        high_hz: f64,
    },
    /// The curve cannot be used.
    #[error("the response {0}")]
    Curve(&'static str),
    /// All of the range is to be left alone.
    #[error("the response has nothing that can be corrected in this range{}", first_reason(.left_alone))]
    Nothing {
        /// The parts of it, each with its reason.
        left_alone: Vec<LeftAlone>,
    },
    /// The limits have nothing to correct with.
    #[error("the limits {0}")]
    Limits(&'static str),
    /// A band could not be made into a filter.
    #[error(transparent)]
    Filter(#[from] FilterError),
}

fn first_reason(left_alone: &[LeftAlone]) -> String {
    left_alone.first().map_or_else(String::new, |it| format!(": {}", it.reason))
}

/// Grid of the search, and of the figures.
const POINTS_PER_OCTAVE: f64 = 48.0;
const SEARCH_POINTS_PER_OCTAVE: f64 = 24.0;
/// What a point left alone weighs against boost or cut spilling over, against 1 for a point that counts.
const HOLD_WEIGHT: f64 = 0.05;
/// A point's weight halves where its 95 % half-width reaches this.
const HALF_WEIGHT_SPREAD_DB: f64 = 3.0;

/// Finds bands (and taps) that bring `response` to the shape of `target` within `limits`.
///
/// The response holds levels in dB over ascending frequencies in hertz; `spread_db`, `snr_db` and `phase_deg` are
/// used where present. Only the target's shape counts. All bands together raise no frequency by more than the
/// largest gain of one.
///
/// # Errors
/// [`CorrectError`], when the range lies outside the response, values are not finite, or the limits hold no means.
pub fn propose(
    response: &Curve,
    target: &Target,
    limits: &Limits,
    options: &Options,
) -> Result<Proposal, CorrectError> {
    check(response, options)?;
    let rate_hz = limits.sample_rate_hz;
    let kinds = usable_kinds(limits);
    if (kinds.is_empty() || limits.bands == 0) && (limits.fir_taps == 0 || options.fir.is_none()) {
        return Err(CorrectError::Limits(
            "have no band of a kind that corrects (peaking, low_shelf, high_shelf) and no taps were asked for",
        ));
    }
    let to_hz = options.to_hz.min(0.49 * rate_hz);
    let fine = log_grid_hz(options.from_hz, to_hz, POINTS_PER_OCTAVE);
    let error_db = error_on(&fine, response, target);
    let mut regions = leave::unmendable(&fine, &error_db, response, limits);
    if regions.iter().map(|region| region.last + 1 - region.first).sum::<usize>() >= fine.len() {
        return Err(CorrectError::Nothing { left_alone: leave::in_hertz(&regions, &fine) });
    }

    let problem_on = |per_octave: f64| {
        let level_weight = options.level_weight;
        Problem {
            level_weight,
            ..posed(per_octave, response, target, limits, options.from_hz, to_hz, &regions, &fine)
        }
    };
    let (coarse, dense) = (problem_on(SEARCH_POINTS_PER_OCTAVE), problem_on(POINTS_PER_OCTAVE));
    let sections = if kinds.is_empty() || limits.bands == 0 {
        Vec::new()
    } else {
        bands_for(&coarse, &dense, &kinds, limits, options, to_hz)?
    };
    let bands: Vec<band::Band> = sections.iter().map(band::Band::of).collect();
    let mut correction_db = levels_db(&bands, &dense.axis);

    let fir = options.fir.filter(|_| limits.fir_taps >= 8).map(|kind| {
        let (level, _) = dense.judge(&correction_db);
        let wanted = taps_level_db(&dense, &correction_db, level, limits);
        fir::design(&dense.axis.hz, &wanted, rate_hz, limits.fir_taps, kind)
    });
    let channel = ChannelTune { sections: sections.clone(), fir: fir.clone(), ..ChannelTune::default() };
    let filter = ChannelFilter::new(&channel, rate_hz)?;
    if fir.is_some() {
        correction_db = filter.levels_db(&dense.axis.hz);
    }
    let (target_level_db, cost) = dense.judge(&correction_db);
    let residual: Vec<f64> =
        dense.error_db.iter().zip(&correction_db).map(|(e, g)| e + g - target_level_db).collect();
    let short = leave::boost_used_up(&residual, &correction_db, dense.most_boost_db);
    regions
        .extend(short.into_iter().filter(|new| dense.weight[new.first..=new.last].iter().all(|w| *w > 0.0)));
    regions.sort_by_key(|region| region.first);
    let nothing = vec![0.0; fine.len()];
    Ok(Proposal {
        left_alone: leave::in_hertz(&regions, &fine),
        predicted: Predicted {
            rms_error_db_before: plain_rms(&dense.error_db, &nothing),
            rms_error_db_after: plain_rms(&dense.error_db, &correction_db),
        },
        mendable: Predicted {
            rms_error_db_before: dense.rms_of_cost(dense.judge(&nothing).1),
            rms_error_db_after: dense.rms_of_cost(cost),
        },
        target_level_db,
        curve: filter.predict(response),
        sections,
        fir,
    })
}

/// What of `response` between `from_hz` and `to_hz` is better left alone, each region with its reason; see [`propose`].
///
/// # Errors
/// As [`propose`], for the curve and the range.
pub fn left_alone(
    response: &Curve,
    target: &Target,
    limits: &Limits,
    from_hz: f64,
    to_hz: f64,
) -> Result<Vec<LeftAlone>, CorrectError> {
    check(response, &Options { from_hz, to_hz, ..Options::default() })?;
    let grid = log_grid_hz(from_hz, to_hz, POINTS_PER_OCTAVE);
    let error_db = error_on(&grid, response, target);
    Ok(leave::in_hertz(&leave::unmendable(&grid, &error_db, response, limits), &grid))
}

/// How much of a difference to correct where the curve's 95 % half-width is `spread_db`: all where it is known, half at
/// 3 dB.
pub fn trust(spread_db: f64) -> f64 {
    1.0 / (1.0 + (spread_db / HALF_WEIGHT_SPREAD_DB).powi(2))
}

/// The tune of one channel that a proposal stands for, with coefficients and headroom.
///
/// # Errors
/// When a band cannot be made into a filter at the limits' rate.
pub fn tune_of(proposal: &Proposal, limits: &Limits, name: &str) -> Result<Tune, CorrectError> {
    let channel = ChannelTune {
        name: name.into(),
        sections: proposal.sections.clone(),
        fir: proposal.fir.clone(),
        ..ChannelTune::default()
    };
    let mut tune = Tune {
        sample_rate_hz: limits.sample_rate_hz,
        channels: vec![channel],
        predicted: proposal.predicted,
        left_alone: proposal.left_alone.clone(),
        ..Tune::default()
    };
    tune.refresh_biquads().map_err(|(_, error)| error)?;
    Ok(tune)
}

fn check(response: &Curve, options: &Options) -> Result<(), CorrectError> {
    let (Some(&low_hz), Some(&high_hz)) = (response.frequency_hz.first(), response.frequency_hz.last())
    else {
        return Err(CorrectError::Curve("has no points"));
    };
    let all_finite = response.frequency_hz.iter().chain(&response.level_db).all(|x| x.is_finite());
    if response.level_db.len() != response.len() || !all_finite {
        return Err(CorrectError::Curve("holds a value that is not a finite number"));
    }
    if low_hz <= 0.0 || response.frequency_hz.windows(2).any(|pair| pair[0] >= pair[1]) {
        return Err(CorrectError::Curve("must have positive frequencies in ascending order"));
    }
    let (from_hz, to_hz) = (options.from_hz, options.to_hz);
    // A file's printed end may lie a rounding beside the number asked for.
    let inside = from_hz >= low_hz * (1.0 - 1e-6) && to_hz <= high_hz * (1.0 + 1e-6);
    if inside && to_hz >= from_hz * 2f64.powf(1.0 / 3.0) {
        Ok(())
    } else {
        Err(CorrectError::Range { from_hz, to_hz, low_hz, high_hz })
    }
}

fn usable_kinds(limits: &Limits) -> Vec<SectionKind> {
    let corrects = |kind: &SectionKind| {
        matches!(kind, SectionKind::Peaking | SectionKind::LowShelf | SectionKind::HighShelf)
    };
    limits.kinds.iter().copied().filter(corrects).collect()
}

/// Response less target on a grid: the mean over each cell where the curve is denser than the grid.
fn error_on(grid_hz: &[f64], response: &Curve, target: &Target) -> Vec<f64> {
    let hz = &response.frequency_hz;
    let (low, high) = (hz[0], hz[hz.len() - 1]);
    let half = if grid_hz.len() > 1 { (grid_hz[1] / grid_hz[0]).sqrt() } else { 1.0 };
    grid_hz
        .iter()
        .map(|&f| {
            let cell = hz.partition_point(|&x| x < f / half)..hz.partition_point(|&x| x < f * half);
            let level = if cell.len() >= 3 {
                response.level_db[cell.clone()].iter().sum::<f64>() / cell.len() as f64
            } else {
                interpolate_log(hz, &response.level_db, f.clamp(low, high)).unwrap_or(0.0)
            };
            level - target.level_at_db(f)
        })
        .collect()
}

#[expect(clippy::too_many_arguments, reason = "one place that turns the question into numbers")]
fn posed(
    per_octave: f64,
    response: &Curve,
    target: &Target,
    limits: &Limits,
    from_hz: f64,
    to_hz: f64,
    regions: &[Region],
    fine_hz: &[f64],
) -> Problem {
    let grid = log_grid_hz(from_hz, to_hz, per_octave);
    let left = |f: f64| {
        let slack = 1.0 + 1e-9;
        regions.iter().any(|r| f >= fine_hz[r.first] / slack && f <= fine_hz[r.last] * slack)
    };
    let weight: Vec<f64> = grid
        .iter()
        .map(|&f| {
            let spread = response.spread_at_db(f).unwrap_or(0.0);
            if left(f) { 0.0 } else { trust(spread) }
        })
        .collect();
    let hold = weight.iter().map(|w| if *w > 0.0 { 0.0 } else { HOLD_WEIGHT }).collect();
    let error_db = error_on(&grid, response, target);
    let axis = Axis::new(grid, limits.sample_rate_hz);
    Problem { axis, error_db, weight, hold, most_boost_db: limits.gain_db.max.max(0.0), level_weight: 0.0 }
}

fn bands_for(
    coarse: &Problem,
    dense: &Problem,
    kinds: &[SectionKind],
    limits: &Limits,
    options: &Options,
    to_hz: f64,
) -> Result<Vec<Section>, CorrectError> {
    let (lowest, highest) = match &limits.frequency_hz {
        Frequencies::List { list } => {
            (list.first().copied().unwrap_or(f64::NAN), list.last().copied().unwrap_or(f64::NAN))
        }
        Frequencies::Span { min, max, .. } => (*min, *max),
    };
    let (low_hz, high_hz) = (lowest.max(options.from_hz), highest.min(to_hz));
    let steps = steps::Steps::new(limits, low_hz, high_hz);
    let listed = steps.frequencies_hz();
    let is_list = matches!(limits.frequency_hz, Frequencies::List { .. });
    if low_hz > high_hz || (is_list && listed.is_empty()) {
        return Err(CorrectError::Limits("have no band frequency within the range to correct"));
    }
    let count = if limits.is_graphic() { limits.bands.min(listed.len()) } else { limits.bands };
    let bounds = Bounds {
        low: [low_hz.ln(), limits.gain_db.min, limits.q.min.ln()],
        high: [high_hz.ln(), limits.gain_db.max, limits.q.max.ln()],
        shelf_ln_q: limits.q_within(options.shelf_q_max).ln(),
    };
    let mut fitter = Fitter::new(coarse, bounds);
    let tried_hz: Vec<f64> = if low_hz < high_hz { log_grid_hz(low_hz, high_hz, 6.0) } else { vec![low_hz] };
    let dictionary = Dictionary::new(&fitter, kinds, &tried_hz);
    let budget = budget(options.effort, count);
    let (mut bands, _) = search::search(&mut fitter, &dictionary, count, &options.start, budget, SEED);
    if steps.frequencies_are_sparse() {
        seat::seat(&mut fitter, &dictionary, &mut bands, &steps, budget.moves_per_start, SEED);
    }
    let mut fitter = Fitter::new(dense, bounds);
    fitter.refine(&mut bands, &[], search::AT_THE_END);
    steps::round(&mut fitter, &mut bands, &steps);
    let mut sections: Vec<Section> =
        bands.iter().map(band::Band::section).map(tidied).filter(|s| s.gain_db != 0.0).collect();
    sections.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    Ok(sections)
}

/// Any number does; a fixed one gives the same answer each time.
const SEED: u64 = 1;

fn budget(effort: Effort, bands: usize) -> Budget {
    // A trial costs about the square of the number of bands.
    let scaled = |moves: f64| (moves * (10.0 / bands.max(3) as f64).powf(1.5)).ceil() as usize;
    match effort {
        Effort::Follow => Budget { starts: 1, moves_per_start: scaled(4.0) },
        Effort::Quick => Budget { starts: 1, moves_per_start: scaled(60.0) },
        Effort::Thorough => Budget { starts: 2, moves_per_start: scaled(700.0) },
    }
}

/// Without the last digits that a logarithm and back leave.
fn tidied(section: Section) -> Section {
    let digits = |x: f64| (x * 1e6).round() / 1e6;
    Section {
        frequency_hz: digits(section.frequency_hz),
        gain_db: digits(section.gain_db),
        q: digits(section.q),
        ..section
    }
}

/// What taps should add to the bands: the rest of the error, within the gain the limits allow, nothing raised where
/// the response is left alone.
fn taps_level_db(problem: &Problem, bands_db: &[f64], level: f64, limits: &Limits) -> Vec<f64> {
    (0..problem.axis.len())
        .map(|i| {
            let wanted = level - problem.error_db[i] - bands_db[i];
            let room = (problem.most_boost_db - bands_db[i]).max(0.0);
            if problem.weight[i] > 0.0 { wanted.clamp(limits.gain_db.min.min(0.0), room) } else { 0.0 }
        })
        .collect()
}

/// Root mean square over the grid, the mean taken out.
fn plain_rms(error_db: &[f64], correction_db: &[f64]) -> f64 {
    let count = error_db.len().max(1) as f64;
    let mean = error_db.iter().zip(correction_db).map(|(e, g)| e + g).sum::<f64>() / count;
    let sum: f64 = error_db.iter().zip(correction_db).map(|(e, g)| (e + g - mean).powi(2)).sum();
    (sum / count).sqrt()
}

#[cfg(test)]
mod tests;
