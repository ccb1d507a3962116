//! Levels of a model's filters and their slopes, without any phase: real functions of the squared frequency, several times
//! quicker than the complex ones.

use super::model::{ChannelModel, DB_PER_NEPER, Parameter};
use crate::filter::{Prototype, Slopes, Warp, crossover_stages, prototype_slopes, section_prototype};
use crate::tune::Crossover;

/// `a + b x + c x²` with `x` the square of the frequency over the filter's own, on the warped axis.
type Quadratic = [f64; 3];

/// `|p(jt)|²` of a polynomial `p` of second order, in `x = t²`.
fn power([a, b, c]: [f64; 3]) -> Quadratic {
    [a * a, b * b - 2.0 * a * c, c * c]
}

/// How [`power`] changes when the polynomial changes by `by`.
fn power_slope([a, b, c]: [f64; 3], by: [f64; 3]) -> Quadratic {
    [2.0 * a * by[0], 2.0 * b * by[1] - 2.0 * (by[0] * c + a * by[2]), 2.0 * c * by[2]]
}

fn at(q: &Quadratic, x: f64) -> f64 {
    q[0] + x * (q[1] + x * q[2])
}

/// `x q'(x)`.
fn rise(q: &Quadratic, x: f64) -> f64 {
    x * (q[1] + 2.0 * x * q[2])
}

/// `ln |H|` of the minimum-phase part at warped frequencies.
pub(super) fn ln_levels(model: &ChannelModel, tangents: &[f64]) -> Vec<f64> {
    let warp = Warp::new(model.rate_hz);
    let mut over = vec![(2.0 * model.gain_db / DB_PER_NEPER).exp(); tangents.len()];
    let mut under = vec![1.0; tangents.len()];
    let mut multiply = |corner: f64, stage: &Prototype| {
        let (n, d) = (power(stage.n), power(stage.d));
        let scale = 1.0 / (corner * corner);
        for ((t, over), under) in tangents.iter().zip(&mut over).zip(&mut under) {
            let x = t * t * scale;
            *over *= at(&n, x);
            *under *= at(&d, x);
        }
    };
    for edge in model.edges() {
        let corner = warp.tangent(edge.frequency_hz);
        crossover_stages(edge).unwrap_or_default().iter().for_each(|stage| multiply(corner, stage));
    }
    for section in &model.sections {
        multiply(warp.tangent(section.frequency_hz), &section_prototype(section));
    }
    over.iter().zip(&under).map(|(over, under)| 0.5 * (over / under).ln()).collect()
}

/// `∂ ln |H| / ∂ parameter` at warped frequencies, one row a parameter, in the measures of [`ChannelModel::step`]; what the
/// level does not show has rows of zeros.
pub(super) fn ln_level_slopes(
    model: &ChannelModel,
    parameters: &[Parameter],
    tangents: &[f64],
) -> Vec<Vec<f64>> {
    let warp = Warp::new(model.rate_hz);
    let by_place = |stages: &[Prototype], frequency_hz: f64| -> Vec<f64> {
        let corner = warp.tangent(frequency_hz);
        let scale = 1.0 / (corner * corner);
        // t falls as the corner rises.
        let by_ln_f = -warp.log_slope(frequency_hz);
        let powers: Vec<(Quadratic, Quadratic)> =
            stages.iter().map(|stage| (power(stage.n), power(stage.d))).collect();
        let slope = |t: &f64| {
            let x = t * t * scale;
            by_ln_f * powers.iter().map(|(n, d)| rise(n, x) / at(n, x) - rise(d, x) / at(d, x)).sum::<f64>()
        };
        tangents.iter().map(slope).collect()
    };
    let by_shape = |i: usize, change: fn(Slopes) -> Prototype| -> Vec<f64> {
        let section = &model.sections[i];
        let corner = warp.tangent(section.frequency_hz);
        let scale = 1.0 / (corner * corner);
        let (stage, by) = (section_prototype(section), change(prototype_slopes(section)));
        let (n, d) = (power(stage.n), power(stage.d));
        let (n_by, d_by) = (power_slope(stage.n, by.n), power_slope(stage.d, by.d));
        let slope = |t: &f64| {
            let x = t * t * scale;
            0.5 * (at(&n_by, x) / at(&n, x) - at(&d_by, x) / at(&d, x))
        };
        tangents.iter().map(slope).collect()
    };
    let row = |parameter: &Parameter| match *parameter {
        Parameter::Gain => vec![1.0 / DB_PER_NEPER; tangents.len()],
        Parameter::EdgeFrequency(pass) => {
            let edge = model.edges().find(|edge: &&Crossover| edge.pass == pass);
            edge.map_or(vec![0.0; tangents.len()], |edge| {
                by_place(&crossover_stages(edge).unwrap_or_default(), edge.frequency_hz)
            })
        }
        Parameter::SectionFrequency(i) => {
            by_place(&[section_prototype(&model.sections[i])], model.sections[i].frequency_hz)
        }
        Parameter::SectionGain(i) => by_shape(i, |slopes| slopes.by_gain_db),
        Parameter::SectionQ(i) => by_shape(i, |slopes| slopes.by_ln_q),
        Parameter::Delay | Parameter::AllPassFrequency(_) | Parameter::AllPassQ(_) => {
            vec![0.0; tangents.len()]
        }
    };
    parameters.iter().map(row).collect()
}
