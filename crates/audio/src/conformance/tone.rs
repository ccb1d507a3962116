//! The tone that is played, and what a clock that is off does to it.

use crate::safety::dbfs;

pub(super) const TONE_HZ: f64 = 1000.0;
pub(super) const TONE_DBFS: f64 = -20.0;

/// The tone, faded in and out.
pub(super) fn tone(frames: usize, rate_hz: f64) -> Vec<f32> {
    let fade = 0.02 * rate_hz;
    let peak = 10f64.powf(TONE_DBFS / 20.0);
    (0..frames)
        .map(|n| {
            let edge = (n.min(frames - 1 - n) as f64 / fade).min(1.0);
            let rise = 0.5 - 0.5 * (std::f64::consts::PI * edge).cos();
            (peak * rise * (std::f64::consts::TAU * TONE_HZ * n as f64 / rate_hz).sin()) as f32
        })
        .collect()
}

/// How much slower than played a recorded tone turns, from its phase in two stretches half a second apart, in ppm.
pub(super) fn skew_of_tone_ppm(recorded: &[f64], rate_hz: f64) -> Option<f64> {
    let start = recorded.iter().position(|x| dbfs(x.abs()) > TONE_DBFS - 6.0)?;
    let length = rate_hz as usize;
    let phase = |from: usize| {
        let turn = std::f64::consts::TAU * TONE_HZ / rate_hz;
        let stretch = recorded.get(from..from + length)?;
        // A raised-cosine weight keeps the image of the tone from leaning on the phase.
        let sum = stretch.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, x)| {
            let weight = 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / length as f64).cos();
            let angle = turn * (from + n) as f64;
            (re + weight * x * angle.cos(), im - weight * x * angle.sin())
        });
        Some(f64::atan2(sum.1, sum.0))
    };
    let apart = length / 2;
    let first = phase(start + length / 4)?;
    let moved = phase(start + length / 4 + apart)? - first;
    let turns = moved / std::f64::consts::TAU;
    let turns = turns - turns.round();
    Some(-turns * rate_hz / TONE_HZ / apart as f64 * 1e6)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_skew_of_a_stretched_tone_is_read_off() {
        for skew_ppm in [-400.0, 0.0, 250.0] {
            let rate = 48_000.0 * (1.0 + skew_ppm * 1e-6);
            let tone: Vec<f64> = (0..150_000)
                .map(|n| 0.1 * (std::f64::consts::TAU * TONE_HZ * f64::from(n) / rate).sin())
                .collect();
            let measured = skew_of_tone_ppm(&tone, 48_000.0).expect("a tone");
            assert!((measured - skew_ppm).abs() < 0.5, "{skew_ppm} came out as {measured}");
        }
    }
}
