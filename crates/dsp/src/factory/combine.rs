//! Joining factory outputs into one full-range signal.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;
use serde::Serialize;

use super::channel::{ChannelFinding, Sure};
use super::model::{AllPass, DB_PER_NEPER};
use super::response::LineResponse;

/// One output as the plan uses it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Use {
    /// Which output, as an index into the findings.
    pub output: usize,
    /// Level trim that makes it meet its neighbour at the crossover.
    pub gain_db: f64,
    /// Delay that brings it level with the latest output.
    pub delay_ms: f64,
    /// Turn it over.
    pub invert: bool,
    /// All-passes to add: those of the other outputs, so that all turn alike and the sum keeps its level.
    pub all_passes: Vec<AllPass>,
}

/// An output that stays out of the sum, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// Which output.
    pub output: usize,
    /// Plain words.
    pub reason: String,
}

/// How the outputs are summed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// In order of their bands, lowest first.
    pub uses: Vec<Use>,
    /// The rest.
    pub left_out: Vec<LeftOut>,
    /// What stands in the way of a flat sum.
    pub remarks: Vec<String>,
}

/// Outputs whose bands coincide by more than this share (in octaves) carry the same part of the music.
const SAME_BAND: f64 = 0.7;

/// Plans the sum of outputs that were measured on one time base.
///
/// `names` serves the remarks. Polarity and delay come from the findings; gains are those of the filters found, and
/// where these explain an output less well, what makes neighbours equal at the place where their band edges cross.
pub fn plan(findings: &[ChannelFinding], responses: &[LineResponse], names: &[String]) -> Plan {
    let mut order: Vec<usize> = (0..findings.len()).collect();
    let middle = |i: usize| (findings[i].band_hz.0 * findings[i].band_hz.1).sqrt();
    order.sort_by(|&a, &b| middle(a).total_cmp(&middle(b)));

    let mut left_out = Vec::new();
    let mut kept: Vec<usize> = Vec::new();
    for &i in &order {
        let twin = kept.iter().position(|&j| overlap(&findings[i], &findings[j]) > SAME_BAND);
        match twin {
            None => kept.push(i),
            Some(place) => {
                let other = kept[place];
                let width = |k: usize| (findings[k].band_hz.1 / findings[k].band_hz.0).log2();
                // The wider of the two carries the band; the louder where they are equally wide.
                let better =
                    (width(i), findings[i].level_db) > (width(other) + 0.2, findings[other].level_db);
                let (use_, drop) = if better { (i, other) } else { (other, i) };
                kept[place] = use_;
                left_out.push(LeftOut {
                    output: drop,
                    reason: format!(
                        "{} carries the same band as {}; one of the two is enough",
                        names[drop], names[use_]
                    ),
                });
            }
        }
    }

    let latest_s = kept.iter().map(|&i| findings[i].model.delay_s).fold(f64::NEG_INFINITY, f64::max);
    let everywhere: Vec<(usize, AllPass)> =
        kept.iter().flat_map(|&i| findings[i].model.all_passes.iter().map(move |a| (i, *a))).collect();
    let mut remarks = Vec::new();
    let mut uses: Vec<Use> = Vec::new();
    for (place, &i) in kept.iter().enumerate() {
        let gain_db = match place {
            0 => 0.0,
            _ => {
                let below = kept[place - 1];
                let (step_db, gap) = joint(&findings[below], &findings[i], &responses[below], &responses[i]);
                if let Some((from, to)) = gap {
                    remarks.push(format!(
                        "between {} and {} there is a gap from {from:.0} to {to:.0} Hz that no gain, polarity or delay closes",
                        names[below], names[i]
                    ));
                }
                uses[place - 1].gain_db + step_db
            }
        };
        uses.push(Use {
            output: i,
            gain_db,
            delay_ms: (latest_s - findings[i].model.delay_s) * 1e3,
            invert: findings[i].model.inverted,
            all_passes: everywhere.iter().filter(|(owner, _)| *owner != i).map(|(_, a)| *a).collect(),
        });
    }
    turn_to_join(&mut uses, findings, names, &mut remarks);
    // Nothing is turned up: the loudest need stays where it is.
    let most = uses.iter().map(|u| u.gain_db).fold(f64::NEG_INFINITY, f64::max);
    uses.iter_mut().for_each(|u| u.gain_db -= most);
    for (owner, all_pass) in &everywhere {
        if kept.len() > 1 {
            remarks.push(format!(
                "{} holds an all-pass at {:.0} Hz: give the same all-pass to the other outputs of the sum, and the bands join; an FIR of enough taps can undo it instead",
                names[*owner], all_pass.frequency_hz
            ));
        }
    }
    Plan { uses, left_out, remarks }
}

