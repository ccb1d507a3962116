//! A tape measure against the arrivals.

use dsp::air::speed_of_sound_m_s;
use dsp::align::{Confidence, arrival};

use crate::cabin::CabinCurves;

/// A tape along a dashboard is good to this.
const TAPE_M: f64 = 0.08;

/// One sentence for each channel whose arrival and tape measure disagree.
///
/// The arrival of a direct sound counts from the processor's signal, and a processor waits alike on every channel: only
/// differences between channels are compared.
pub fn cross_check(cabin: &CabinCurves, tape_m: &[(String, f64)], temperature_c: Option<f64>) -> Vec<String> {
    let speed_m_s = speed_of_sound_m_s(temperature_c.unwrap_or(20.0));
    let measured: Vec<(&str, f64, f64)> = tape_m
        .iter()
        .filter_map(|(name, by_tape_m)| {
            let at = cabin.channel(name)?.positions.first()?;
            at.arrival_ms?;
            let found = arrival(&at.impulse, at.rate_hz).ok()?;
            // A subwoofer's arrival tells nothing to the centimetre.
            let sharp = found.confidence > Confidence::Low && found.band.high_hz > 1000.0;
            sharp.then_some((name.as_str(), *by_tape_m, found.time_s * speed_m_s))
        })
        .collect();
    let mut apart: Vec<f64> = measured.iter().map(|(_, tape, sound)| sound - tape).collect();
    apart.sort_by(f64::total_cmp);
    let Some(&common_m) = apart.get(apart.len() / 2) else { return Vec::new() };
    measured
        .iter()
        .filter(|(_, tape, sound)| (sound - tape - common_m).abs() > TAPE_M)
        .map(|(name, tape, sound)| {
            format!(
                "{name}: its sound comes from {:.2} m by its arrival and from {tape:.2} m by tape measure. Measure again; \
                 a reflection may have been taken for the speaker.",
                sound - common_m
            )
        })
        .collect()
}
