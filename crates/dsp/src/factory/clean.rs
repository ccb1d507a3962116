//! The highest clean volume: distortion of a tone while the volume is turned up step by step.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;
use serde::Serialize;

use crate::spectrum::{RealTransform, fast_length, hann};

/// One volume step, as heard.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Step {
    /// Where its steady part begins in the recording.
    pub from_s: f64,
    /// How long that lasts.
    pub seconds: f64,
    /// Level of the fundamental; 0 dBFS is a sine that just fills the recording's range.
    pub level_dbfs: f64,
    /// Harmonics up to 20 kHz (or half the sample rate) over the fundamental.
    pub thd_percent: f64,
    /// All that is not the fundamental over all.
    pub thd_n_percent: f64,
}

/// What a stepped tone tells.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CleanVolume {
    /// The tone.
    pub frequency_hz: f64,
    /// Every step, in the order it was heard.
    pub steps: Vec<Step>,
    /// The last step before distortion first goes beyond the limit, as an index; none when the first one does.
    pub highest: Option<usize>,
    /// Level of the fundamental at which distortion reaches the limit; none when no step goes beyond it.
    pub limit_level_dbfs: Option<f64>,
}

/// Levels are looked at this often.
const HOP_S: f64 = 0.05;
/// A step lasts at least this long.
const SHORTEST_STEP_S: f64 = 0.5;
/// Within a step the level stays within this, against its middle.
const STEADY_DB: f64 = 0.2;
/// A volume step changes the level by at least this.
const LEAST_STEP_DB: f64 = 0.4;
/// What is looked at of each step; more tells nothing new.
const LOOKED_AT_S: f64 = 1.0;
/// Softer than the loudest step by this much is no step.
const QUIET_DB: f64 = 70.0;
/// Harmonics are counted up to here.
const HIGHEST_HARMONIC_HZ: f64 = 20_000.0;

/// Finds the steps of a tone in `samples` and what distorts them; the limit is in per cent of THD, as of
/// IEC 60268-3 (harmonics over fundamental; from memory).
///
/// `None` when no tone that steps or stays is heard.
pub fn clean_volume(samples: &[f64], rate_hz: f64, limit_percent: f64) -> Option<CleanVolume> {
    let plateaus = plateaus(samples, rate_hz);
    let loudest = plateaus.iter().copied().max_by(|a, b| a.level_db.total_cmp(&b.level_db))?;
    let rough_hz = strongest_hz(&samples[loudest.from..loudest.to], rate_hz)?;
    let mut steps: Vec<Step> = Vec::new();
    let mut tones: Vec<Tone> = Vec::new();
    for plateau in plateaus.iter().filter(|p| p.level_db > loudest.level_db - QUIET_DB) {
        let middle = (plateau.from + plateau.to) / 2;
        let half = (((plateau.to - plateau.from) / 2) as f64).min(LOOKED_AT_S * rate_hz / 2.0) as usize;
        let piece = &samples[middle - half..middle + half];
        let Some(tone) = Tone::of(piece, rate_hz, rough_hz) else { continue };
        let step = Step {
            from_s: plateau.from as f64 / rate_hz,
            seconds: (plateau.to - plateau.from) as f64 / rate_hz,
            level_dbfs: 20.0 * tone.fundamental().log10(),
            thd_percent: 100.0 * tone.thd(),
            thd_n_percent: 100.0 * tone.rest,
        };
        // The same step again, after a click or a pause.
        match steps.last_mut() {
            Some(last)
                if (last.level_dbfs - step.level_dbfs).abs() < LEAST_STEP_DB && {
                    // A limiter holds the level while distortion grows: that is another step.
                    (last.thd_percent - step.thd_percent).abs() < 0.1 * last.thd_percent.max(0.1)
                } =>
            {
                last.seconds = step.from_s + step.seconds - last.from_s;
            }
            _ => {
                steps.push(step);
                tones.push(tone);
            }
        }
    }
    let first = steps.first()?;
    let frequency_hz = tones.first().map_or(rough_hz, |tone| tone.hz);
    let beyond = steps.iter().position(|step| step.thd_percent > limit_percent);
    let highest = match beyond {
        Some(at) => at.checked_sub(1),
        None => Some(steps.len() - 1),
    };
    let limit_level_dbfs = beyond.and_then(|at| {
        let loud = steps[at].level_dbfs;
        let below = highest.map_or(first.level_dbfs - 20.0, |h| steps[h].level_dbfs);
        let level = tones[at].level_at_limit(0.01 * limit_percent)?;
        // A limiter may make the louder step the softer one; otherwise the limit lies between the two.
        Some(if below < loud { level.clamp(below, loud) } else { level })
    });
    Some(CleanVolume { frequency_hz, steps, highest, limit_level_dbfs })
}

