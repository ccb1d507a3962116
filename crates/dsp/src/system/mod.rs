//! Several speakers that play as one: how their bands join, and all settings refined together.

#[cfg(test)]
mod fixtures;
pub mod join;
mod refine;
mod taps;

pub use refine::{Freedom, Refined, refine};
pub use taps::{FEWEST_TAPS, Tapped, taps};

use crate::filter::ChannelFilter;
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

/// What is judged by itself: one side playing, or both, heard at the places of one seat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scene {
    /// How many places its average is over.
    pub places: usize,
    /// What its distance from the aim weighs beside the others'; not negative.
    pub weight: f64,
    /// Scenes with the same number are held against the aim at one level, as the sides of a seat are.
    pub level: usize,
}

/// All channels at all places, in every scene.
#[derive(Debug, Clone, PartialEq)]
pub struct System {
    /// The frequencies of [`Bins::standard`].
    pub frequency_hz: Vec<f64>,
    /// The channels.
    pub speakers: Vec<Speaker>,
    /// The left side plays, the right side plays, perhaps both; again for another seat.
    pub scenes: Vec<Scene>,
    /// Power is smoothed over 1/N octave.
    pub smoothing_per_octave: f64,
}

/// What the average over places is to be, on a grid even in octaves; only its shape counts, at one level for scenes of one
/// number.
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
    fn weights(&self, scenes: &[Scene]) -> Vec<f64> {
        let inside = |scene: usize, f: f64| match self.spans_hz.get(scene) {
            Some((low_hz, high_hz)) => (*low_hz..=*high_hz).contains(&f),
            None => true,
        };
        let all: Vec<f64> = scenes
            .iter()
            .enumerate()
            .flat_map(|(number, scene)| {
                let weight = move |f: &f64| if inside(number, *f) { scene.weight } else { 0.0 };
                self.frequency_hz.iter().map(weight)
            })
            .collect();
        let total: f64 = all.iter().sum();
        all.into_iter().map(|w| w / total.max(f64::MIN_POSITIVE)).collect()
    }
}

impl System {
    fn speaker(&self, name: &str) -> Option<usize> {
        self.speakers.iter().position(|it| it.name == name)
    }

    /// The filters of the channels, at the system's frequencies; `None` where a setting makes no filter.
    fn gains(&self, tune: &Tune) -> Option<Vec<Vec<Complex>>> {
        self.speakers
            .iter()
            .map(|speaker| match tune.channels.iter().find(|it| it.name == speaker.name) {
                Some(channel) => {
                    Some(ChannelFilter::new(channel, tune.sample_rate_hz).ok()?.responses(&self.frequency_hz))
                }
                None => Some(vec![Complex::new(1.0, 0.0); self.frequency_hz.len()]),
            })
            .collect()
    }

    /// `[scene][place][bin]`: the complex sum over channels.
    fn sums(&self, gains: &[Vec<Complex>]) -> Vec<Vec<Vec<Complex>>> {
        let silence = |places: usize| vec![vec![Complex::new(0.0, 0.0); self.frequency_hz.len()]; places];
        self.scenes
            .iter()
            .enumerate()
            .map(|(scene, it)| {
                let mut sum = silence(it.places);
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
        let each = 1.0 / places.len().max(1) as f64;
        for place in places {
            mean.iter_mut().zip(place).for_each(|(mean, sum)| *mean += each * sum.norm_sqr());
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
            let each = 1.0 / heard.len() as f64;
            for (heard, sum) in heard.iter().zip(&sums[scene]) {
                for ((share, heard), sum) in share.iter_mut().zip(heard).zip(sum) {
                    *share += sum.conj() * heard * each;
                }
            }
            share.iter_mut().zip(gain).for_each(|(share, gain)| *share *= gain);
            share
        };
        (0..self.scenes.len())
            .map(|scene| self.speakers.iter().zip(gains).map(|(it, gain)| share(scene, it, gain)).collect())
            .collect()
    }

    /// Takes the weighted mean of scenes of one level out of values over scenes and points: that level is free.
    fn centre(&self, values: &mut [f64], weights: &[f64]) {
        let points = values.len() / self.scenes.len().max(1);
        let levels = self.scenes.iter().map(|it| it.level + 1).max().unwrap_or(0);
        let mut sums = vec![(0.0, 0.0); levels];
        for (i, (value, weight)) in values.iter().zip(weights).enumerate() {
            let (sum, total) = &mut sums[self.scenes[i / points].level];
            *sum += weight * value;
            *total += weight;
        }
        for (i, value) in values.iter_mut().enumerate() {
            let (sum, total) = sums[self.scenes[i / points].level];
            *value -= sum / total.max(f64::MIN_POSITIVE);
        }
    }

    /// Rms distance of the averages from the aim; infinite where a setting makes no filter.
    pub fn error_db(&self, aim: &Aim, tune: &Tune) -> f64 {
        self.gains(tune).map_or(f64::INFINITY, |gains| self.error_of(aim, &gains))
    }

    fn error_of(&self, aim: &Aim, gains: &[Vec<Complex>]) -> f64 {
        self.rms_of(aim, &self.away_db(aim, gains))
    }

    /// As [`System::error_db`] with one place after the other left out of every scene, for an interval by the jackknife;
    /// empty where a setting makes no filter or the scenes do not have the same number of places.
    pub fn errors_without_each_db(&self, aim: &Aim, tune: &Tune) -> Vec<f64> {
        let count = self.scenes.first().map_or(0, |it| it.places);
        let alike = self.scenes.iter().all(|it| it.places == count);
        let Some(gains) = self.gains(tune).filter(|_| alike && count > 1) else { return Vec::new() };
        let sums = self.sums(&gains);
        let without = |left_out: usize| {
            let others = |places: &Vec<Vec<Complex>>| -> Vec<Vec<Complex>> {
                places.iter().enumerate().filter(|(i, _)| *i != left_out).map(|it| it.1.clone()).collect()
            };
            self.rms_of(aim, &self.away_of(aim, &sums.iter().map(others).collect::<Vec<_>>()))
        };
        (0..count).map(without).collect()
    }

    /// For each scene and point, the average's distance from the aim at its level.
    fn away_db(&self, aim: &Aim, gains: &[Vec<Complex>]) -> Vec<f64> {
        self.away_of(aim, &self.sums(gains))
    }

    fn away_of(&self, aim: &Aim, sums: &[Vec<Vec<Complex>>]) -> Vec<f64> {
        let of_scene = |places: &Vec<Vec<Complex>>| {
            let power = self.smooth(&self.mean_power(places), &aim.frequency_hz);
            let away = |(p, aim): (f64, &f64)| 10.0 * p.max(1e-30).log10() - aim;
            power.into_iter().zip(&aim.level_db).map(away).collect::<Vec<f64>>()
        };
        let mut away_db: Vec<f64> = sums.iter().flat_map(of_scene).collect();
        self.centre(&mut away_db, &aim.weights(&self.scenes));
        away_db
    }

    fn rms_of(&self, aim: &Aim, away_db: &[f64]) -> f64 {
        let weights = aim.weights(&self.scenes);
        away_db.iter().zip(&weights).map(|(away, weight)| weight * away * away).sum::<f64>().sqrt()
    }
}
