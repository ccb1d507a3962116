//! Levels of a recording of noise: weighted, in bands, at their highest, and the tones in it.
//!
//! Levels are relative to full scale: 0 dB is the level of a sine that just reaches it, as AES17 counts.

use serde::{Deserialize, Serialize};

use crate::bands::{Band, Width};
use crate::decibel::of_power;
use crate::spectrum::{RealTransform, bin_hz, fast_length};
use crate::weighting::Weighting;

/// Nothing below this is reported; silence has no level.
pub const FLOOR_DB: f64 = -200.0;
/// Lowest frequency that counts, the lower edge of the 10 Hz band.
const LOWEST_HZ: f64 = 8.912_509_381_337_456;
/// Highest, the upper edge of the 20 kHz band.
const HIGHEST_HZ: f64 = 22_387.211_385_683_4;
/// Time constant F of IEC 61672-1.
const FAST_S: f64 = 0.125;

/// One band of noise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BandLevel {
    /// Nominal frequency.
    pub band_hz: f64,
    /// Level in the band.
    pub level_db: f64,
}

/// A tone that stands out of the noise around it, or a family of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tone {
    /// What it probably is.
    pub name: String,
    /// The lowest of the family.
    pub frequency_hz: f64,
    /// Every member found, ascending.
    pub members_hz: Vec<f64>,
    /// Level of the family together.
    pub level_db: f64,
}

/// What a recording of noise holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoiseLevels {
    /// Mean A-weighted level.
    pub a_db: f64,
    /// Mean C-weighted level.
    pub c_db: f64,
    /// Mean level from 10 Hz to 20 kHz.
    pub z_db: f64,
    /// Highest A-weighted level with time weighting F.
    pub a_fast_max_db: f64,
    /// Third-octave bands from 20 Hz to 20 kHz, as far as the rate allows.
    pub third_octave: Vec<BandLevel>,
    /// Tones, the loudest first, ten at most.
    pub tones: Vec<Tone>,
}

/// Why a recording cannot be judged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoiseError {
    /// Too short for the lowest bands.
    #[error("the recording lasts {seconds:.2} s; at least 1 s is needed, and 10 s are right")]
    TooShort {
        /// How long it is.
        seconds: f64,
    },
    /// NaN or infinity.
    #[error("the recording holds values that are not finite numbers")]
    NotFinite,
}

/// Measures a recording, full scale 1.0. `correction_db` is added at each frequency: minus the response of the
/// microphone.
///
/// Powers come from averaged spectra (Welch 1967: raised-cosine windows, half overlapped) of up to 1.4 s, so a band of
/// bandwidth `B` in `T` seconds is known to `4.34 / √(B T)` dB (standard deviation; Bendat and Piersol).
///
/// # Errors
/// [`NoiseError`] for less than a second, or values that are not finite.
pub fn measure(
    signal: &[f64],
    rate_hz: f64,
    correction_db: impl Fn(f64) -> f64,
) -> Result<NoiseLevels, NoiseError> {
    let seconds = signal.len() as f64 / rate_hz;
    if seconds.is_nan() || seconds < 1.0 {
        return Err(NoiseError::TooShort { seconds });
    }
    if signal.iter().any(|x| !x.is_finite()) {
        return Err(NoiseError::NotFinite);
    }
    let (mut power, spacing_hz) = mean_power(signal, rate_hz);
    for (k, p) in power.iter_mut().enumerate() {
        let f = k as f64 * spacing_hz;
        if f >= LOWEST_HZ {
            *p *= 10f64.powf(correction_db(f) / 10.0);
        }
    }
    let level = |weighting: Weighting| {
        let counted = power.iter().enumerate().map(|(k, p)| (k as f64 * spacing_hz, p));
        let sum = counted
            .filter(|(f, _)| (LOWEST_HZ..=HIGHEST_HZ).contains(f))
            .map(|(f, p)| p * 10f64.powf(weighting.level_db(f) / 10.0))
            .sum();
        floored(sum)
    };
    let third_octave = Band::centred_within(Width::ThirdOctave, 19.0, 20_500.0)
        .into_iter()
        .filter(|band| band.upper_hz <= rate_hz / 2.0)
        .map(|band| BandLevel { band_hz: band.nominal_hz, level_db: floored(band.power(&power, spacing_hz)) })
        .collect();
    Ok(NoiseLevels {
        a_db: level(Weighting::A),
        c_db: level(Weighting::C),
        z_db: level(Weighting::Z),
        a_fast_max_db: fast_max_db(signal, rate_hz, &correction_db),
        third_octave,
        tones: tones(&power, spacing_hz),
    })
}

