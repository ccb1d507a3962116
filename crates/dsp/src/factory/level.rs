//! Levels of a model's filters and their slopes, without any phase: real functions of the squared frequency, several times
//! quicker than the complex ones.

use super::model::{ChannelModel, DB_PER_NEPER, Parameter};
use crate::filter::{Prototype, Slopes, Warp, crossover_stages, prototype_slopes, section_prototype};
use crate::tune::{Crossover, Section};

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

/// A filter's stages with what takes a squared warped frequency to their `x`.
struct Stages {
    scale: f64,
    powers: Vec<(Quadratic, Quadratic)>,
}

impl Stages {
    fn new(stages: &[Prototype], frequency_hz: f64, warp: Warp) -> Self {
        let powers = stages.iter().map(|stage| (power(stage.n), power(stage.d))).collect();
        Self { scale: warp.tangent(frequency_hz).powi(-2), powers }
    }

    fn of_edge(edge: &Crossover, warp: Warp) -> Self {
        Self::new(&crossover_stages(edge).unwrap_or_default(), edge.frequency_hz, warp)
    }

    fn of_section(section: &Section, warp: Warp) -> Self {
        Self::new(&[section_prototype(section)], section.frequency_hz, warp)
    }
}

/// `ln |H|` of the minimum-phase part at squared warped frequencies.
pub(super) fn ln_levels(model: &ChannelModel, squares: &[f64]) -> Vec<f64> {
    let warp = Warp::new(model.rate_hz);
    let mut over = vec![(2.0 * model.gain_db / DB_PER_NEPER).exp(); squares.len()];
    let mut under = vec![1.0; squares.len()];
    let mut multiply = |Stages { scale, powers }: Stages| {
        for (n, d) in &powers {
            for ((square, over), under) in squares.iter().zip(&mut over).zip(&mut under) {
                let x = square * scale;
                *over *= at(n, x);
                *under *= at(d, x);
            }
        }
    };
    model.edges().for_each(|edge| multiply(Stages::of_edge(edge, warp)));
    model.sections.iter().for_each(|section| multiply(Stages::of_section(section, warp)));
    over.iter_mut().zip(&under).for_each(|(over, under)| *over = 0.5 * (*over / under).ln());
    over
}

/// `∂ ln |H| / ∂ parameter` at squared warped frequencies, one row a parameter, in the measures of
/// [`ChannelModel::step`]; what the level does not show has rows of zeros.
pub(super) fn ln_level_slopes(
    model: &ChannelModel,
    parameters: &[Parameter],
    squares: &[f64],
) -> Vec<Vec<f64>> {
    let warp = Warp::new(model.rate_hz);
    let mut sections: Vec<[Vec<f64>; 3]> =
        model.sections.iter().map(|section| section_slopes(section, warp, squares)).collect();
    let mut taken = |i: usize, k: usize| std::mem::take(&mut sections[i][k]);
    let row = |parameter: &Parameter| match *parameter {
        Parameter::Gain => vec![1.0 / DB_PER_NEPER; squares.len()],
        Parameter::EdgeFrequency(pass) => {
            let edge = model.edges().find(|edge: &&Crossover| edge.pass == pass);
            edge.map_or(vec![0.0; squares.len()], |edge| edge_slope(edge, warp, squares))
        }
        Parameter::SectionFrequency(i) => taken(i, 0),
        Parameter::SectionGain(i) => taken(i, 1),
        Parameter::SectionQ(i) => taken(i, 2),
        Parameter::Delay | Parameter::AllPassFrequency(_) | Parameter::AllPassQ(_) => {
            vec![0.0; squares.len()]
        }
    };
    parameters.iter().map(row).collect()
}

/// `∂ ln |H| / ∂ ln f` of a band edge.
fn edge_slope(edge: &Crossover, warp: Warp, squares: &[f64]) -> Vec<f64> {
    let Stages { scale, powers } = Stages::of_edge(edge, warp);
    // x falls as the corner rises.
    let by_ln_f = -warp.log_slope(edge.frequency_hz);
    let mut row = vec![0.0; squares.len()];
    for (n, d) in &powers {
        for (slope, square) in row.iter_mut().zip(squares) {
            let x = square * scale;
            *slope += by_ln_f * (rise(n, x) / at(n, x) - rise(d, x) / at(d, x));
        }
    }
    row
}

/// `∂ ln |H| / ∂ (ln f, gain_db, ln Q)` of an equaliser band.
fn section_slopes(section: &Section, warp: Warp, squares: &[f64]) -> [Vec<f64>; 3] {
    let stage = section_prototype(section);
    let scale = warp.tangent(section.frequency_hz).powi(-2);
    let by_ln_f = -warp.log_slope(section.frequency_hz);
    let Slopes { by_gain_db, by_ln_q } = prototype_slopes(section);
    let (n, d) = (power(stage.n), power(stage.d));
    let by = |slope: Prototype| (power_slope(stage.n, slope.n), power_slope(stage.d, slope.d));
    let ((n_gain, d_gain), (n_q, d_q)) = (by(by_gain_db), by(by_ln_q));
    let mut rows = [(); 3].map(|()| vec![0.0; squares.len()]);
    let [frequency, gain, q] = &mut rows;
    for (((square, frequency), gain), q) in squares.iter().zip(frequency).zip(gain).zip(q) {
        let x = square * scale;
        let (over, under) = (1.0 / at(&n, x), 1.0 / at(&d, x));
        *frequency = by_ln_f * (rise(&n, x) * over - rise(&d, x) * under);
        *gain = 0.5 * (at(&n_gain, x) * over - at(&d_gain, x) * under);
        *q = 0.5 * (at(&n_q, x) * over - at(&d_q, x) * under);
    }
    rows
}