#[derive(Debug, Clone, Copy)]
struct Plateau {
    from: usize,
    to: usize,
    level_db: f64,
}

/// Stretches over which the level holds.
fn plateaus(samples: &[f64], rate_hz: f64) -> Vec<Plateau> {
    let hop = (HOP_S * rate_hz) as usize;
    let levels: Vec<f64> = samples
        .windows(2 * hop.max(1))
        .step_by(hop.max(1))
        .map(|frame| {
            let n = frame.len() as f64;
            let mean = frame.iter().sum::<f64>() / n;
            let power = frame.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
            10.0 * power.max(1e-20).log10()
        })
        .collect();
    let mut found = Vec::new();
    let mut first = 0;
    while first < levels.len() {
        let mut sorted = vec![levels[first]];
        let mut after = first + 1;
        while after < levels.len() {
            let middle = sorted[sorted.len() / 2];
            if (levels[after] - middle).abs() > STEADY_DB {
                break;
            }
            let place = sorted.partition_point(|l| *l < levels[after]);
            sorted.insert(place, levels[after]);
            after += 1;
        }
        // The first and the last frame may hold the turning of the knob.
        if (after - first) as f64 * HOP_S >= SHORTEST_STEP_S + 4.0 * HOP_S {
            let level_db = sorted[sorted.len() / 2];
            found.push(Plateau { from: (first + 2) * hop, to: (after - 1) * hop, level_db });
            first = after;
        } else {
            first += 1;
        }
    }
    found
}

/// The strongest frequency of a piece, to a fraction of a bin.
fn strongest_hz(piece: &[f64], rate_hz: f64) -> Option<f64> {
    let plan = RealTransform::new(fast_length(4 * piece.len()));
    let windowed: Vec<f64> = piece.iter().zip(hann(piece.len())).map(|(x, w)| x * w).collect();
    let bins = plan.forward(&windowed);
    let lowest = (10.0 / rate_hz * plan.length() as f64) as usize;
    let peak = (lowest..bins.len()).max_by(|&a, &b| bins[a].norm_sqr().total_cmp(&bins[b].norm_sqr()))?;
    (bins[peak].norm() > 0.0).then(|| peak as f64 * rate_hz / plan.length() as f64)
}

/// A distorted tone.
struct Tone {
    hz: f64,
    /// Amplitude and phase of each harmonic, the fundamental first; phases count from the piece's first sample.
    harmonics: Vec<Complex64>,
    /// All that is not the fundamental over all, rms.
    rest: f64,
    /// The output over one half turn of the fundamental, from its crest to its trough.
    half_turn: Vec<f64>,
}

/// Places between crest and trough at which the transfer curve is kept.
const CURVE_PLACES: usize = 96;

impl Tone {
    /// `None` where the piece is no tone near `rough_hz`.
    fn of(piece: &[f64], rate_hz: f64, rough_hz: f64) -> Option<Self> {
        let mut hz = rough_hz;
        let half = piece.len() / 2;
        // The phase by which the second half is ahead of the first tells the frequency, better each time.
        for _ in 0..4 {
            let early = component(&piece[..half], rate_hz, hz);
            let late = component(&piece[half..2 * half], rate_hz, hz);
            let expected = 2.0 * PI * hz * half as f64 / rate_hz;
            let ahead = (late * early.conj() * Complex64::cis(-expected)).arg();
            hz += ahead * rate_hz / (2.0 * PI * half as f64);
        }
        if !(0.9..1.1).contains(&(hz / rough_hz)) {
            return None;
        }
        let count = (HIGHEST_HARMONIC_HZ.min(0.49 * rate_hz) / hz).floor().max(1.0) as usize;
        let harmonics: Vec<Complex64> =
            (1..=count).map(|k| component(piece, rate_hz, hz * k as f64)).collect();
        let fundamental = harmonics[0];
        let (mut all, mut rest, mut weights, mut mean) = (0.0, 0.0, 0.0, 0.0);
        for (x, w) in piece.iter().zip(hann(piece.len())) {
            mean += w * x;
            weights += w;
        }
        mean /= weights;
        let mut sums = vec![(0.0, 0.0); CURVE_PLACES + 1];
        for (n, (x, w)) in piece.iter().zip(hann(piece.len())).enumerate() {
            let turn = (hz * n as f64 / rate_hz).fract() * 2.0 * PI;
            let tone = (fundamental * Complex64::cis(turn)).re;
            all += w * (x - mean).powi(2);
            rest += w * (x - mean - tone).powi(2);
            let theta = (turn + fundamental.arg()).rem_euclid(2.0 * PI);
            let folded = if theta > PI { 2.0 * PI - theta } else { theta };
            let place = folded / PI * CURVE_PLACES as f64;
            let (low, share) = (place.floor() as usize, place.fract());
            // Each sample counts for the two places next to it.
            for (i, weight) in [(low, 1.0 - share), ((low + 1).min(CURVE_PLACES), share)] {
                sums[i].0 += w * weight * (x - mean);
                sums[i].1 += w * weight;
            }
        }
        // A tone is mostly its fundamental, however hard it clips.
        if all <= 0.0 || rest > 0.5 * all || !all.is_finite() {
            return None;
        }
        let known: Vec<(f64, f64)> = sums
            .iter()
            .enumerate()
            .filter(|(_, (_, weight))| *weight > 1e-9)
            .map(|(i, (sum, weight))| (i as f64, sum / weight))
            .collect();
        let half_turn = (0..=CURVE_PLACES).map(|i| straight(&known, i as f64)).collect();
        Some(Self { hz, harmonics, rest: (rest / all).sqrt(), half_turn })
    }

