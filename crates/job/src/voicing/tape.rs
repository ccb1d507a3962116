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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cabin::{ChannelCurves, PositionCurve};
    use dsp::curve::Curve;
    use garage::Side;

    /// A wide-range click after a flight of `metres` and a processor's 2 ms.
    fn speaker(name: &str, metres: f64) -> ChannelCurves {
        let rate_hz = 48_000.0;
        let mut impulse = vec![0.0; 4096];
        let at = ((metres / speed_of_sound_m_s(20.0) + 0.002) * rate_hz).round() as usize;
        for (n, v) in impulse.iter_mut().enumerate().skip(at) {
            *v = if n == at { 1.0 } else { -0.02 * 0.98_f64.powi((n - at - 1) as i32) };
        }
        let position = PositionCurve {
            position: "P1".into(),
            take: String::new(),
            curve: Curve::default(),
            arrival_ms: Some(0.0),
            sharp_arrival_ms: None,
            disagrees: None,
            impulse,
            rate_hz,
            response: Vec::new(),
        };
        ChannelCurves {
            name: name.into(),
            side: Side::Left,
            place: garage::channels::Place::default(),
            band_hz: (20.0, 20_000.0),
            positions: vec![position],
            average: Curve::default(),
            thd_percent: Vec::new(),
        }
    }

    #[test]
    fn the_processors_own_delay_does_not_count_and_a_wrong_tape_does() {
        let cabin = CabinCurves {
            channels: vec![speaker("near", 0.8), speaker("far", 1.3), speaker("tweeter", 1.0)],
            ..CabinCurves::default()
        };
        let tape = |far_m: f64| {
            let all = [("near", 0.8), ("far", far_m), ("tweeter", 1.0)];
            let all: Vec<(String, f64)> = all.map(|(name, metres)| (name.to_owned(), metres)).into();
            cross_check(&cabin, &all, Some(20.0))
        };
        assert_eq!(tape(1.3), Vec::<String>::new());
        let said = tape(1.1);
        assert!(said.len() == 1 && said[0].starts_with("far") && said[0].contains("1.10 m"), "{said:?}");
    }
}
