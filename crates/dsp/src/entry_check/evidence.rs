//! A take against the prediction, with the uncertainty of both.

use std::f64::consts::{PI, TAU};

use super::{EntryCheckError, Taken};
use crate::filter::ChannelFilter;
use crate::spectrum::Complex;
use crate::tune::ChannelTune;

/// Points are gathered in bins of this share of an octave; neighbours closer than that are not independent.
const BINS_PER_OCTAVE: f64 = 24.0;
/// Uncertainty of a curve that says nothing about it: about 40 dB signal-to-noise ratio.
const USUAL_DB: f64 = 0.06;
/// No curve is better than this, whatever it says: filters of processors are rounded too.
const LEAST_DB: f64 = 0.02;
/// Where the prediction lies this far below its highest point there is nothing to be seen.
const DEPTH_DB: f64 = 55.0;
/// Below this signal-to-noise ratio a point is not used.
const LEAST_SNR_DB: f64 = 10.0;
/// Decibels in a neper.
const NEPER_DB: f64 = 8.685_889_638;
/// Delays that are looked for.
const LONGEST_S: f64 = 0.06;

/// One channel's take divided by its prediction, in bins.
pub(super) struct Evidence {
    pub frequency_hz: Vec<f64>,
    /// Measured over predicted: level in dB.
    level_db: Vec<f64>,
    /// The same, phase in radians, without the delay below.
    phase: Option<Vec<f64>>,
    /// Standard deviation of the level; of the phase too, in nepers.
    sigma_db: Vec<f64>,
    /// The delay that was taken out of the phase.
    rough_s: f64,
}

/// How well something explains the take.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    /// Sum of squares in units of the uncertainty.
    pub chi_square: f64,
    /// What the level is off as a whole.
    pub level_db: f64,
    /// What the time is off as a whole, and its standard deviation.
    pub delay_s: Option<(f64, f64)>,
    /// Turned over.
    pub inverted: bool,
}

impl Evidence {
    pub fn new(taken: &Taken, settings: &ChannelTune, rate_hz: f64) -> Result<Self, EntryCheckError> {
        let filter = ChannelFilter::new(settings, rate_hz)
            .map_err(|cause| EntryCheckError::Filter { name: taken.name.clone(), cause })?;
        let predicted = filter.responses(&taken.curve.frequency_hz);
        let highest = predicted.iter().map(|h| h.norm()).fold(0.0, f64::max);
        let mut bins: Vec<Bin> = Vec::new();
        for (i, (&hz, h)) in taken.curve.frequency_hz.iter().zip(&predicted).enumerate() {
            let deep = h.norm() < highest * 10f64.powf(-DEPTH_DB / 20.0);
            if !(20.0..=20_000.0).contains(&hz) || hz > 0.46 * rate_hz || deep {
                continue;
            }
            let Some(point) = Point::new(taken, i, hz) else { continue };
            let number = (hz.log2() * BINS_PER_OCTAVE).floor() as i64;
            if bins.last().is_none_or(|bin| bin.number != number) {
                bins.push(Bin { number, ..Bin::default() });
            }
            if let Some(bin) = bins.last_mut() {
                bin.add(hz, point, *h);
            }
        }
        if bins.len() < 20 {
            return Err(EntryCheckError::TooLittle { name: taken.name.clone(), points: bins.len() });
        }
        let mut evidence = Self {
            frequency_hz: bins.iter().map(|bin| bin.hz).collect(),
            level_db: bins.iter().map(|bin| bin.level_db / bin.count).collect(),
            sigma_db: bins.iter().map(|bin| bin.sigma_db / bin.count).collect(),
            phase: None,
            rough_s: 0.0,
        };
        if bins.iter().all(|bin| bin.turned.is_some()) {
            evidence.find_phase(&bins);
        }
        Ok(evidence)
    }

    pub fn has_phase(&self) -> bool {
        self.phase.is_some()
    }

    pub fn bins(&self) -> usize {
        self.level_db.len()
    }