fn floored(power: f64) -> f64 {
    of_power(power).max(FLOOR_DB)
}

/// Mean power in each bin, relative to a full-scale sine, and the spacing of the bins.
fn mean_power(signal: &[f64], rate_hz: f64) -> (Vec<f64>, f64) {
    // Long enough to tell 50 from 60 Hz and from a neighbouring fan; short enough for several averages.
    let length = ((1.4 * rate_hz) as usize).min(signal.len() / 4).max(16).next_multiple_of(2);
    let plan = RealTransform::new(length);
    let window: Vec<f64> =
        (0..length).map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos()).collect();
    let mut power = vec![0.0; plan.bins()];
    let mut count = 0.0;
    for part in signal.windows(length).step_by(length / 2) {
        let mean = part.iter().sum::<f64>() / length as f64;
        let windowed: Vec<f64> = part.iter().zip(&window).map(|(x, w)| (x - mean) * w).collect();
        for (sum, h) in power.iter_mut().zip(plan.forward(&windowed)) {
            *sum += h.norm_sqr();
        }
        count += 1.0;
    }
    // Both halves of the spectrum; twice the mean square, so that a sine of amplitude 1 has power 1.
    let energy = window.iter().map(|w| w * w).sum::<f64>();
    let scale = 4.0 / (length as f64 * energy * count);
    power.iter_mut().for_each(|p| *p *= scale);
    (power, rate_hz / length as f64)
}

/// Highest level with the exponential time weighting F, A-weighted (without phase, which no mean square hears).
fn fast_max_db(signal: &[f64], rate_hz: f64, correction_db: &impl Fn(f64) -> f64) -> f64 {
    let plan = RealTransform::new(fast_length(signal.len() + (0.2 * rate_hz) as usize));
    let mut spectrum = plan.forward(signal);
    for (k, h) in spectrum.iter_mut().enumerate() {
        let f = bin_hz(k, plan.length(), rate_hz);
        *h *= if (LOWEST_HZ..=HIGHEST_HZ).contains(&f) {
            10f64.powf((Weighting::A.level_db(f) + correction_db(f)) / 20.0)
        } else {
            0.0
        };
    }
    let keep = (-1.0 / (FAST_S * rate_hz)).exp();
    let weighted = plan.inverse(&spectrum);
    let (_, most) = weighted.iter().take(signal.len()).fold((0.0, 0.0f64), |(state, most), x| {
        let state = keep * state + (1.0 - keep) * 2.0 * x * x;
        (state, most.max(state))
    });
    floored(most)
}

/// A line counts as a tone from this far above the noise around it; averaged noise stays below 8 dB.
const TONE_DB: f64 = 12.0;
/// Up to this multiple of a mains frequency counts as hum.
const HUM_MEMBERS: usize = 10;

fn tones(power: &[f64], spacing_hz: f64) -> Vec<Tone> {
    let mut lines = lines(power, spacing_hz);
    let mut tones = Vec::new();
    for mains_hz in [50.0, 60.0] {
        let member = |f: f64| {
            let multiple = (f / mains_hz).round();
            let near = (f - multiple * mains_hz).abs() < 1.5 * spacing_hz.max(0.5);
            (multiple >= 1.0 && multiple <= HUM_MEMBERS as f64 && near).then_some(multiple as usize)
        };
        let family: Vec<(f64, f64)> = lines.iter().copied().filter(|(f, _)| member(*f).is_some()).collect();
        // 300 Hz belongs to both: a family needs its own first or second member.
        if !family.iter().any(|(f, _)| member(*f).is_some_and(|m| m <= 2)) {
            continue;
        }
        lines.retain(|(f, _)| member(*f).is_none());
        tones.push(family_of(format!("{mains_hz:.0} Hz mains hum"), &family));
    }
    tones.extend(lines.iter().map(|line| family_of(format!("tone at {:.0} Hz", line.0), &[*line])));
    tones.sort_by(|a, b| b.level_db.total_cmp(&a.level_db));
    tones.truncate(10);
    tones
}

