//! Which side feeds an output, whether it compresses, and what it does while nothing plays: from a stimulus that plays
//! both sides, each side alone, and then nothing.

use dsp::factory::quiet::{Quiet, quiet};
use dsp::factory::side::{Side, compression_db, side_of};
use dsp::measure::{MeasureError, Played};
use dsp::spectrum::Plans;
use dsp::stimulus::{Recipe, Signal};
use rustfft::num_complex::Complex64;

use super::recording::Recording;
use super::spectrum::{AFTER_S, Spectrum};

/// What the sides tell of one output.
pub(crate) struct Sided {
    pub side: Option<Side>,
    /// Both sides at full level against each alone at a lower one.
    pub compression_db: Option<f64>,
    pub quiet: Option<Quiet>,
    /// The response to one side alone, where both sides together cancel in this output.
    pub instead: Option<Spectrum>,
}

/// Bins this far under the strongest are out of the output's band.
const IN_BAND_DB: f64 = 20.0;
/// An output whose response to both sides is this far under that to one of them takes their difference.
const CANCELLED_DB: f64 = 12.0;
/// What rings and what the gate leaves at the ends of the quiet.
const RINGS_S: f64 = 0.3;

/// `None` where the stimulus has no sides.
pub(super) fn look(
    plans: &Plans,
    recipe: &Recipe,
    recording: &Recording,
    samples: &[f64],
    rate: u32,
    both: &Spectrum,
) -> Result<Option<Sided>, MeasureError> {
    let Signal::Sweep(sweep) = &recipe.signal else { return Ok(None) };
    let line = sweep.timeline(recipe.rate_hz);
    let (Some(sides), Some(alone)) = (&sweep.sides, &line.alone) else { return Ok(None) };
    let base = &recording.base;
    let one = |at: usize| {
        let Some(base) = base.with_the_sweep_at(&line, at).filter(|base| {
            let ends = base.sweeps[0].1 + sweep.shape.seconds * base.frames_per_s;
            ends <= samples.len() as f64
        }) else {
            return Ok(None);
        };
        let played = Played::new(plans, recipe, &base, AFTER_S)?;
        let mut spectrum = Spectrum::heard(plans, &played, samples, rate);
        spectrum.scale(10f64.powf(-sides.alone_db / 20.0));
        Ok(Some(spectrum))
    };
    let (Some(left), Some(right)) = (one(alone.left)?, one(alone.right)?) else { return Ok(None) };
    let (low_hz, high_hz) = (2.2 * sweep.shape.low_hz, 0.9 * sweep.shape.high_hz.min(0.5 * f64::from(rate)));
    // Beyond the sweep's band there is only noise, divided by next to nothing.
    let swept: Vec<usize> = (0..left.bins.len().min(right.bins.len()).min(both.bins.len()))
        .filter(|&k| (low_hz..high_hz).contains(&(k as f64 * left.spacing_hz)))
        .collect();
    let at_most = |k: usize| left.bins[k].norm().max(right.bins[k].norm());
    let strongest = swept.iter().map(|&k| at_most(k)).fold(0.0, f64::max);
    let limit = strongest * 10f64.powf(-IN_BAND_DB / 20.0);
    let inside: Vec<usize> = swept.into_iter().filter(|&k| at_most(k) > limit).collect();
    let take = |spectrum: &Spectrum| inside.iter().map(|&k| spectrum.bins[k]).collect::<Vec<Complex64>>();
    let (of_left, of_right, of_both) = (take(&left), take(&right), take(both));
    let heard_at = |at: usize, later_s: f64| {
        let place = base.heard_at(&line, at).unwrap_or(0.0) + later_s * base.frames_per_s;
        (place.max(0.0) as usize).min(samples.len())
    };
    let quiet_from = heard_at(alone.quiet.start, RINGS_S);
    let quiet_to = heard_at(alone.quiet.end, -0.1);
    let power = |bins: &[Complex64]| bins.iter().map(|h| h.norm_sqr()).sum::<f64>();
    // The left speaks for both where they are alike, so that polarity is told against the left.
    let louder = if power(&of_right) > 4.0 * power(&of_left) { right } else { left };
    let cancelled =
        power(&of_both) < power(&of_left).max(power(&of_right)) * 10f64.powf(-CANCELLED_DB / 10.0);
    Ok(Some(Sided {
        side: side_of(&of_left, &of_right),
        compression_db: compression_db(&of_both, &of_left, &of_right),
        quiet: samples.get(quiet_from..quiet_to).and_then(|piece| quiet(piece, f64::from(rate))),
        instead: cancelled.then_some(louder),
    }))
}