    /// The delay under which the phases agree best, polarity left open; then the phases without it.
    fn find_phase(&mut self, bins: &[Bin]) {
        let agree = |delay_s: f64, most_hz: f64| -> f64 {
            let sum: Complex = bins
                .iter()
                .zip(&self.frequency_hz)
                .filter(|(_, hz)| **hz <= most_hz)
                .filter_map(|(bin, hz)| Some(bin.turned? * Complex::from_polar(1.0, TAU * hz * delay_s)))
                .sum();
            sum.norm()
        };
        let most_hz = self.frequency_hz.last().copied().unwrap_or(0.0);
        let (mut best_s, mut reach_s) = (0.0, LONGEST_S);
        // Coarse to fine: a step turns the highest frequency that counts by an eighth.
        let mut limit_hz = (16.0 * self.frequency_hz[0]).min(most_hz);
        loop {
            let step_s = 0.125 / limit_hz;
            let count = (reach_s / step_s).ceil() as i64;
            let candidates = (-count..=count).map(|n| best_s + n as f64 * step_s);
            let found = candidates
                .map(|s| (agree(s, limit_hz), s))
                .fold((f64::MIN, best_s), |best, it| if it.0 > best.0 { it } else { best });
            best_s = found.1;
            if limit_hz >= most_hz {
                break;
            }
            // Not narrower than a period of the old limit: the next limit may choose another one.
            reach_s = 1.5 / limit_hz;
            limit_hz = (4.0 * limit_hz).min(most_hz);
        }
        self.rough_s = best_s;
        let phases = bins
            .iter()
            .zip(&self.frequency_hz)
            .filter_map(|(bin, hz)| Some((bin.turned? * Complex::from_polar(1.0, TAU * hz * best_s)).arg()));
        self.phase = Some(phases.collect());
    }

    /// How well the take is explained when the processor's response is the predicted one times `ratio`.
    pub fn fit(&self, ratio: &[Complex]) -> Fit {
        let weight = |sigma_db: &f64| sigma_db.powi(-2);
        let levels: Vec<f64> =
            self.level_db.iter().zip(ratio).map(|(db, r)| db - NEPER_DB * r.norm().max(1e-12).ln()).collect();
        let total: f64 = self.sigma_db.iter().map(weight).sum();
        let offset =
            levels.iter().zip(&self.sigma_db).map(|(db, sigma)| db * weight(sigma)).sum::<f64>() / total;
        let mut chi_square: f64 =
            levels.iter().zip(&self.sigma_db).map(|(db, sigma)| ((db - offset) / sigma).powi(2)).sum();
        let (mut delay_s, mut inverted) = (None, false);
        if let Some(phase) = &self.phase {
            let turned = self.phase_fit(phase, ratio);
            chi_square += turned.0;
            delay_s = Some((self.rough_s + turned.1, turned.2));
            inverted = turned.3;
        }
        Fit { chi_square, level_db: offset, delay_s, inverted }
    }

    /// Sum of squares, delay beyond the rough one, its deviation, and polarity of the phases.
    fn phase_fit(&self, phase: &[f64], ratio: &[Complex]) -> (f64, f64, f64, bool) {
        let left: Vec<f64> = phase.iter().zip(ratio).map(|(p, r)| p - r.arg()).collect();
        let weights: Vec<f64> = self.sigma_db.iter().map(|sigma| (NEPER_DB / sigma).powi(2)).collect();
        let omega: Vec<f64> = self.frequency_hz.iter().map(|hz| TAU * hz).collect();
        let mut best = (f64::INFINITY, 0.0, 0.0, false);
        for inverted in [false, true] {
            let flip = if inverted { PI } else { 0.0 };
            let mut delay_s = 0.0;
            let spread: f64 = omega.iter().zip(&weights).map(|(w, weight)| weight * w * w).sum();
            for _ in 0..6 {
                let slope: f64 = (0..left.len())
                    .map(|k| {
                        weights[k] * omega[k] * wrap(left[k] - flip + omega[k] * delay_s).clamp(-1.0, 1.0)
                    })
                    .sum();
                delay_s -= slope / spread;
            }
            let chi: f64 =
                (0..left.len()).map(|k| weights[k] * wrap(left[k] - flip + omega[k] * delay_s).powi(2)).sum();
            if chi < best.0 {
                best = (chi, delay_s, spread.powf(-0.5), inverted);
            }
        }
        best
    }

