//! What is minimised, and its slopes in closed form.

use std::f64::consts::{LN_10, TAU};

use nalgebra::{DMatrix, DVector};

use super::settings::{Setting, get};
use crate::filter::ChannelFilter;
use crate::spectrum::Complex;
use crate::system::{Aim, System};
use crate::tune::{ChannelTune, Tune};

/// Large gains for little are not wanted: a decibel of gain of one band weighs as much as this many decibels of rms.
const GAIN_WEIGHT: f64 = 0.012;
/// Bands of a channel are not to raise anything together by more than one of them may: a decibel beyond weighs as much
/// as this many decibels of rms. As much of a limit as it is where a channel is corrected by itself.
const EXCESS_WEIGHT: f64 = 0.5;

/// Residuals in decibels, one for each scene and frequency of the aim, each scaled so that their squares add up to the
/// mean square; then a little for each gain, and what each channel's bands raise beyond `most_boost_db`.
pub(super) fn residuals(
    system: &System,
    aim: &Aim,
    tune: &Tune,
    settings: &[Setting],
    most_boost_db: f64,
    slopes: Option<&mut DMatrix<f64>>,
) -> DVector<f64> {
    let Some(gains) = system.gains(tune) else {
        // A setting that makes no filter: as bad as can be, so that it is not taken.
        return DVector::from_element(1, 1e9);
    };
    let sums = system.sums(&gains);
    let points = aim.frequency_hz.len();
    let count = system.scenes.len() * points;
    let bands = settings.iter().filter(|it| matches!(it, Setting::Band(_, _, 1))).count();
    let excess = excess_db(tune, aim, most_boost_db);
    let mut residual = DVector::zeros(count + bands + excess.len());
    let mut smooth = Vec::with_capacity(system.scenes.len());
    for (scene, places) in sums.iter().enumerate() {
        let power = system.smooth(&system.mean_power(places), &aim.frequency_hz);
        for (i, p) in power.iter().enumerate() {
            residual[scene * points + i] = 10.0 * p.max(1e-30).log10() - aim.level_db[i];
        }
        smooth.push(power);
    }
    let weights = aim.weights(&system.scenes);
    let centre = |column: &mut [f64]| {
        system.centre(column, &weights);
        column.iter_mut().zip(&weights).for_each(|(r, w)| *r *= w.sqrt());
    };
    centre(&mut residual.as_mut_slice()[..count]);
    let gain_rows = settings
        .iter()
        .enumerate()
        .filter(|(_, it)| matches!(it, Setting::Band(_, _, 1)))
        .map(|(column, it)| (column, get(tune, *it)));
    for (row, (_, gain_db)) in gain_rows.clone().enumerate() {
        residual[count + row] = GAIN_WEIGHT * gain_db;
    }
    for (row, (_, excess_db)) in excess.iter().enumerate() {
        residual[count + bands + row] = EXCESS_WEIGHT * excess_db;
    }
    let Some(slopes) = slopes else { return residual };

    *slopes = DMatrix::zeros(residual.len(), settings.len());
    for (column, setting) in settings.iter().enumerate() {
        if let Setting::Band(c, s, coordinate) = *setting
            && let Some((at_hz, _)) = excess.get(c).filter(|it| it.1 > 0.0)
        {
            let by = tune.channels[c].sections[s].log_jacobian(*at_hz, tune.sample_rate_hz)[coordinate];
            slopes[(count + bands + c, column)] = EXCESS_WEIGHT * 20.0 / LN_10 * by.re;
        }
    }
    for (row, (column, _)) in gain_rows.enumerate() {
        slopes[(count + row, column)] = GAIN_WEIGHT;
    }
    let shares = system.shares(&sums, &gains);
    let mut moved = vec![0.0; system.frequency_hz.len()];
    let mut section_slopes = SectionSlopes { of: None, slopes: Vec::new() };
    for (column, setting) in settings.iter().enumerate() {
        let (channel, by) = section_slopes.log_slope(system, tune, *setting);
        let Some(speaker) = system.speaker(&tune.channels[channel].name) else { continue };
        for scene in 0..system.scenes.len() {
            let share = &shares[scene][speaker];
            if share.is_empty() {
                continue;
            }
            for ((moved, share), by) in moved.iter_mut().zip(share).zip(&by) {
                *moved = 2.0 * (share * by).re;
            }
            let change = system.smooth(&moved, &aim.frequency_hz);
            for (i, (change, power)) in change.iter().zip(&smooth[scene]).enumerate() {
                slopes[(scene * points + i, column)] = 10.0 / LN_10 * change / power.max(1e-30);
            }
        }
        centre(&mut slopes.column_mut(column).as_mut_slice()[..count]);
    }
    residual
}

/// For each channel, where its bands together raise most, and by how much more than `most_boost_db`; 0 where they do not.
fn excess_db(tune: &Tune, aim: &Aim, most_boost_db: f64) -> Vec<(f64, f64)> {
    // A band of Q 6 is four of these points wide.
    let hz: Vec<f64> = aim.frequency_hz.iter().copied().step_by(2).collect();
    let of = |channel: &ChannelTune| {
        let bands = ChannelTune { sections: channel.sections.clone(), ..ChannelTune::default() };
        let levels = ChannelFilter::new(&bands, tune.sample_rate_hz).map(|filter| filter.levels_db(&hz));
        let most = hz.iter().copied().zip(levels.unwrap_or_default()).max_by(|a, b| a.1.total_cmp(&b.1));
        most.map_or((0.0, 0.0), |(at_hz, db)| (at_hz, (db - most_boost_db).max(0.0)))
    };
    tune.channels.iter().map(of).collect()
}

/// The slopes of one section, which come three together.
struct SectionSlopes {
    of: Option<(usize, usize)>,
    slopes: Vec<[Complex; 3]>,
}

impl SectionSlopes {
    /// The slope of a channel's logarithm over one of its settings, at the system's frequencies.
    fn log_slope(&mut self, system: &System, tune: &Tune, setting: Setting) -> (usize, Vec<Complex>) {
        let hz = &system.frequency_hz;
        match setting {
            Setting::Gain(c) => (c, vec![Complex::new(LN_10 / 20.0, 0.0); hz.len()]),
            Setting::Delay(c) => (c, hz.iter().map(|f| Complex::new(0.0, -1e-3 * TAU * f)).collect()),
            Setting::Band(c, s, coordinate) => {
                if self.of != Some((c, s)) {
                    let section = tune.channels[c].sections[s];
                    let slopes = |f: &f64| section.log_jacobian(*f, tune.sample_rate_hz);
                    (self.of, self.slopes) = (Some((c, s)), hz.iter().map(slopes).collect());
                }
                (c, self.slopes.iter().map(|it| it[coordinate]).collect())
            }
        }
    }
}
