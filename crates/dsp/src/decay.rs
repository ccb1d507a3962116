//! How a cabin dies away.

use serde::{Deserialize, Serialize};

/// Decay times by ISO 3382-1, each the time for 60 dB at the slope found; `None` where the noise leaves too little range.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct DecayTimes {
    /// Early decay time, from 0 to −10 dB.
    pub edt_s: Option<f64>,
    /// From −5 to −25 dB.
    pub t20_s: Option<f64>,
    /// From −5 to −35 dB.
    pub t30_s: Option<f64>,
}

/// Energy decay in dB after the largest sample, 0 dB at the start (Schroeder 1965, backward integration).
///
/// `impulse` may be filtered to a band. The noise at its end, measured over the last tenth, is taken out of the
/// integral, which stops where the decay meets it and goes no lower than the noise lies below the start. One value per
/// sample from the largest on; empty for silence.
pub fn energy_decay_db(impulse: &[f64]) -> Vec<f64> {
    let Some((start, _)) = impulse.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) else {
        return Vec::new();
    };
    let power: Vec<f64> = impulse[start..].iter().map(|x| x * x).collect();
    let tail = &power[power.len() - (power.len() / 10).max(1)..];
    let noise = if power.len() < 20 { 0.0 } else { tail.iter().sum::<f64>() / tail.len() as f64 };
    let (end, range_db) = meets_noise(&power, noise);
    let mut sum = 0.0;
    let mut decay: Vec<f64> = power[..end]
        .iter()
        .rev()
        .map(|p| {
            sum += p - noise;
            sum
        })
        .collect();
    decay.reverse();
    let Some(&whole) = decay.first().filter(|w| **w > 0.0) else { return Vec::new() };
    decay
        .iter()
        .take_while(|d| **d > 0.0)
        .map(|d| 10.0 * (d / whole).log10())
        .take_while(|d| *d >= -range_db)
        .collect()
}

/// The sample from which short-time power stays within 3 dB of the noise, and how far the noise lies below the
/// loudest short time.
fn meets_noise(power: &[f64], noise: f64) -> (usize, f64) {
    let block = (power.len() / 200).max(16);
    let blocks: Vec<f64> =
        power.chunks(block).map(|samples| samples.iter().sum::<f64>() / samples.len() as f64).collect();
    let end = blocks
        .iter()
        .rposition(|p| *p > 2.0 * noise)
        .map_or(power.len(), |last| ((last + 1) * block).min(power.len()));
    let loudest = blocks.iter().copied().fold(0.0, f64::max);
    (end, if noise > 0.0 { 10.0 * (loudest / noise).log10() } else { f64::INFINITY })
}

/// Decay times of an impulse response, full-range or filtered to a band.
///
/// A straight line is fitted by least squares to the energy decay over each range. As ISO 3382-1 asks, a range is used
/// only where the decay goes on to at least 10 dB below it.
pub fn decay_times(impulse: &[f64], rate_hz: f64) -> DecayTimes {
    let decay_db = energy_decay_db(impulse);
    let time = |from_db: f64, to_db: f64| {
        let first = decay_db.iter().position(|d| *d <= from_db)?;
        let last = decay_db.iter().position(|d| *d < to_db)?;
        decay_db.iter().position(|d| *d < to_db - 10.0)?;
        let fall_db_per_sample = -slope(&decay_db[first..last.max(first + 2)])?;
        (fall_db_per_sample > 0.0).then(|| 60.0 / (fall_db_per_sample * rate_hz))
    };
    DecayTimes { edt_s: time(0.0, -10.0), t20_s: time(-5.0, -25.0), t30_s: time(-5.0, -35.0) }
}

