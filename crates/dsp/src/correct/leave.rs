//! What equalisation cannot mend: where it is, and why, in plain words.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use crate::curve::{Curve, interpolate_log, running_mean};
use crate::limits::Limits;
use crate::tune::LeftAlone;

/// Below this the curve shows noise as much as the speaker (common practice, no source).
const LEAST_SNR_DB: f64 = 6.0;
/// Beyond this half-width of the 95 % interval a change that helps one place harms another.
const WIDEST_SPREAD_DB: f64 = 6.0;
/// A speaker has ended where its level, over a third of an octave, is this far below its best octave …
const ENDED_DB: f64 = 18.0;
/// … and has fallen the second half of that within this many octaves: a slope, not a dip.
const ENDING_OCTAVES: f64 = 0.75;
/// A cancellation is deeper than this below both its shoulders, and narrower than the widths below at half depth.
const CANCELLED_DB: f64 = 10.0;
const CANCELLED_OCTAVES: f64 = 1.0 / 8.0;
/// Where phase is known a dip of this depth and width is tried for it.
const TRIED_DB: f64 = 6.0;
const TRIED_OCTAVES: f64 = 1.0 / 2.0;
/// Shoulders are looked for this far out.
const SHOULDER_OCTAVES: f64 = 1.0 / 4.0;
/// Longest delay that the phase around a dip may hold.
const LONGEST_DELAY_S: f64 = 0.05;

/// A region by grid index, ends included.
pub(super) struct Region {
    pub first: usize,
    pub last: usize,
    pub reason: String,
}

/// Regions of a grid that no correction should touch. `error_db` is response less target on the grid.
pub(super) fn unmendable(grid_hz: &[f64], error_db: &[f64], curve: &Curve, limits: &Limits) -> Vec<Region> {
    let mut regions = Vec::new();
    let column = |values: &Option<Vec<f64>>| -> Option<Vec<f64>> {
        let values = values.as_ref()?;
        grid_hz.iter().map(|&f| interpolate_log(&curve.frequency_hz, values, f)).collect()
    };
    if let Some(snr) = column(&curve.snr_db) {
        regions.extend(runs(&snr, |x| x < LEAST_SNR_DB).map(|(first, last)| {
            Region {
                first,
                last,
                reason:
                    "the measurement lies under the noise there; measure louder, longer or with more repeats"
                        .into(),
            }
        }));
    }
    if let Some(spread) = column(&curve.spread_db) {
        regions.extend(runs(&spread, |x| x > WIDEST_SPREAD_DB).map(|(first, last)| Region {
            first,
            last,
            reason: "the microphone positions disagree there; what helps one place would harm another".into(),
        }));
    }
    regions.extend(beyond_range(grid_hz, error_db, limits));
    regions.extend(cancellations(grid_hz, error_db, curve));
    regions.sort_by_key(|region| region.first);
    regions
}

/// Runs of points for which `is` holds.
fn runs(values: &[f64], is: impl Fn(f64) -> bool) -> impl Iterator<Item = (usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (i, &x) in values.iter().enumerate() {
        match found.last_mut() {
            Some((_, last)) if is(x) && *last + 1 == i => *last = i,
            _ if is(x) => found.push((i, i)),
            _ => {}
        }
    }
    found.into_iter()
}

fn beyond_range(grid_hz: &[f64], error_db: &[f64], limits: &Limits) -> Vec<Region> {
    let best = running_mean(grid_hz, error_db, 1.0, 0.0).into_iter().fold(f64::NEG_INFINITY, f64::max);
    let level = running_mean(grid_hz, error_db, 1.0 / 3.0, 0.0);
    let within_reach = best - limits.gain_db.max.max(3.0) - 3.0;
    let last = grid_hz.len().saturating_sub(1);
    let mut regions = Vec::new();
    // From each end inwards: the last point of the slope's foot, its middle, and where boost reaches again.
    let walk = |order: &mut dyn Iterator<Item = usize>| -> Option<usize> {
        let (mut foot, mut middle, mut reached) = (None, None, None);
        for i in order {
            if foot.is_none() && level[i] >= best - ENDED_DB {
                foot = Some(i);
            }
            if middle.is_none() && level[i] >= best - ENDED_DB / 2.0 {
                middle = Some(i);
            }
            if reached.is_none() && level[i] >= within_reach {
                reached = Some(i);
            }
            if middle.is_some() && reached.is_some() {
                break;
            }
        }
        let (foot, middle) = (foot?, middle?);
        let octaves = (grid_hz[foot] / grid_hz[middle]).log2().abs();
        (octaves <= ENDING_OCTAVES).then_some(reached?)
    };
    if level.first().is_some_and(|&x| x < best - ENDED_DB)
        && let Some(reached @ 1..) = walk(&mut (0..=last))
    {
        regions.push(Region {
            first: 0,
            last: reached - 1,
            reason: "below the speaker's range: boost there would only drive it harder".into(),
        });
    }
    if level.last().is_some_and(|&x| x < best - ENDED_DB)
        && let Some(reached) = walk(&mut (0..=last).rev())
        && reached < last
    {
        regions.push(Region {
            first: reached + 1,
            last,
            reason: "above the speaker's range: boost there would only drive it harder".into(),
        });
    }
    regions
}

