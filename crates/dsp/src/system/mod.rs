//! Several speakers that play as one: how their bands join, and all settings refined together.

pub mod join;
mod refine;

pub use refine::{Freedom, Refined, refine};

use crate::spectrum::{Bins, Complex};
use crate::tune::Tune;

/// One channel, as it is heard without its processor settings.
#[derive(Debug, Clone, PartialEq)]
pub struct Speaker {
    /// The channel's name in the tune.
    pub name: String,
    /// `[scene][place][bin]`; a scene in which it is silent is empty.
    pub heard: Vec<Vec<Vec<Complex>>>,
}

/// All channels at all places, in every scene: the left side plays, the right side plays.
#[derive(Debug, Clone, PartialEq)]
pub struct System {
    /// The frequencies of [`Bins::standard`].
    pub frequency_hz: Vec<f64>,
    /// The channels.
    pub speakers: Vec<Speaker>,
    /// How many scenes there are.
    pub scenes: usize,
    /// What each place weighs in the average; they add up to 1.
    pub place_weights: Vec<f64>,
    /// Power is smoothed over 1/N octave.
    pub smoothing_per_octave: f64,
}

/// What the average over places is to be, on a grid even in octaves; only its shape counts, one level for all scenes.
#[derive(Debug, Clone, PartialEq)]
pub struct Aim {
    /// The grid.
    pub frequency_hz: Vec<f64>,
    /// The target's shape on it.
    pub level_db: Vec<f64>,
    /// For each scene, the part of the grid that counts; empty for all of it.
    pub spans_hz: Vec<(f64, f64)>,
}

impl Aim {
    /// Weight of each scene and point, adding up to 1.
    fn weights(&self, scenes: usize) -> Vec<f64> {
        let inside = |scene: usize, f: f64| match self.spans_hz.get(scene) {
            Some((low_hz, high_hz)) => (*low_hz..=*high_hz).contains(&f),
            None => true,
        };
        let all: Vec<f64> = (0..scenes)
            .flat_map(|scene| {
                self.frequency_hz.iter().map(move |f| if inside(scene, *f) { 1.0 } else { 0.0 })
            })
            .collect();
        let total: f64 = all.iter().sum::<f64>().max(1.0);
        all.into_iter().map(|w| w / total).collect()
    }
}

impl System {
    fn speaker(&self, name: &str) -> Option<usize> {
        self.speakers.iter().position(|it| it.name == name)
    }

    fn gains(&self, tune: &Tune) -> Option<Vec<Vec<Complex>>> {
        refine::gains(self, tune)
    }

    /// `[scene][place][bin]`: the complex sum over channels.
    fn sums(&self, gains: &[Vec<Complex>]) -> Vec<Vec<Vec<Complex>>> {
        let silence =
            || vec![vec![Complex::new(0.0, 0.0); self.frequency_hz.len()]; self.place_weights.len()];
        (0..self.scenes)
            .map(|scene| {
                let mut sum = silence();
                for (speaker, gain) in self.speakers.iter().zip(gains) {
                    for (sum, heard) in sum.iter_mut().zip(speaker.heard.get(scene).into_iter().flatten()) {
                        for ((sum, heard), gain) in sum.iter_mut().zip(heard).zip(gain) {
                            *sum += heard * gain;
                        }
                    }
                }
                sum
            })
            .collect()
    }

    fn mean_power(&self, places: &[Vec<Complex>]) -> Vec<f64> {
        let mut mean = vec![0.0; self.frequency_hz.len()];
        for (place, weight) in places.iter().zip(&self.place_weights) {
            mean.iter_mut().zip(place).for_each(|(mean, sum)| *mean += weight * sum.norm_sqr());
        }
        mean
    }

    fn smooth(&self, power: &[f64], at_hz: &[f64]) -> Vec<f64> {
        Bins::standard().smooth_signed(power, at_hz, self.smoothing_per_octave)
    }

    /// `[scene][speaker][bin]`: mean over places of the conjugate sum times the channel's share in it.
    fn shares(&self, sums: &[Vec<Vec<Complex>>], gains: &[Vec<Complex>]) -> Vec<Vec<Vec<Complex>>> {
        let share = |scene: usize, speaker: &Speaker, gain: &[Complex]| -> Vec<Complex> {
            let Some(heard) = speaker.heard.get(scene).filter(|it| !it.is_empty()) else { return Vec::new() };
            let mut share = vec![Complex::new(0.0, 0.0); gain.len()];
            for ((heard, sum), weight) in heard.iter().zip(&sums[scene]).zip(&self.place_weights) {
                for ((share, heard), sum) in share.iter_mut().zip(heard).zip(sum) {
                    *share += sum.conj() * heard * *weight;
                }
            }
            share.iter_mut().zip(gain).for_each(|(share, gain)| *share *= gain);
            share
        };
        (0..self.scenes)
            .map(|scene| self.speakers.iter().zip(gains).map(|(it, gain)| share(scene, it, gain)).collect())
            .collect()
    }

    /// Rms distance of the averages from the aim, all scenes at one level; infinite where a setting makes no filter.
    pub fn error_db(&self, aim: &Aim, tune: &Tune) -> f64 {
        let Some(gains) = self.gains(tune) else { return f64::INFINITY };
        let levels_db = self.sums(&gains).into_iter().flat_map(|places| {
            let power = self.smooth(&self.mean_power(&places), &aim.frequency_hz);
            let away = |(p, aim): (f64, &f64)| 10.0 * p.max(1e-30).log10() - aim;
            power.into_iter().zip(&aim.level_db).map(away).collect::<Vec<f64>>()
        });
        let weights = aim.weights(self.scenes);
        let (mut mean, mut square) = (0.0, 0.0);
        for (away_db, weight) in levels_db.zip(&weights) {
            mean += weight * away_db;
            square += weight * away_db * away_db;
        }
        (square - mean * mean).max(0.0).sqrt()
    }
}