    fn fundamental(&self) -> f64 {
        self.harmonics[0].norm()
    }

    fn thd(&self) -> f64 {
        self.harmonics[1..].iter().map(|h| h.norm_sqr()).sum::<f64>().sqrt() / self.fundamental()
    }

    /// Level of the fundamental at which THD comes to `limit`, predicted from this step's transfer curve.
    ///
    /// The output over a half turn of the input is the curve itself, taken at the cosine of the angle; a softer input
    /// runs through less of it. (A hard clipper's distortion rises too steeply for straight lines between steps.)
    fn level_at_limit(&self, limit: f64) -> Option<f64> {
        let curve = |x: f64| {
            let place = x.clamp(-1.0, 1.0).acos() / PI * CURVE_PLACES as f64;
            let low = (place as usize).min(CURVE_PLACES - 1);
            let share = place - low as f64;
            self.half_turn[low] * (1.0 - share) + self.half_turn[low + 1] * share
        };
        // The curve is symmetrical in time about the crest, so cosines are all there is.
        const TURN: usize = 256;
        let judged = |input: f64| {
            let waves: Vec<f64> =
                (0..TURN).map(|n| curve(input * (PI * (n as f64 + 0.5) / TURN as f64).cos())).collect();
            let cosine = |k: usize| {
                let terms = waves.iter().enumerate();
                terms.map(|(n, y)| y * (PI * k as f64 * (n as f64 + 0.5) / TURN as f64).cos()).sum::<f64>()
                    * 2.0
                    / TURN as f64
            };
            let fundamental = cosine(1);
            let rest: f64 = (2..=24).map(|k| cosine(k).powi(2)).sum();
            (rest.sqrt() / fundamental.abs().max(1e-12), fundamental.abs())
        };
        // From loud to soft until the limit is met; a hundredth of a decibel is fine enough.
        let mut last = judged(1.0);
        if last.0 < limit {
            return Some(20.0 * last.1.log10());
        }
        for hundredth in 1..2_000 {
            let next = judged(10f64.powf(-0.01 * f64::from(hundredth) / 20.0));
            if next.0 <= limit {
                let share = ((last.0 - limit) / (last.0 - next.0).max(1e-12)).clamp(0.0, 1.0);
                return Some(20.0 * (last.1 + share * (next.1 - last.1)).log10());
            }
            last = next;
        }
        None
    }
}

/// Straight line through neighbouring known places.
fn straight(known: &[(f64, f64)], at: f64) -> f64 {
    let after = known.partition_point(|(x, _)| *x < at);
    match (after.checked_sub(1).and_then(|i| known.get(i)), known.get(after)) {
        (Some((x0, y0)), Some((x1, y1))) => y0 + (y1 - y0) * (at - x0) / (x1 - x0),
        (Some((_, y)), None) | (None, Some((_, y))) => *y,
        (None, None) => 0.0,
    }
}