fn cancellations(grid_hz: &[f64], error_db: &[f64], curve: &Curve) -> Vec<Region> {
    let mut regions = Vec::new();
    let wide = 2f64.powf(SHOULDER_OCTAVES);
    for i in 1..grid_hz.len().saturating_sub(1) {
        if !(error_db[i] < error_db[i - 1] && error_db[i] <= error_db[i + 1]) {
            continue;
        }
        let from = grid_hz.partition_point(|&f| f < grid_hz[i] / wide);
        let to = grid_hz.partition_point(|&f| f <= grid_hz[i] * wide);
        let top = |range: &[f64]| range.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let depth = top(&error_db[from..i]).min(top(&error_db[i + 1..to])) - error_db[i];
        if depth < TRIED_DB {
            continue;
        }
        let half = error_db[i] + depth / 2.0;
        let first = (from..i).rev().find(|&k| error_db[k] > half).map_or(from, |k| k + 1);
        let last = (i + 1..to).find(|&k| error_db[k] > half).map_or(to - 1, |k| k - 1);
        let octaves = (grid_hz[last + 1] / grid_hz[first - 1]).log2();
        let words = || format!("a dip of {depth:.0} dB, 1/{:.0} octave wide", (1.0 / octaves).max(1.0));
        let by_phase = (octaves <= TRIED_OCTAVES)
            .then(|| falls_in_phase(curve, grid_hz[first - 1], grid_hz[last + 1]))
            .flatten();
        let reason = match by_phase {
            Some(true) => format!(
                "{}, whose phase shows a reflection cancelling the sound: boost would feed both alike",
                words()
            ),
            None if depth >= CANCELLED_DB && octaves < CANCELLED_OCTAVES => {
                format!(
                    "{}: too narrow for a band, most likely a cancellation; boost would not fill it",
                    words()
                )
            }
            _ => continue,
        };
        regions.push(Region { first, last, reason });
    }
    regions
}

/// True where the phase falls through a dip by more than its surroundings' delay explains: the mark of a zero outside
/// the minimum phase, which no minimum-phase band can undo (Oppenheim & Schafer, minimum-phase systems). `None` where
/// phase is not known or too coarse to tell.
fn falls_in_phase(curve: &Curve, from_hz: f64, to_hz: f64) -> Option<bool> {
    let phase_deg = curve.phase_deg.as_ref()?;
    let octave_share = 2f64.powf(1.0 / 3.0);
    let hz = &curve.frequency_hz;
    let near = hz.partition_point(|&f| f < from_hz / octave_share)
        ..hz.partition_point(|&f| f <= to_hz * octave_share);
    let steps: Vec<(f64, f64, bool)> = near
        .clone()
        .zip(near.skip(1))
        .map(|(a, b)| {
            let inside = hz[a] >= from_hz && hz[b] <= to_hz;
            (hz[b] - hz[a], (phase_deg[b] - phase_deg[a]).to_radians(), inside)
        })
        .collect();
    let outside = || steps.iter().filter(|step| !step.2);
    if outside().count() < 6 || steps.len() - outside().count() < 3 {
        return None;
    }
    let agreement = |delay_s: f64| {
        outside().map(|&(df, turn, _)| Complex64::cis(turn + 2.0 * PI * df * delay_s)).sum::<Complex64>()
    };
    let trials = 2000;
    let delay_s = (0..=trials)
        .map(|k| LONGEST_DELAY_S * f64::from(k) / f64::from(trials))
        .max_by(|&a, &b| agreement(a).re.total_cmp(&agreement(b).re))?;
    // Steps that do not agree outside the dip cannot be read inside it.
    if agreement(delay_s).re < 0.8 * outside().count() as f64 {
        return None;
    }
    let through: f64 = (steps.iter().filter(|step| step.2))
        .map(|&(df, turn, _)| Complex64::cis(turn + 2.0 * PI * df * delay_s).arg())
        .sum();
    // Between its half-depth points a zero turns the phase by about ±120°; a third of a turn less is told apart.
    Some(through < -PI / 3.0)
}

/// Where the bands raise as much as they may and the response is still `short_db` or more below the target.
pub(super) fn boost_used_up(residual_db: &[f64], correction_db: &[f64], most_boost_db: f64) -> Vec<Region> {
    const SHORT_DB: f64 = 2.0;
    let lacking: Vec<f64> = (residual_db.iter().zip(correction_db))
        .map(|(r, g)| if *g > most_boost_db - 1.0 { -r } else { 0.0 })
        .collect();
    runs(&lacking, |x| x > SHORT_DB)
        .map(|(first, last)| {
            let most = lacking[first..=last].iter().copied().fold(0.0, f64::max);
            let reason = format!(
                "it would need {most:.1} dB more boost than the {most_boost_db:.1} dB that the limits allow"
            );
            Region { first, last, reason }
        })
        .collect()
}

/// With frequencies for indices; a region of one point reaches half-way to its neighbours.
pub(super) fn in_hertz(regions: &[Region], grid_hz: &[f64]) -> Vec<LeftAlone> {
    regions
        .iter()
        .map(|region| LeftAlone {
            from_hz: (grid_hz[region.first] * grid_hz[region.first.saturating_sub(1)]).sqrt(),
            to_hz: (grid_hz[region.last] * grid_hz[(region.last + 1).min(grid_hz.len() - 1)]).sqrt(),
            reason: region.reason.clone(),
        })
        .collect()
}