/// Turns an output over where that joins it to the one below by far better: slopes of 12 and 36 dB per octave are made
/// to be joined that way.
fn turn_to_join(uses: &mut [Use], findings: &[ChannelFinding], names: &[String], remarks: &mut Vec<String>) {
    for place in 1..uses.len() {
        let (below, above) = uses.split_at(place);
        let (Some(lower), Some(upper)) = (below.last(), above.first()) else { continue };
        let models = [lower, upper].map(|used| &findings[used.output].model);
        let joint_hz = (findings[lower.output].band_hz.1 * findings[upper.output].band_hz.0).sqrt();
        let hz = crate::curve::log_grid_hz(joint_hz / 1.5, joint_hz * 1.5, 24.0);
        let as_used = |used: &Use, model: &super::model::ChannelModel| -> Vec<Complex64> {
            // Delays are taken out as the plan does, so that only the filters' own phase is left.
            let bare = super::model::ChannelModel {
                delay_s: 0.0,
                inverted: model.inverted != used.invert,
                ..model.clone()
            };
            let gain = (used.gain_db / DB_PER_NEPER).exp();
            let turn = |f: f64| used.all_passes.iter().map(|a| a.at(f, model.rate_hz)).product::<Complex64>();
            bare.responses(&hz).into_iter().zip(&hz).map(|(h, &f)| h * gain * turn(f)).collect()
        };
        let (low, high) = (as_used(lower, models[0]), as_used(upper, models[1]));
        let mean_db = |sign: f64| {
            let levels =
                low.iter().zip(&high).map(|(a, b)| DB_PER_NEPER * (a + b * sign).norm().max(1e-9).ln());
            levels.sum::<f64>() / hz.len() as f64
        };
        if mean_db(-1.0) > mean_db(1.0) + BETTER_TURNED_DB {
            remarks.push(format!(
                "{} and {} join only with one of them turned over, as the slopes found there are made for",
                names[lower.output], names[upper.output]
            ));
            uses[place].invert = !uses[place].invert;
        }
    }
}

/// A joint must gain this much in the mean to be turned over against the polarity found.
const BETTER_TURNED_DB: f64 = 2.0;

/// Shared octaves over the narrower one's.
fn overlap(a: &ChannelFinding, b: &ChannelFinding) -> f64 {
    let (low, high) = (a.band_hz.0.max(b.band_hz.0), a.band_hz.1.min(b.band_hz.1));
    let width = |c: &ChannelFinding| (c.band_hz.1 / c.band_hz.0).log2();
    (high / low).log2().max(0.0) / width(a).min(width(b)).max(1e-9)
}

/// Gain of the upper output over the lower one, and a gap between the two where there is one.
fn joint(
    lower: &ChannelFinding,
    upper: &ChannelFinding,
    lower_response: &LineResponse,
    upper_response: &LineResponse,
) -> (f64, Option<(f64, f64)>) {
    let (end, start) = (lower.band_hz.1, upper.band_hz.0);
    let centre = (end * start).sqrt();
    let gap = (start > 1.5 * end).then_some((end, start));
    // Level that each would have without its own band edge, where both are heard.
    let bare = |finding: &ChannelFinding, response: &LineResponse, hz: f64| -> Option<f64> {
        let i = response.frequency_hz.partition_point(|&f| f < hz);
        let at = *response.frequency_hz.get(i)?;
        if (at / hz).log2().abs() > 0.1 {
            return None;
        }
        let edge = finding.model.edge_responses(&[at])[0].norm();
        (edge > 0.02).then(|| DB_PER_NEPER * (response.value[i].norm() / edge).ln())
    };
    let differences: Vec<f64> = crate::curve::log_grid_hz(centre / 1.6, centre * 1.6, 12.0)
        .into_iter()
        .filter_map(|hz| Some(bare(lower, lower_response, hz)? - bare(upper, upper_response, hz)?))
        .collect();
    // Where both are explained well, their broad-band gains are known whatever equalisation lies at the joint.
    let explained = |finding: &ChannelFinding| finding.confidence.shape == Sure::High;
    let met = (!differences.is_empty()).then(|| differences.iter().sum::<f64>() / differences.len() as f64);
    let step = match met {
        _ if explained(lower) && explained(upper) => lower.model.gain_db - upper.model.gain_db,
        Some(met) => met,
        None => lower.level_db - upper.level_db,
    };
    (step, gap)
}

impl Plan {
    /// The sum at `frequency_hz`, each output from `response(output, f)`; all-passes run at `rate_hz`.
    pub fn sum(
        &self,
        frequency_hz: &[f64],
        rate_hz: f64,
        response: impl Fn(usize, usize) -> Complex64,
    ) -> Vec<Complex64> {
        let at = |(k, &f): (usize, &f64)| {
            self.uses
                .iter()
                .map(|used| {
                    let gain = (used.gain_db / DB_PER_NEPER).exp() * if used.invert { -1.0 } else { 1.0 };
                    let added: Complex64 = used.all_passes.iter().map(|a| a.at(f, rate_hz)).product();
                    response(used.output, k) * gain * added * Complex64::cis(-2e-3 * PI * f * used.delay_ms)
                })
                .sum()
        };
        frequency_hz.iter().enumerate().map(at).collect()
    }
}