    /// Rms of the level beside the prediction and what is expected of it.
    pub fn rms_db(&self) -> (f64, f64) {
        let flat = self.fit(&vec![Complex::new(1.0, 0.0); self.bins()]);
        let count = self.bins() as f64;
        let square: f64 = self.level_db.iter().map(|db| (db - flat.level_db).powi(2)).sum();
        let expected: f64 = self.sigma_db.iter().map(|sigma| sigma * sigma).sum();
        ((square / count).sqrt(), (expected / count).sqrt())
    }

    /// The band in which the level strays most.
    pub fn worst_band_hz(&self) -> (f64, f64) {
        let flat = self.fit(&vec![Complex::new(1.0, 0.0); self.bins()]);
        let stray = |k: usize| ((self.level_db[k] - flat.level_db) / self.sigma_db[k]).abs();
        let worst = (0..self.bins()).max_by(|&a, &b| stray(a).total_cmp(&stray(b))).unwrap_or(0);
        let half = 0.5 * stray(worst);
        let low = (0..=worst).rev().take_while(|&k| stray(k) >= half).last().unwrap_or(worst);
        let high = (worst..self.bins()).take_while(|&k| stray(k) >= half).last().unwrap_or(worst);
        (self.frequency_hz[low], self.frequency_hz[high])
    }
}

fn wrap(angle: f64) -> f64 {
    angle - TAU * (angle / TAU).round()
}

struct Point {
    level_db: f64,
    phase: Option<f64>,
    sigma_db: f64,
}

impl Point {
    fn new(taken: &Taken, i: usize, hz: f64) -> Option<Self> {
        let curve = &taken.curve;
        let at = |values: &Option<Vec<f64>>| values.as_ref().and_then(|it| it.get(i)).copied();
        let mut level_db = *curve.level_db.get(i)?;
        let mut phase = at(&curve.phase_deg).map(f64::to_radians);
        let mut sigma_db = sigma(at(&curve.spread_db), at(&curve.snr_db))?;
        if let Some(before) = &taken.before {
            level_db -= before.level_at_db(hz)?;
            let snr_db = before
                .snr_db
                .as_ref()
                .and_then(|it| crate::curve::interpolate_log(&before.frequency_hz, it, hz));
            sigma_db = sigma_db.hypot(sigma(before.spread_at_db(hz), snr_db)?);
            phase = phase.zip(phase_at(before, hz)).map(|(with, without)| with - without);
        }
        Some(Self { level_db, phase, sigma_db })
    }
}

/// Phase of `curve` at `hz` in radians, along the shorter way between its points.
fn phase_at(curve: &crate::curve::Curve, hz: f64) -> Option<f64> {
    let phases = curve.phase_deg.as_ref()?;
    let above = curve.frequency_hz.partition_point(|&f| f < hz);
    let (f1, p1) = (*curve.frequency_hz.get(above)?, phases.get(above)?.to_radians());
    let Some(below) = above.checked_sub(1).filter(|_| f1 != hz) else { return Some(p1) };
    let (f0, p0) = (*curve.frequency_hz.get(below)?, phases.get(below)?.to_radians());
    Some(p0 + wrap(p1 - p0) * (hz / f0).ln() / (f1 / f0).ln())
}

/// Standard deviation of a level from what its curve says; `None` where it drowns in noise.
fn sigma(spread_db: Option<f64>, snr_db: Option<f64>) -> Option<f64> {
    let noise = match snr_db {
        Some(snr_db) if snr_db < LEAST_SNR_DB => return None,
        Some(snr_db) => Some(NEPER_DB * 10f64.powf(-snr_db / 20.0) / 2f64.sqrt()),
        None => None,
    };
    let spread = spread_db.map(|half_width| half_width / 1.96);
    Some(spread.or(noise).unwrap_or(USUAL_DB).max(LEAST_DB))
}

#[derive(Default)]
struct Bin {
    number: i64,
    count: f64,
    hz: f64,
    level_db: f64,
    sigma_db: f64,
    turned: Option<Complex>,
}

impl Bin {
    fn add(&mut self, hz: f64, point: Point, predicted: Complex) {
        // One point stands for the bin's phase, since within a bin a delay may turn it any number of times.
        if self.count == 0.0 {
            self.hz = hz;
            self.turned = point.phase.map(|phase| Complex::from_polar(1.0, phase - predicted.arg()));
        }
        self.count += 1.0;
        self.level_db += point.level_db - NEPER_DB * predicted.norm().max(1e-12).ln();
        self.sigma_db += point.sigma_db;
    }
}
