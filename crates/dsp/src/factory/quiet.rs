//! Noise and hum of an output while nothing plays.

use serde::Serialize;

use crate::spectrum::{RealTransform, fast_length, hann};

/// One line of hum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HumLine {
    /// A multiple of the mains frequency.
    pub frequency_hz: f64,
    /// Its level; 0 dBFS is a sine that just fills the recording's range.
    pub level_dbfs: f64,
}

/// What is heard while nothing plays.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Quiet {
    /// Everything, rms, on the same scale.
    pub level_dbfs: f64,
    /// 50 or 60 where there is hum.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mains_hz: Option<f64>,
    /// Its lines, lowest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub hum: Vec<HumLine>,
}

/// A line must rise this far above the noise around it.
const LINE_DB: f64 = 12.0;
/// Multiples of the mains frequency that are looked at.
const MULTIPLES: usize = 12;
/// Mains frequency wanders by less than this.
const WANDER_HZ: f64 = 0.6;

/// Noise and hum in `samples` at `rate_hz`; at least half a second of them.
pub fn quiet(samples: &[f64], rate_hz: f64) -> Option<Quiet> {
    if (samples.len() as f64) < 0.5 * rate_hz {
        return None;
    }
    let n = samples.len();
    let mean = samples.iter().sum::<f64>() / n as f64;
    let power = samples.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n as f64;
    let windowed: Vec<f64> = samples.iter().zip(hann(n)).map(|(x, w)| (x - mean) * w).collect();
    let plan = RealTransform::new(fast_length(4 * n));
    let bins = plan.forward(&windowed);
    let spacing_hz = rate_hz / plan.length() as f64;
    // A Hann window's own sum is half its length, and a sine has half its amplitude at either side of zero.
    let amplitude = |k: usize| bins.get(k).map_or(0.0, |h| h.norm() * 4.0 / n as f64);
    let loudest = |from_hz: f64, to_hz: f64| {
        ((from_hz / spacing_hz) as usize..=(to_hz / spacing_hz) as usize).map(amplitude).fold(0.0, f64::max)
    };
    let line = |hz: f64| {
        let here = loudest(hz - WANDER_HZ, hz + WANDER_HZ);
        let beside = loudest(hz - 8.0, hz - 4.0).max(loudest(hz + 4.0, hz + 8.0)).max(1e-12);
        let level_dbfs = 20.0 * here.max(1e-12).log10();
        (20.0 * (here / beside).log10() > LINE_DB).then_some(HumLine { frequency_hz: hz, level_dbfs })
    };
    let comb = |mains_hz: f64| -> Vec<HumLine> {
        (1..=MULTIPLES).filter_map(|k| line(k as f64 * mains_hz)).collect()
    };
    let strength = |lines: &[HumLine]| lines.iter().map(|l| 10f64.powf(l.level_dbfs / 10.0)).sum::<f64>();
    let combs = [50.0, 60.0].map(|mains_hz| (mains_hz, comb(mains_hz)));
    let best = combs.into_iter().max_by(|a, b| strength(&a.1).total_cmp(&strength(&b.1)));
    let (mains_hz, hum) =
        best.filter(|(_, lines)| !lines.is_empty()).map_or((None, Vec::new()), |(f, l)| (Some(f), l));
    Some(Quiet { level_dbfs: 10.0 * (2.0 * power).max(1e-24).log10(), mains_hz, hum })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Sines of known level in noise of known level: the lines to 0.5 dB, the whole to 0.2 dB, and none where is none.
    #[test]
    fn hum_is_named_and_noise_alone_is_not() {
        const RATE_HZ: f64 = 48_000.0;
        let mut state = 3u64;
        let mut noise = move || {
            // Knuth's MMIX generator.
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) as f64 / f64::from(1u32 << 31) - 0.5) * 2e-4
        };
        let hiss: Vec<f64> = (0..96_000).map(|_| noise()).collect();
        let alone = quiet(&hiss, RATE_HZ).unwrap();
        // An even distribution over ±1e-4 has an rms of 1e-4/√3.
        assert!((alone.level_dbfs - 20.0 * (1e-4 * (2.0f64 / 3.0).sqrt()).log10()).abs() < 0.2);
        assert_eq!((alone.mains_hz, alone.hum.len()), (None, 0));
        for mains_hz in [50.0, 60.0] {
            let with: Vec<f64> = hiss
                .iter()
                .enumerate()
                .map(|(n, x)| {
                    let t = n as f64 / RATE_HZ;
                    x + 1e-3 * (TAU * (mains_hz + 0.1) * t).sin()
                        + 3e-4 * (TAU * 3.0 * (mains_hz + 0.1) * t).sin()
                })
                .collect();
            let found = quiet(&with, RATE_HZ).unwrap();
            assert_eq!(found.mains_hz, Some(mains_hz));
            let levels: Vec<(f64, f64)> = found.hum.iter().map(|l| (l.frequency_hz, l.level_dbfs)).collect();
            assert_eq!(levels.len(), 2, "{levels:?}");
            assert!((levels[0].1 + 60.0).abs() < 0.5 && (levels[1].1 + 70.46).abs() < 0.5, "{levels:?}");
        }
        assert_eq!(quiet(&hiss[..1_000], RATE_HZ), None);
    }
}
