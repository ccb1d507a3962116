//! What stands between every generator and a loudspeaker: the ceiling, the fades, the quiet start, Stop, and the lowest
//! frequency a channel may be given.
//!
//! The limits here are common practice among people who test loudspeakers, with no published source.

mod player;

pub use player::Player;

use crate::rig::{PlayedChannel, RigError, TakeOrder};

/// How long a signal may take to be inaudible after Stop.
pub const STOP_WITHIN_MS: f64 = 50.0;
/// The loudest peak a rig starts with; what is louder is announced by a quiet lead-in.
pub const QUIET_START_DBFS: f64 = -20.0;
/// A take this much louder than all before it is announced too.
pub const LARGEST_STEP_DB: f64 = 10.0;
/// How much quieter than the take its lead-in is.
pub const LEAD_IN_DROP_DB: f64 = 20.0;
/// Length of the lead-in and of the silence after it.
pub const LEAD_IN_S: f64 = 1.0;
/// Silence between lead-in and take, long enough that no lead-in is heard in the recording.
pub const LEAD_IN_PAUSE_S: f64 = 0.6;
/// Within this time from its start and end a signal stays below half of its peak.
const FADE_LEAST_S: f64 = 0.000_5;
/// The first and last sample, relative to the peak.
const EDGE_MOST: f32 = 0.01;
/// Where, relative to the safe frequency, the skirt of a faded start has ended.
const SKIRT: f64 = 0.8;
/// How near what lies below may come to the peak.
const MOST_BELOW_DB: f64 = -30.0;
const LONGEST_TAIL_S: f64 = 600.0;

/// Level of a peak from 0 to 1 in dB below full scale; silence is −200.
pub fn dbfs(peak: f64) -> f64 {
    20.0 * peak.max(1e-10).log10()
}

/// Peak of a level in dB below full scale.
pub fn peak_of_dbfs(level_dbfs: f64) -> f64 {
    10f64.powf(level_dbfs / 20.0)
}

/// Refuses an order that must not reach a device, before a sound is made.
///
/// Every signal is finite, fades in and out, and stays under the ceiling; no output or input is named twice; there is
/// something to record.
///
/// # Errors
/// [`RigError::BadOrder`] with one line that says what would be right.
pub fn check(order: &TakeOrder) -> Result<(), RigError> {
    let bad = |words: String| Err(RigError::BadOrder(words));
    if !(0.0..=LONGEST_TAIL_S).contains(&order.tail_s) {
        return bad(format!("a tail of {} s; give 0 to {LONGEST_TAIL_S} s", order.tail_s));
    }
    if order.play.is_empty() && order.tail_s <= 0.0 {
        return bad("nothing is played and no time is given to record; give one of them".into());
    }
    if order.record_inputs.is_empty() {
        return bad("no input is recorded; name at least one".into());
    }
    if let Some(twice) = twice(order.record_inputs.iter().copied()) {
        return bad(format!("input {} is named twice", twice + 1));
    }
    check_play(order.rate_hz, &order.play, order.ceiling_dbfs)
}

/// The part of [`check`] that is about what is heard.
fn check_play(rate_hz: u32, play: &[PlayedChannel], ceiling_dbfs: f64) -> Result<(), RigError> {
    if ceiling_dbfs.is_nan() || ceiling_dbfs > 0.0 {
        return Err(RigError::BadOrder(format!(
            "a ceiling of {ceiling_dbfs} dBFS cannot be kept; give 0 or less"
        )));
    }
    if let Some(twice) = twice(play.iter().map(|line| line.output)) {
        return Err(RigError::BadOrder(format!("output {} is given two signals", twice + 1)));
    }
    play.iter().try_for_each(|line| {
        check_signal(&line.samples, line.output.saturating_add(1), rate_hz, ceiling_dbfs)
    })
}

fn twice(mut channels: impl Iterator<Item = u16>) -> Option<u16> {
    let mut seen = std::collections::BTreeSet::new();
    channels.find(|channel| !seen.insert(*channel))
}

fn check_signal(samples: &[f32], output: u16, rate_hz: u32, ceiling_dbfs: f64) -> Result<(), RigError> {
    let bad = |words: String| Err(RigError::BadOrder(words));
    if let Some(frame) = samples.iter().position(|sample| !sample.is_finite()) {
        return bad(format!("sample {frame} for output {output} is no finite number"));
    }
    let peak = largest(samples);
    let peak_dbfs = dbfs(f64::from(peak));
    // A hundredth of a decibel absorbs the rounding of a signal that was scaled to the ceiling exactly.
    if peak_dbfs > ceiling_dbfs + 0.01 {
        return bad(format!(
            "the signal for output {output} peaks at {peak_dbfs:.1} dBFS, over the ceiling of {:.1} dBFS; lower its level",
            ceiling_dbfs
        ));
    }
    let edge = ((FADE_LEAST_S * f64::from(rate_hz)) as usize).min(samples.len());
    let ends = [
        (samples.get(..edge), samples.first(), "begins"),
        (samples.get(samples.len() - edge..), samples.last(), "ends"),
    ];
    for (near, outermost, word) in ends {
        let abrupt = outermost.is_some_and(|sample| sample.abs() > EDGE_MOST * peak)
            || near.is_some_and(|near| largest(near) > 0.5 * peak);
        if peak > 0.0 && abrupt {
            return bad(format!(
                "the signal for output {output} {word} abruptly; fade it over at least 1 ms"
            ));
        }
    }
    Ok(())
}