/// Least-squares slope per sample.
fn slope(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    let centre = (n - 1.0) / 2.0;
    let (xy, xx) = values.iter().enumerate().fold((0.0, 0.0), |(xy, xx), (i, y)| {
        let x = i as f64 - centre;
        (xy + x * y, xx + x * x)
    });
    (xx > 0.0).then(|| xy / xx)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bands::{Band, Width};
    use rand::{RngExt, SeedableRng};

    /// tests/reference/room_acoustics.json, `ideal_decay`: `h = e^(−6.9078 t / T)` has T20 = T30 = EDT = T.
    #[test]
    fn an_ideal_decay_has_one_time() {
        for (seconds, noise) in [(0.1, 0.0), (0.4, 0.0), (0.1, 1e-4)] {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
            let impulse: Vec<f64> = (0..48_000)
                .map(|n| {
                    let sign = if random.random::<bool>() { 1.0 } else { -1.0 };
                    sign * (-6.907_755 * n as f64 / 48_000.0 / seconds).exp()
                        + noise * (random.random::<f64>() - 0.5)
                })
                .collect();
            let times = decay_times(&impulse, 48_000.0);
            // Noise 90 dB down, taken out of the integral: 1 % of the slope.
            for time in [times.edt_s, times.t20_s, times.t30_s] {
                assert!((time.unwrap() / seconds - 1.0).abs() < 0.01, "{times:?} for {seconds} s");
            }
        }
    }

    #[test]
    fn noise_that_is_too_loud_is_not_called_a_decay() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let impulse: Vec<f64> = (0..48_000)
            .map(|n| (-6.9 * n as f64 / 4800.0).exp() + 0.1 * (random.random::<f64>() - 0.5))
            .collect();
        let times = decay_times(&impulse, 48_000.0);
        assert!(times.edt_s.is_some());
        assert_eq!(times.t30_s, None);
        assert_eq!(decay_times(&[0.0; 100], 48_000.0), DecayTimes::default());
        assert_eq!(decay_times(&[], 48_000.0), DecayTimes::default());
    }

    /// Samples of a mono float32 WAV file, by its chunks.
    fn float_wav(bytes: &[u8]) -> (f64, Vec<f64>) {
        let word = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
        let (mut at, mut rate_hz) = (12, 0.0);
        loop {
            let length = word(at + 4) as usize;
            match &bytes[at..at + 4] {
                b"fmt " => rate_hz = f64::from(word(at + 12)),
                b"data" => {
                    let data = bytes[at + 8..at + 8 + length].chunks_exact(4);
                    return (
                        rate_hz,
                        data.map(|b| f64::from(f32::from_le_bytes(b.try_into().unwrap()))).collect(),
                    );
                }
                _ => {}
            }
            at += 8 + length.next_multiple_of(2);
        }
    }

    /// tests/reference/room_acoustics.json, `decay_times` of a measured living room (tests/measured/living_room.wav,
    /// public domain), transcribed from the tests of the open Python package acoustics 0.2.6, whose own tolerance is
    /// ±1.5 s: coarse. T30 of the octaves is therefore also held to a factor of 2, which is ours.
    #[test]
    fn a_measured_room_decays_as_published() {
        let table: serde_json::Value =
            serde_json::from_str(include_str!("../../../tests/reference/room_acoustics.json")).unwrap();
        let (rate_hz, impulse) = float_wav(include_bytes!("../../../tests/measured/living_room.wav"));
        let mut checked = 0;
        for row in table["decay_times"].as_array().unwrap() {
            if row["file"] != "living_room_1.wav" || row["quantity"] == "t10" {
                continue;
            }
            let width = if row["bands"] == "octave" { Width::Octave } else { Width::ThirdOctave };
            let edge = |key: &str, way: f64| row[key].as_f64().unwrap() * 1.1f64.powf(way);
            let bands = Band::centred_within(width, edge("f_low", -1.0), edge("f_high", 1.0));
            let published = row["seconds"].as_array().unwrap();
            assert_eq!(bands.len(), published.len());
            for (band, expected) in bands.iter().zip(published) {
                let expected = expected.as_f64().unwrap();
                let times = decay_times(&band.filter(&impulse, rate_hz), rate_hz);
                let (got, t30) = match row["quantity"].as_str().unwrap() {
                    "edt" => (times.edt_s, false),
                    "t20" => (times.t20_s, false),
                    _ => (times.t30_s, width == Width::Octave),
                };
                let Some(got) = got else { continue };
                assert!(
                    (got - expected).abs() < 1.5,
                    "{} {band:?}: {got} against {expected}",
                    row["quantity"]
                );
                if t30 {
                    assert!((0.5..2.0).contains(&(got / expected)), "{band:?}: {got} against {expected}");
                }
                checked += 1;
            }
        }
        assert!(checked > 60, "only {checked} decay times could be read");
    }
}
