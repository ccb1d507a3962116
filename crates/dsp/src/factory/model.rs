//! What a factory output is made of: gain, polarity, delay, band edges, equaliser bands, all-passes.

use std::f64::consts::{LN_10, PI};

use rustfft::num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::filter::{Prototype, Warp, crossover_stages};
use crate::tune::{Biquad, Crossover, CrossoverFamily, Pass, Section, SectionKind};

/// `20 / ln 10`: decibels in one neper.
pub const DB_PER_NEPER: f64 = 20.0 / LN_10;

/// An all-pass that a factory output passes through.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AllPass {
    /// Where its phase is −90° (first order) or −180° (second order).
    pub frequency_hz: f64,
    /// Q of a second-order section; none for a first-order one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub q: Option<f64>,
    /// 1 or 2.
    pub order: u8,
}

impl AllPass {
    fn response(&self, t: f64) -> Complex64 {
        match self.q {
            Some(q) => Complex64::new(1.0 - t * t, -t / q) / Complex64::new(1.0 - t * t, t / q),
            None => Complex64::new(1.0, -t) / Complex64::new(1.0, t),
        }
    }

    /// `∂ ln H / ∂ (ln t, ln Q)`; both are imaginary, since the level never moves.
    fn log_slopes(&self, t: f64) -> (f64, f64) {
        match self.q {
            Some(q) => {
                let (x, y) = (1.0 - t * t, t / q);
                let norm = x * x + y * y;
                // arg H = −2 atan2(y, x)
                (-2.0 * (x * y + 2.0 * t * t * y) / norm, 2.0 * x * y / norm)
            }
            None => (-2.0 * t / (1.0 + t * t), 0.0),
        }
    }

    /// Coefficients at a sample rate.
    pub fn biquad(&self, rate_hz: f64) -> Biquad {
        let (n, d) = match self.q {
            Some(q) => ([1.0, -1.0 / q, 1.0], [1.0, 1.0 / q, 1.0]),
            None => ([1.0, -1.0, 0.0], [1.0, 1.0, 0.0]),
        };
        Prototype { n, d }.biquad(Warp::new(rate_hz).tangent(self.frequency_hz))
    }

    /// `H` at a frequency, for a sample rate; 1 at zero frequency.
    pub fn at(&self, frequency_hz: f64, rate_hz: f64) -> Complex64 {
        let warp = Warp::new(rate_hz);
        self.response(warp.tangent(frequency_hz) / warp.tangent(self.frequency_hz))
    }
}

/// Taps of an FIR filter with the rate they run at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Taps {
    /// Sample rate.
    pub rate_hz: f64,
    /// The impulse response.
    pub taps: Vec<f64>,
}

impl Taps {
    /// What taps that turn an all-pass back delay by, in milliseconds: the sound's own time is their last.
    pub fn delay_ms(&self) -> f64 {
        1e3 * self.taps.len().saturating_sub(1) as f64 / self.rate_hz
    }
}

/// A factory output as a product of known filters.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelModel {
    /// Rate at which the factory's filters run, as far as their warping near the top tells.
    pub rate_hz: f64,
    /// Broad-band gain.
    pub gain_db: f64,
    /// True when the output is turned over.
    pub inverted: bool,
    /// Pure delay.
    pub delay_s: f64,
    /// Lower band edge.
    pub high_pass: Option<Crossover>,
    /// Upper band edge.
    pub low_pass: Option<Crossover>,
    /// Equaliser bands: peaking and shelves.
    pub sections: Vec<Section>,
    /// All-passes.
    pub all_passes: Vec<AllPass>,
}

/// Where equaliser bands are looked for: what lies far outside an output's band does nothing that is heard there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reach {
    pub hz: (f64, f64),
    /// Frequencies of the lower and the upper band edge, where they are known from elsewhere to a hair.
    pub edges_hz: (Option<f64>, Option<f64>),
}

/// By how much an edge may move from where it is known to be, as a share of its frequency.
const A_HAIR: f64 = 0.005;

/// The most that one equaliser band is taken to do.
const MOST_GAIN_DB: f64 = 12.0;
/// From the broadest to the narrowest equaliser band.
const Q_RANGE: (f64, f64) = (0.25, 15.0);

impl Reach {
    /// Everywhere.
    #[cfg(test)]
    pub const ALL: Self = Self { hz: (1.0, 1e6), edges_hz: (None, None) };

    /// Wide enough for bands at known edges: where the level is bent by more than 6 dB it seems to end before them.
    pub fn up_to_edges(self, low: Option<&Crossover>, high: Option<&Crossover>) -> Self {
        let low_hz = low.map_or(self.hz.0, |edge| self.hz.0.min(edge.frequency_hz / 1.5));
        let high_hz = high.map_or(self.hz.1, |edge| self.hz.1.max(edge.frequency_hz * 1.5));
        Self { hz: (low_hz, high_hz), ..self }
    }

