//! What a speaker plays outside the band that it was measured over.

use super::Complex;

/// Octaves inside an edge that say how the response goes on outside it.
const LOOKED_AT_OCTAVES: f64 = 0.25;
/// Slope outside, orders of 6 dB/oct: a closed box falls at 12 dB/oct below its resonance (R. H. Small, "Closed-box
/// loudspeaker systems", J. AES 20, 1972); above a cone's range the same (common practice, no source).
const ORDER_OUTSIDE: f64 = 2.0;
/// Delays tried, seconds from the time given: the sound may be a little before it, and a filter or a room well after.
const DELAYS_S: (f64, f64) = (-0.005, 0.03);
/// Step of the delays, in turns across the bins looked at.
const STEP_TURNS: f64 = 0.05;

/// Carries `response`, known within `band_hz` at the ascending `frequency_hz` and of no meaning elsewhere, on outside it.
///
/// A speaker may only be measured from its safe frequency up, but through a crossover it still plays below it, and a sum of
/// speakers is off by decibels where that is left out. Beyond an edge the response is taken to be one delayed copy of the
/// sound: the delay, near `about_s`, at which the quarter octave inside the edge adds up best, the level and phase of that
/// sum, and a fall of 12 dB per octave. Where the bins do not add up, next to nothing is claimed.
///
/// An edge that lies outside the frequencies is left alone; so is a response of another length.
pub fn continue_beyond(
    frequency_hz: &[f64],
    response: &mut [Complex],
    (low_hz, high_hz): (f64, f64),
    about_s: f64,
) {
    if response.len() != frequency_hz.len() || low_hz >= high_hz {
        return;
    }
    let first = frequency_hz.partition_point(|&f| f < low_hz);
    let end = frequency_hz.partition_point(|&f| f <= high_hz);
    let ratio = LOOKED_AT_OCTAVES.exp2();
    let inside_low = first..frequency_hz.partition_point(|&f| f <= (low_hz * ratio).min(high_hz));
    let inside_high = frequency_hz.partition_point(|&f| f < (high_hz / ratio).max(low_hz))..end;
    let of = |range: std::ops::Range<usize>| {
        Direct::of(frequency_hz.get(range.clone())?, response.get(range)?, about_s)
    };
    let (below, above) = (of(inside_low), of(inside_high));
    for (index, (value, &hz)) in response.iter_mut().zip(frequency_hz).enumerate() {
        if index < first {
            *value = below.as_ref().map_or_else(Complex::default, |it| it.at(hz, ORDER_OUTSIDE));
        } else if index >= end {
            *value = above.as_ref().map_or_else(Complex::default, |it| it.at(hz, -ORDER_OUTSIDE));
        }
    }
}

/// One delayed copy of the sound.
struct Direct {
    middle_hz: f64,
    value: Complex,
    delay_s: f64,
}

impl Direct {
    /// What the bins have in common; `None` for fewer than two.
    fn of(hz: &[f64], response: &[Complex], about_s: f64) -> Option<Self> {
        let (&first, &last) = (hz.first()?, hz.last()?);
        let step_s = STEP_TURNS / (last - first);
        if !step_s.is_finite() {
            return None;
        }
        let sum = |delay_s: f64| {
            let turned = hz.iter().zip(response).map(|(f, h)| h * turn(f * delay_s));
            turned.sum::<Complex>() / hz.len() as f64
        };
        let steps = ((DELAYS_S.1 - DELAYS_S.0) / step_s).ceil() as usize;
        let tried = (0..=steps).map(|step| about_s + DELAYS_S.0 + step as f64 * step_s);
        let (delay_s, value) = tried
            .map(|delay_s| (delay_s, sum(delay_s)))
            .max_by(|a, b| a.1.norm_sqr().total_cmp(&b.1.norm_sqr()))?;
        Some(Self { middle_hz: (first * last).sqrt(), value, delay_s })
    }

    fn at(&self, hz: f64, order: f64) -> Complex {
        self.value * turn(-hz * self.delay_s) * (hz / self.middle_hz).powf(order)
    }
}

fn turn(turns: f64) -> Complex {
    Complex::cis(std::f64::consts::TAU * turns)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::Bins;

    /// A second-order high-pass of Q 0.707 at 50 Hz, the closed form, arriving after `delay_s`.
    fn closed_box(hz: f64, delay_s: f64) -> Complex {
        let s = Complex::new(0.0, hz / 50.0);
        s * s / (s * s + s * std::f64::consts::SQRT_2 + 1.0) * turn(-hz * delay_s)
    }

    #[test]
    fn a_closed_box_is_carried_on_below_its_safe_frequency() {
        let hz = &Bins::standard().frequency_hz;
        let truth: Vec<Complex> = hz.iter().map(|&f| closed_box(f, 0.006)).collect();
        let mut known = truth.clone();
        continue_beyond(hz, &mut known, (60.0, 4_000.0), 0.005);
        let off = |from: f64, to: f64, of: &[Complex]| {
            let inside = || hz.iter().zip(of).zip(&truth).filter(|((f, _), _)| (from..to).contains(*f));
            let error: f64 = inside().map(|((_, a), b)| (a - b).norm_sqr()).sum();
            (error / inside().map(|(_, b)| b.norm_sqr()).sum::<f64>()).sqrt()
        };
        assert!(off(60.0, 4_000.0, &known) == 0.0, "what was measured stays");
        // A quarter octave below, what is left out is a whole; further down it matters less, the crossover falls too.
        assert!(off(50.0, 60.0, &known) < 0.25, "{}", off(50.0, 60.0, &known));
        assert!(off(40.0, 60.0, &known) < 0.35, "{}", off(40.0, 60.0, &known));
        assert!(off(4_000.0, 4_500.0, &known) < 0.3, "{}", off(4_000.0, 4_500.0, &known));
    }

    #[test]
    fn nothing_is_claimed_where_nothing_is_known() {
        let hz = [10.0, 20.0, 30.0];
        let ones = vec![Complex::new(1.0, 0.0); 3];
        let carried_on = |band_hz: (f64, f64)| {
            let mut all = ones.clone();
            continue_beyond(&hz, &mut all, band_hz, 0.0);
            all
        };
        assert_eq!(carried_on((5.0, 40.0)), ones, "known throughout");
        assert_eq!(carried_on((25.0, 27.0)), vec![Complex::default(); 3], "no bin within the band");
        assert_eq!(carried_on((30.0, 10.0)), ones, "no band at all");
        let mut short = vec![Complex::default(); 2];
        continue_beyond(&hz, &mut short, (10.0, 20.0), 0.0);
        assert_eq!(short, vec![Complex::default(); 2]);
    }

    #[test]
    fn bins_that_do_not_add_up_claim_little() {
        let hz = &Bins::standard().frequency_hz;
        // A fixed scramble of phases, as noise has.
        let mut noise: Vec<Complex> = (0..hz.len()).map(|k| turn((k * k) as f64 * 0.618_034)).collect();
        continue_beyond(hz, &mut noise, (200.0, 2_000.0), 0.0);
        let loudest =
            noise.iter().zip(hz).filter(|(_, f)| **f < 200.0).map(|(h, _)| h.norm()).fold(0.0, f64::max);
        assert!(loudest < 0.6, "{loudest}");
    }
}
