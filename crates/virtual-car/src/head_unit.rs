//! What the factory does to the music.

use crate::filter;
use crate::level::{add, factor};
use crate::resample::Reader;
use crate::scenario::{FactoryOutput, HeadUnit, Loudness};
use dsp::tune::{Biquad, Section, SectionKind};

/// The filters of the loudness contour at volume `step`.
fn loudness(contour: &Loudness, step: u32, rate_hz: f64) -> Vec<Biquad> {
    let below = f64::from(contour.none_from_step.saturating_sub(step));
    let shelf = |kind, frequency_hz, per_step: f64, most: f64| {
        let gain_db = (below * per_step).min(most);
        filter::of_section(&Section { kind, frequency_hz, gain_db, q: 0.7 }, rate_hz)
    };
    vec![
        shelf(SectionKind::LowShelf, contour.bass_hz, contour.bass_db_per_step, contour.bass_most_db),
        shelf(SectionKind::HighShelf, contour.treble_hz, contour.treble_db_per_step, contour.treble_most_db),
    ]
}

/// Filters of everything that leaves the head unit at volume `step`.
fn common(unit: &HeadUnit, step: u32, rate_hz: f64) -> Vec<Biquad> {
    let mut cascade: Vec<_> =
        unit.equalisation.iter().map(|section| filter::of_section(section, rate_hz)).collect();
    if let Some(contour) = &unit.loudness {
        cascade.extend(loudness(contour, step, rate_hz));
    }
    cascade
}

/// Filters of one output.
fn own(output: &FactoryOutput, rate_hz: f64) -> Vec<Biquad> {
    let mut cascade: Vec<_> =
        output.splits.iter().flat_map(|split| filter::of_split(split, rate_hz)).collect();
    cascade.extend(output.equalisation.iter().map(|section| filter::of_section(section, rate_hz)));
    cascade.extend(output.all_passes.iter().map(|all_pass| filter::of_all_pass(all_pass, rate_hz)));
    cascade
}

/// Straight up to 6 dB below `limit`, then bending smoothly (value, slope) so as never to exceed it.
pub fn soften(sample: f64, limit: f64) -> f64 {
    let knee = 0.5 * limit;
    let over = sample.abs() - knee;
    if over <= 0.0 {
        return sample;
    }
    let room = limit - knee;
    (knee + room * (over / room).tanh()).copysign(sample)
}

/// How the player and the clipping behave: `Linear` leaves both out, for the exact response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fidelity {
    /// As the car does it.
    Real,
    /// Without rounding, clipping and harmonics.
    Linear,
}

/// A turned volume control goes from one step to the next in this time.
const TURN_S: f64 = 0.01;
/// Filters have settled this long after they began from rest.
const SETTLED_S: f64 = 0.5;

/// The signal of each output, in the scenario's order, for music on both sides.
///
/// `volumes` says from which frame on the volume stands at which step; the first entry is the step at the start.
pub fn outputs(
    unit: &HeadUnit,
    volumes: &[(usize, u32)],
    music: [&[f64]; 2],
    rate_hz: f64,
    fidelity: Fidelity,
    reader: &Reader,
) -> Vec<Vec<f64>> {
    let length = music[0].len().max(music[1].len());
    let [settled, fade] = [SETTLED_S, TURN_S].map(|seconds| (seconds * rate_hz) as usize);
    let mut whole = vec![vec![0.0; length]; unit.outputs.len()];
    for (place, &(from, step)) in volumes.iter().enumerate() {
        let from = from.min(length);
        let to = volumes.get(place + 1).map_or(length, |next| (next.0 + fade).min(length));
        let begin = from.saturating_sub(settled);
        let music = music.map(|side| side.get(begin..to.min(side.len())).unwrap_or_default());
        let pieces = at_one_step(unit, step, music, rate_hz, fidelity, reader);
        for (signal, piece) in whole.iter_mut().zip(pieces) {
            for (n, (was, now)) in
                signal.iter_mut().skip(from).zip(piece.iter().skip(from - begin)).enumerate()
            {
                let share = if place == 0 { 1.0 } else { (n as f64 / fade as f64).min(1.0) };
                *was += share * (now - *was);
            }
        }
    }
    whole
}

fn at_one_step(
    unit: &HeadUnit,
    step: u32,
    music: [&[f64]; 2],
    rate_hz: f64,
    fidelity: Fidelity,
    reader: &Reader,
) -> Vec<Vec<f64>> {
    let length = music[0].len().max(music[1].len());
    let volume = factor(unit.volume.gain_db(step));
    let common = common(unit, step, rate_hz);
    unit.outputs
        .iter()
        .map(|output| {
            let mut signal = vec![0.0; length];
            for (side, gain) in music.iter().zip([output.feed.left, output.feed.right]) {
                add(&mut signal, side, gain);
            }
            if let Some(bits) = unit.player_bits.filter(|_| fidelity == Fidelity::Real) {
                let full = 2f64.powi(bits as i32 - 1);
                signal.iter_mut().for_each(|s| *s = (*s * full).round() / full);
            }
            filter::run(&common, &mut signal);
            filter::run(&own(output, rate_hz), &mut signal);
            let sign = if output.inverted { -1.0 } else { 1.0 };
            let gain = sign * volume * factor(output.gain_db);
            signal.iter_mut().for_each(|s| *s *= gain);
            if fidelity == Fidelity::Real {
                let limit = factor(unit.clip_dbfs);
                signal.iter_mut().for_each(|s| *s = soften(*s, limit));
            }
            reader.delay(&signal, output.delay_ms * 1e-3 * rate_hz)
        })
        .collect()
}