    /// An edge's frequency as near to `hz` as it may be.
    fn edge_hz(&self, pass: Pass, hz: f64) -> f64 {
        let known = match pass {
            Pass::High => self.edges_hz.0,
            Pass::Low => self.edges_hz.1,
        };
        known.map_or(hz, |known| hz.clamp(known * (1.0 - A_HAIR), known * (1.0 + A_HAIR)))
    }
}

/// One parameter of a model, as the fit moves it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Parameter {
    Gain,
    Delay,
    EdgeFrequency(Pass),
    SectionFrequency(usize),
    SectionGain(usize),
    SectionQ(usize),
    AllPassFrequency(usize),
    AllPassQ(usize),
}

impl ChannelModel {
    /// A wire: gain 1 and nothing else.
    pub fn flat(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            gain_db: 0.0,
            inverted: false,
            delay_s: 0.0,
            high_pass: None,
            low_pass: None,
            sections: Vec::new(),
            all_passes: Vec::new(),
        }
    }

    pub(super) fn edges(&self) -> impl Iterator<Item = &Crossover> {
        self.high_pass.iter().chain(&self.low_pass)
    }

    /// `H` at the given frequencies; negative time convention `exp(−jωτ)` for the delay.
    pub fn responses(&self, frequency_hz: &[f64]) -> Vec<Complex64> {
        self.product(frequency_hz, true)
    }

    /// The minimum-phase part: gain, band edges and equaliser bands, without polarity, delay and all-passes.
    pub fn minimum_phase(&self, frequency_hz: &[f64]) -> Vec<Complex64> {
        self.product(frequency_hz, false)
    }

    /// Band edges alone.
    pub fn edge_responses(&self, frequency_hz: &[f64]) -> Vec<Complex64> {
        let bare = Self { gain_db: 0.0, sections: Vec::new(), ..self.clone() };
        bare.product(frequency_hz, false)
    }

    fn product(&self, frequency_hz: &[f64], excess: bool) -> Vec<Complex64> {
        let warp = Warp::new(self.rate_hz);
        let staged = self.staged();
        let gain = (self.gain_db / DB_PER_NEPER).exp() * if excess && self.inverted { -1.0 } else { 1.0 };
        let all_passes = if excess { self.all_passes.as_slice() } else { &[] };
        let corners: Vec<f64> = all_passes.iter().map(|a| warp.tangent(a.frequency_hz)).collect();
        frequency_hz
            .iter()
            .map(|&f| {
                let t = warp.tangent(f);
                let mut h = Complex64::from(gain);
                for (corner, stages) in &staged {
                    for stage in stages {
                        h *= stage.response(t / corner);
                    }
                }
                for (all_pass, corner) in all_passes.iter().zip(&corners) {
                    h *= all_pass.response(t / corner);
                }
                if excess { h * Complex64::cis(-2.0 * PI * f * self.delay_s) } else { h }
            })
            .collect()
    }

    /// Each filter's warped corner with its stages. A family and order that cannot be built counts as a wire;
    /// the fit only ever tries those that can.
    fn staged(&self) -> Vec<(f64, Vec<Prototype>)> {
        let warp = Warp::new(self.rate_hz);
        let edges = self
            .edges()
            .map(|edge| (warp.tangent(edge.frequency_hz), crossover_stages(edge).unwrap_or_default()));
        let sections = self.sections.iter().map(|section| {
            (warp.tangent(section.frequency_hz), vec![crate::filter::section_prototype(section)])
        });
        edges.chain(sections).collect()
    }

    /// What can be moved: the gain, each edge, each band; with `excess` also the delay and the all-passes.
    pub(super) fn parameters(&self, excess: bool) -> Vec<Parameter> {
        let mut list = vec![Parameter::Gain];
        list.extend(self.edges().map(|edge| Parameter::EdgeFrequency(edge.pass)));
        for i in 0..self.sections.len() {
            list.extend([Parameter::SectionFrequency(i), Parameter::SectionGain(i), Parameter::SectionQ(i)]);
        }
        if excess {
            list.push(Parameter::Delay);
            for (i, all_pass) in self.all_passes.iter().enumerate() {
                list.push(Parameter::AllPassFrequency(i));
                if all_pass.q.is_some() {
                    list.push(Parameter::AllPassQ(i));
                }
            }
        }
        list
    }

    /// Moves one parameter by a step in its own measure: dB, ms, ln f, ln Q; kept within what equalisers do.
    pub(super) fn step(&mut self, parameter: Parameter, by: f64, reach: &Reach) {
        let top_hz = 0.49 * self.rate_hz;
        let moved = |f: f64, by: f64| (f * by.clamp(-0.5, 0.5).exp()).clamp(1.0, top_hz);
        match parameter {
            Parameter::Gain => self.gain_db = (self.gain_db + by).clamp(-150.0, 80.0),
            Parameter::Delay => self.delay_s += by * 1e-3,
            Parameter::EdgeFrequency(pass) => {
                let (edge, other) = match pass {
                    Pass::High => (&mut self.high_pass, &self.low_pass),
                    Pass::Low => (&mut self.low_pass, &self.high_pass),
                };
                if let Some(edge) = edge {
                    let to_hz = reach.edge_hz(pass, moved(edge.frequency_hz, by));
                    // Edges do not pass one another, but for two of first order: only the gain tells which is which.
                    let other = other.filter(|other| edge.order + other.order > 2);
                    edge.frequency_hz = match (pass, other) {
                        (_, None) => to_hz,
                        (Pass::High, Some(other)) => to_hz.min(other.frequency_hz),
                        (Pass::Low, Some(other)) => to_hz.max(other.frequency_hz),
                    };
                }
            }
            Parameter::SectionFrequency(i) => {
                let (low_hz, high_hz) = reach.hz;
                self.sections[i].frequency_hz =
                    moved(self.sections[i].frequency_hz, by).clamp(low_hz, high_hz.max(low_hz));
            }
            Parameter::SectionGain(i) => {
                self.sections[i].gain_db =
                    (self.sections[i].gain_db + by.clamp(-6.0, 6.0)).clamp(-MOST_GAIN_DB, MOST_GAIN_DB);
            }
            Parameter::SectionQ(i) => {
                self.sections[i].q =
                    (self.sections[i].q * by.clamp(-0.7, 0.7).exp()).clamp(Q_RANGE.0, Q_RANGE.1);
            }
            Parameter::AllPassFrequency(i) => {
                self.all_passes[i].frequency_hz = moved(self.all_passes[i].frequency_hz, by);
            }
            Parameter::AllPassQ(i) => {
                if let Some(q) = &mut self.all_passes[i].q {
                    *q = (*q * by.clamp(-0.7, 0.7).exp()).clamp(0.1, 20.0);
                }
            }
        }
    }

    /// `∂ ln H / ∂ parameter` at the frequencies, one row a parameter, in the measures of [`Self::step`].
    pub(super) fn log_slopes(&self, parameters: &[Parameter], frequency_hz: &[f64]) -> Vec<Vec<Complex64>> {
        let warp = Warp::new(self.rate_hz);
        let tangents: Vec<f64> = frequency_hz.iter().map(|&f| warp.tangent(f)).collect();
        let section_rows: Vec<Vec<[Complex64; 3]>> = self
            .sections
            .iter()
            .map(|s| tangents.iter().copied().map(s.log_jacobian_by_tangent(self.rate_hz)).collect())
            .collect();
        let pick = |i: usize, k: usize| section_rows[i].iter().map(|row| row[k]).collect();
        parameters
            .iter()
            .map(|&parameter| match parameter {
                Parameter::Gain => vec![Complex64::from(1.0 / DB_PER_NEPER); frequency_hz.len()],
                Parameter::Delay => {
                    frequency_hz.iter().map(|&f| Complex64::new(0.0, -2.0 * PI * f * 1e-3)).collect()
                }
                Parameter::EdgeFrequency(pass) => self.edge_slope(pass, &tangents),
                Parameter::SectionFrequency(i) => pick(i, 0),
                Parameter::SectionGain(i) => pick(i, 1),
                Parameter::SectionQ(i) => pick(i, 2),
                Parameter::AllPassFrequency(i) | Parameter::AllPassQ(i) => {
                    let all_pass = self.all_passes[i];
                    let corner = warp.tangent(all_pass.frequency_hz);
                    // t falls as the corner rises.
                    let by_ln_f = -warp.log_slope(all_pass.frequency_hz);
                    let slope = |tangent: f64| {
                        let (by_ln_t, by_ln_q) = all_pass.log_slopes(tangent / corner);
                        let frequency = matches!(parameter, Parameter::AllPassFrequency(_));
                        Complex64::new(0.0, if frequency { by_ln_f * by_ln_t } else { by_ln_q })
                    };
                    tangents.iter().map(|&t| slope(t)).collect()
                }
            })
            .collect()
    }

    fn edge_slope(&self, pass: Pass, tangents: &[f64]) -> Vec<Complex64> {
        let Some(edge) = self.edges().find(|edge| edge.pass == pass) else {
            return vec![Complex64::ZERO; tangents.len()];
        };
        let warp = Warp::new(self.rate_hz);
        let stages = crossover_stages(edge).unwrap_or_default();
        let corner = warp.tangent(edge.frequency_hz);
        let by_ln_corner = -warp.log_slope(edge.frequency_hz);
        let slope = |tangent: &f64| {
            stages.iter().map(|stage| stage.log_slope(tangent / corner)).sum::<Complex64>() * by_ln_corner
        };
        tangents.iter().map(slope).collect()
    }
}