fn family_of(name: String, lines: &[(f64, f64)]) -> Tone {
    Tone {
        name,
        frequency_hz: lines.first().map_or(0.0, |l| l.0),
        members_hz: lines.iter().map(|l| l.0).collect(),
        level_db: floored(lines.iter().map(|l| l.1).sum()),
    }
}

/// Frequency and power of single lines, ascending.
fn lines(power: &[f64], spacing_hz: f64) -> Vec<(f64, f64)> {
    let above = 10f64.powf(TONE_DB / 10.0);
    // The skirts of a line end in rounding; what lies this far under the loudest line is no tone anyone hears.
    let least = 1e-9 * power.iter().copied().fold(0.0, f64::max);
    let mut found = Vec::new();
    let first = (20.0 / spacing_hz).ceil() as usize;
    for k in first.max(2)..power.len().saturating_sub(2) {
        let here = power[k];
        if here <= power[k - 1] || here < power[k + 1] {
            continue;
        }
        // The median of the bins around, without the line itself, whatever the slope of the noise.
        let reach = ((0.1 * k as f64) as usize).clamp(8, 200);
        let mut around: Vec<f64> = (k.saturating_sub(reach)..=(k + reach).min(power.len() - 1))
            .filter(|i| i.abs_diff(k) > 3)
            .map(|i| power[i])
            .collect();
        around.sort_by(f64::total_cmp);
        let noise = around[around.len() / 2];
        if here > above * noise && here > least {
            // The raised-cosine window spreads a line over five bins, in which 1.5 bins of noise are counted with it.
            let total = power[k - 2..=k + 2].iter().sum::<f64>() - 5.0 * noise;
            let centre = (-1i32..=1).map(|d| f64::from(d) * power[(k as i32 + d) as usize]).sum::<f64>()
                / power[k - 1..=k + 1].iter().sum::<f64>();
            found.push(((k as f64 + centre) * spacing_hz, total));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 48_000.0;

    fn sine(frequency_hz: f64, amplitude: f64, seconds: f64) -> Vec<f64> {
        (0..(seconds * RATE_HZ) as usize)
            .map(|n| amplitude * (TAU * frequency_hz * n as f64 / RATE_HZ).sin())
            .collect()
    }

    fn white(rms: f64, seconds: f64, seed: u64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..(seconds * RATE_HZ) as usize).map(|_| rms * 12f64.sqrt() * (rng.random::<f64>() - 0.5)).collect()
    }

    #[test]
    fn a_full_scale_sine_is_zero_decibels_in_every_weighting_at_1_khz() {
        let levels = measure(&sine(1000.0, 1.0, 4.0), RATE_HZ, |_| 0.0).unwrap();
        for level in [levels.a_db, levels.c_db, levels.z_db] {
            // The window's line spans 3 Hz, over which A changes by 0.01 dB.
            assert!(level.abs() < 0.01, "{levels:?}");
        }
        assert!(levels.a_fast_max_db.abs() < 0.05);
        let band = levels.third_octave.iter().max_by(|a, b| a.level_db.total_cmp(&b.level_db)).unwrap();
        assert!(band.band_hz == 1000.0 && band.level_db.abs() < 0.01);
        assert_eq!(levels.tones.len(), 1);
        assert!((levels.tones[0].frequency_hz - 1000.0).abs() < 0.1 && levels.tones[0].level_db.abs() < 0.05);
    }

    #[test]
    fn weightings_apply_at_other_frequencies() {
        for f in [63.095_734, 10_000.0] {
            let levels = measure(&sine(f, 0.1, 4.0), RATE_HZ, |_| 0.0).unwrap();
            assert!((levels.a_db - (-20.0 + Weighting::A.level_db(f))).abs() < 0.02);
            assert!((levels.c_db - (-20.0 + Weighting::C.level_db(f))).abs() < 0.02);
        }
    }

    #[test]
    fn white_noise_fills_thirds_by_their_width() {
        let levels = measure(&white(0.1, 20.0, 3), RATE_HZ, |_| 0.0).unwrap();
        for level in &levels.third_octave {
            let band =
                Band::centred_within(Width::ThirdOctave, level.band_hz * 0.95, level.band_hz * 1.05)[0];
            let width_hz = band.upper_hz - band.lower_hz;
            let expected = 10.0 * (2.0 * 0.01 * width_hz / 24_000.0).log10();
            // Four standard deviations of 4.34 / √(B T), a little more for the windows' overlap.
            let tolerance = 4.0 * 1.2 * 4.343 / (width_hz * 20.0).sqrt();
            assert!((level.level_db - expected).abs() < tolerance, "{level:?} against {expected}");
        }
        assert_eq!(levels.tones, []);
    }

    /// tests/reference/iec61672_weighting.json, `time_weighting`: response of F to tone bursts, computed from IEC 61672-1
    /// equation (8) `10 lg(1 − e^(−T/τ))` (formula from memory); the standard rounds it to 0.1 dB, the tolerance here.
    #[test]
    fn the_fast_maximum_follows_tone_bursts() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/iec61672_weighting.json")).unwrap();
        for row in table["time_weighting"]["toneburst_response"].as_array().unwrap() {
            let burst_ms = row["burst_ms"].as_f64().unwrap();
            if burst_ms < 10.0 {
                continue; // Too few periods of 4 kHz for a filter without phase to keep its edges.
            }
            let mut signal = vec![0.0; (3.0 * RATE_HZ) as usize];
            let burst = sine(4000.0, 1.0, burst_ms / 1000.0);
            signal[48_000..48_000 + burst.len()].copy_from_slice(&burst);
            let level =
                measure(&signal, RATE_HZ, |_| 0.0).unwrap().a_fast_max_db - Weighting::A.level_db(4000.0);
            let expected = row["LAFmax_minus_LA_db"].as_f64().unwrap();
            assert!((level - expected).abs() < 0.1, "{burst_ms} ms: {level} against {expected}");
        }
    }

    #[test]
    fn hum_is_named_and_other_tones_are_not_called_hum() {
        let mut signal = white(1e-4, 10.0, 9);
        for (f, amplitude) in [(50.0, 1e-3), (100.0, 5e-4), (150.0, 8e-4), (737.0, 2e-4)] {
            for (x, tone) in signal.iter_mut().zip(sine(f, amplitude, 10.0)) {
                *x += tone;
            }
        }
        let tones = measure(&signal, RATE_HZ, |_| 0.0).unwrap().tones;
        assert_eq!(tones.len(), 2, "{tones:?}");
        assert_eq!(tones[0].name, "50 Hz mains hum");
        assert_eq!(tones[0].members_hz.len(), 3);
        let expected = 10.0 * (1e-6f64 + 2.5e-7 + 6.4e-7).log10();
        assert!((tones[0].level_db - expected).abs() < 0.2, "{tones:?}");
        assert_eq!(tones[1].name, "tone at 737 Hz");
    }

    #[test]
    fn corrections_shift_levels_and_bad_recordings_are_refused() {
        let tone = sine(1000.0, 0.1, 2.0);
        assert!((measure(&tone, RATE_HZ, |_| 3.0).unwrap().c_db + 17.0).abs() < 0.02);
        assert_eq!(measure(&vec![0.0; 96_000], RATE_HZ, |_| 0.0).unwrap().z_db, FLOOR_DB);
        assert!(matches!(measure(&tone[..1000], RATE_HZ, |_| 0.0), Err(NoiseError::TooShort { .. })));
        assert_eq!(measure(&vec![f64::NAN; 96_000], RATE_HZ, |_| 0.0), Err(NoiseError::NotFinite));
    }
}