fn largest(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |peak, sample| peak.max(sample.abs()))
}

/// Refuses a signal with energy below the lowest frequency that a channel's speaker stands.
///
/// What lies below 0.8 of `safe_hz` is cut out and must nowhere come within 30 dB of the signal's peak. A sweep that
/// starts at the safe frequency and fades in over four cycles passes; the margin below it is the skirt of that fade.
///
/// # Errors
/// [`RigError::BadOrder`] naming the channel, the level found and what would be right.
pub fn check_band(channel: &str, samples: &[f32], rate_hz: u32, safe_hz: f64) -> Result<(), RigError> {
    let peak = f64::from(largest(samples));
    if peak <= 0.0 {
        return Ok(());
    }
    let length = dsp::spectrum::fast_length(samples.len() + samples.len() / 4 + 1024).next_multiple_of(2);
    let transform = dsp::spectrum::RealTransform::new(length);
    let signal: Vec<f64> = samples.iter().map(|&sample| f64::from(sample)).collect();
    let mut spectrum = transform.forward(&signal);
    let spacing_hz = f64::from(rate_hz) / length as f64;
    let kept = (SKIRT * safe_hz / spacing_hz).ceil().max(0.0) as usize;
    spectrum.iter_mut().skip(kept).for_each(|bin| *bin *= 0.0);
    let below = transform.inverse(&spectrum).iter().fold(0.0, |most: f64, x| most.max(x.abs()));
    let below_db = dbfs(below / peak);
    if below_db.is_nan() || below_db > MOST_BELOW_DB {
        return Err(RigError::BadOrder(format!(
            "the signal for {channel} reaches {below_db:.0} dB of its peak below {:.0} Hz, where its speaker is not safe; \
             start at {safe_hz:.0} Hz or above and fade in over some cycles",
            SKIRT * safe_hz
        )));
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use std::sync::Arc;

    use super::*;

    pub(crate) fn line(output: u16, samples: Vec<f32>) -> PlayedChannel {
        PlayedChannel { output, samples: Arc::new(samples) }
    }

    /// An exponential sweep with raised-cosine fades.
    pub(crate) fn sweep(from_hz: f64, to_hz: f64, seconds: f64, fade_s: f64, peak: f64) -> Vec<f32> {
        let growth = (to_hz / from_hz).ln();
        (0..(seconds * 48_000.0) as usize)
            .map(|n| {
                let t = n as f64 / 48_000.0;
                let phase =
                    std::f64::consts::TAU * from_hz * seconds / growth * ((t / seconds * growth).exp() - 1.0);
                let edge = (t / fade_s).min((seconds - t) / fade_s).min(1.0);
                (peak * phase.sin() * (0.5 - 0.5 * (std::f64::consts::PI * edge).cos())) as f32
            })
            .collect()
    }

    #[test]
    fn an_order_that_must_not_be_heard_is_refused() {
        let faded = sweep(100.0, 1_000.0, 0.5, 0.02, 0.5);
        let abrupt = faded[4_000..20_000].to_vec();
        let cases: [(&[PlayedChannel], f64, &str); 4] = [
            (&[line(0, faded.clone())], -12.0, "over the ceiling of -12.0 dBFS"),
            (&[line(3, abrupt)], 0.0, "output 4 begins abruptly"),
            (&[line(0, faded.clone()), line(0, faded.clone())], 0.0, "output 1 is given two signals"),
            (&[line(0, faded)], f64::NAN, "0 or less"),
        ];
        for (play, ceiling_dbfs, part) in cases {
            let words = Player::new(48_000, play, ceiling_dbfs, None).unwrap_err().to_string();
            assert!(words.contains(part), "{words}");
        }
    }

    #[test]
    fn a_tweeter_gets_nothing_below_its_safe_frequency() {
        let safe_hz = 2_000.0;
        for seconds in [0.7, 3.0, 10.0] {
            // Ten milliseconds are twenty cycles.
            check_band("left tweeter", &sweep(safe_hz, 20_000.0, seconds, 0.01, 0.1), 48_000, safe_hz)
                .unwrap();
            for from_hz in [20.0, 500.0, 1_400.0] {
                let refused = check_band(
                    "left tweeter",
                    &sweep(from_hz, 20_000.0, seconds, 0.05, 0.1),
                    48_000,
                    safe_hz,
                );
                let words = refused.unwrap_err().to_string();
                assert!(words.contains("left tweeter") && words.contains("start at 2000 Hz"), "{words}");
            }
        }
        // A short rumble in a long signal is found too.
        let mut long = sweep(safe_hz, 20_000.0, 20.0, 0.01, 0.1);
        for (n, sample) in long.iter_mut().skip(300_000).take(2_400).enumerate() {
            *sample += 0.1 * (n as f32 * 0.0131).sin();
        }
        assert!(check_band("left tweeter", &long, 48_000, safe_hz).is_err());
        check_band("silent", &[0.0; 100], 48_000, safe_hz).unwrap();
    }
}