/// A band edge of a family and order; `None` for an order that the family does not have.
pub(super) fn edge(pass: Pass, family: CrossoverFamily, order: u8, frequency_hz: f64) -> Option<Crossover> {
    let edge = Crossover { pass, family, order, frequency_hz };
    crossover_stages(&edge).is_ok().then_some(edge)
}

/// A peaking band to begin a fit with.
pub(super) fn bell(frequency_hz: f64, gain_db: f64, q: f64) -> Section {
    Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two routes to one number: the complex response and its slopes, and levels alone.
    #[test]
    fn levels_alone_agree_with_the_response() {
        let mut model = ChannelModel { gain_db: -3.0, ..ChannelModel::flat(48_000.0) };
        model.high_pass = edge(Pass::High, CrossoverFamily::LinkwitzRiley, 8, 90.0);
        model.low_pass = edge(Pass::Low, CrossoverFamily::Butterworth, 3, 3_000.0);
        let shelf = |kind, frequency_hz| Section { kind, frequency_hz, gain_db: 4.0, q: 0.7 };
        model.sections = vec![
            bell(400.0, -5.0, 2.0),
            shelf(SectionKind::LowShelf, 60.0),
            shelf(SectionKind::HighShelf, 9_000.0),
        ];
        let hz = [15.0, 40.0, 150.0, 430.0, 2_500.0, 19_000.0];
        let warp = Warp::new(model.rate_hz);
        let squares: Vec<f64> = hz.iter().map(|&f| warp.tangent(f).powi(2)).collect();
        let parameters = model.parameters(false);
        let levels = super::super::level::ln_levels(&model, &squares);
        let slopes = super::super::level::ln_level_slopes(&model, &parameters, &squares);
        let complex = model.log_slopes(&parameters, &hz);
        for (i, h) in model.minimum_phase(&hz).iter().enumerate() {
            // Sums of a dozen terms of order one: 1e-10 leaves room for rounding.
            assert!((levels[i] - h.norm().ln()).abs() < 1e-10, "{} Hz", hz[i]);
            for k in 0..parameters.len() {
                assert!((slopes[k][i] - complex[k][i].re).abs() < 1e-10, "{:?} at {}", parameters[k], hz[i]);
            }
        }
    }

    /// Central differences with h = 1e-5: h² of curvature plus rounding stays under 1e-6.
    #[test]
    fn slopes_match_differences() {
        let mut model = ChannelModel::flat(48_000.0);
        model.high_pass = edge(Pass::High, CrossoverFamily::LinkwitzRiley, 4, 90.0);
        model.low_pass = edge(Pass::Low, CrossoverFamily::Butterworth, 3, 3_000.0);
        model.sections = vec![bell(400.0, -5.0, 2.0)];
        model.all_passes = vec![
            AllPass { frequency_hz: 300.0, q: Some(0.7), order: 2 },
            AllPass { frequency_hz: 900.0, q: None, order: 1 },
        ];
        let hz = [40.0, 150.0, 430.0, 2_500.0, 9_000.0];
        let parameters = model.parameters(true);
        let rows = model.log_slopes(&parameters, &hz);
        for (parameter, row) in parameters.iter().zip(&rows) {
            let h = 1e-5;
            let (mut up, mut down) = (model.clone(), model.clone());
            up.step(*parameter, h, &Reach::ALL);
            down.step(*parameter, -h, &Reach::ALL);
            let (up, down) = (up.responses(&hz), down.responses(&hz));
            for i in 0..hz.len() {
                let expected = (up[i] / down[i]).ln() / (2.0 * h);
                assert!(
                    (expected - row[i]).norm() < 1e-6,
                    "{parameter:?} at {}: {expected} {}",
                    hz[i],
                    row[i]
                );
            }
        }
    }

    #[test]
    fn all_passes_keep_the_level_and_turn_by_their_order() {
        for (q, order, at_corner) in
            [(None, 1, Complex64::new(0.0, -1.0)), (Some(1.3), 2, Complex64::from(-1.0))]
        {
            let all_pass = AllPass { frequency_hz: 500.0, q, order };
            assert!((all_pass.at(500.0, 48_000.0) - at_corner).norm() < 1e-12);
            assert!((all_pass.at(77.0, 48_000.0).norm() - 1.0).abs() < 1e-12);
        }
    }
}