/// Complex amplitude of the tone at `hz`: `Re(a · exp(jωt))`, under a Hann window.
fn component(piece: &[f64], rate_hz: f64, hz: f64) -> Complex64 {
    let turn = Complex64::cis(-2.0 * PI * hz / rate_hz);
    let (mut phasor, mut sum, mut weights) = (Complex64::ONE, Complex64::ZERO, 0.0);
    for (n, (x, w)) in piece.iter().zip(hann(piece.len())).enumerate() {
        // The product of many turns loses nothing that matters when it is set right now and then.
        if n % 1024 == 0 {
            phasor = Complex64::cis(-2.0 * PI * (hz * n as f64 / rate_hz).fract());
        }
        sum += phasor * (w * x);
        weights += w;
        phasor *= turn;
    }
    sum * 2.0 / weights
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    /// A tone through `shape`, its volume turned up by `step_db` each 1.2 s.
    fn turned_up(hz: f64, from_db: f64, step_db: f64, count: usize, shape: impl Fn(f64) -> f64) -> Vec<f64> {
        let length = (1.2 * RATE_HZ) as usize;
        (0..count * length)
            .map(|n| {
                let input = 10f64.powf((from_db + step_db * (n / length) as f64) / 20.0);
                shape(input * (2.0 * PI * hz * n as f64 / RATE_HZ).sin())
            })
            .collect()
    }

    fn expected_thd(name: &str) -> f64 {
        let text = include_str!("../../../../tests/reference/thd.json");
        let table: serde_json::Value = serde_json::from_str(text).unwrap();
        let cases = table["cases"].as_array().unwrap();
        let case = cases.iter().find(|case| case["name"].as_str().unwrap().contains(name)).unwrap();
        case["THD_F_all_pct"].as_f64().unwrap()
    }

    /// tests/reference/thd.json: √(π²/8 − 1) for the square wave, the Fourier series of a sine clipped at −3 dB.
    /// Harmonics above 20 kHz are not counted: 0.1 of a square wave's 48.34 % at 40 Hz. Those that fold back at half the
    /// sample rate move its frequency by a few parts in a million.
    #[test]
    fn closed_forms_are_met() {
        for (name, shape, allowed) in [
            ("square", (|x: f64| 0.5 * x.signum()) as fn(f64) -> f64, 0.15),
            ("at -3 dB", |x: f64| x.clamp(-0.5, 0.5), 0.02),
        ] {
            let input_db = 20.0 * (0.5f64 * 10f64.powf(3.0 / 20.0)).log10();
            let heard = clean_volume(&turned_up(40.1, input_db, 0.0, 1, shape), RATE_HZ, 1.0).unwrap();
            let step = heard.steps[0];
            let expected = expected_thd(name);
            assert!((step.thd_percent - expected).abs() < allowed, "{name}: {} {expected}", step.thd_percent);
            assert!((heard.frequency_hz - 40.1).abs() < 1e-3, "{}", heard.frequency_hz);
        }
    }

    /// The figures asked: the right step, and the 1 % level within 0.5 dB, for hard and soft clipping, steps of 1 to
    /// 3 dB, at 40 Hz and 1 kHz. The truth is found by bisection over single tones, to 0.01 dB.
    #[test]
    fn the_highest_clean_step_is_found() {
        type Shape = fn(f64) -> f64;
        let shapes: [(&str, Shape); 3] = [
            ("hard", |x| x.clamp(-0.4, 0.4)),
            ("soft", |x| 0.4 * (x / 0.4).tanh()),
            ("cubic", |x| {
                let y = x.clamp(-0.6, 0.6) / 0.6;
                0.6 * (y - y.powi(3) / 3.0)
            }),
        ];
        for (name, shape) in shapes {
            for (hz, step_db, from_db) in [(1_000.3, 3.0, -40.2), (1_000.0, 1.0, -25.4), (40.0, 2.0, -34.7)] {
                let thd_at = |db: f64| {
                    let tone = turned_up(997.3, db, 0.0, 1, shape);
                    let piece = Tone::of(&tone[..48_000], RATE_HZ, 997.3).unwrap();
                    (piece.thd(), 20.0 * piece.fundamental().log10())
                };
                let (mut clean, mut dirty) = (-60.0, 0.0);
                for _ in 0..14 {
                    let middle = 0.5 * (clean + dirty);
                    if thd_at(middle).0 < 0.01 { clean = middle } else { dirty = middle }
                }
                let count = ((clean - from_db) / step_db).floor() as usize + 4;
                let heard =
                    clean_volume(&turned_up(hz, from_db, step_db, count, shape), RATE_HZ, 1.0).unwrap();
                let right = ((clean - from_db) / step_db).floor() as usize;
                assert_eq!(heard.highest, Some(right), "{name}, {hz} Hz, {step_db} dB: {:?}", heard.steps);
                let error_db = heard.limit_level_dbfs.unwrap() - thd_at(clean).1;
                assert!(error_db.abs() < 0.5, "{name}, {hz} Hz, {step_db} dB: {error_db} dB");
            }
        }
    }

    #[test]
    fn noise_and_silence_are_no_steps() {
        assert_eq!(clean_volume(&vec![0.0; 96_000], RATE_HZ, 1.0), None);
        assert_eq!(clean_volume(&[], RATE_HZ, 1.0), None);
        let mut state = 1u64;
        let noise: Vec<f64> = (0..96_000)
            .map(|_| {
                // Knuth's MMIX generator.
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as f64 / f64::from(1u32 << 31) - 0.5
            })
            .collect();
        assert_eq!(clean_volume(&noise, RATE_HZ, 1.0), None);
    }
}
