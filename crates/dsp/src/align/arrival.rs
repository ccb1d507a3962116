//! When the direct sound of a band-limited driver arrives, among reflections.

use std::f64::consts::{FRAC_PI_2, TAU};

use serde::{Deserialize, Serialize};

use super::AlignError;
use super::band::{Band, active, gated, usable_band};
use crate::spectrum::{Complex, EndSlopes, ExtendedMinimumPhase, Gate, RealTransform, fast_length};
use crate::tune::Polarity;

/// How far an answer may be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Confidence {
    /// Check it with a tape measure.
    Low,
    /// Likely.
    Medium,
    /// Two independent ways agree.
    High,
}

/// The direct sound of one channel at one position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// From sample 0.
    pub time_s: f64,
    /// Which way round the driver moved.
    pub polarity: Polarity,
    /// How sure.
    pub confidence: Confidence,
    /// The same by the −20 dB threshold less that of the minimum-phase response.
    pub threshold_s: f64,
    /// The band in which the channel can be used.
    pub band: Band,
    /// Share of the channel's phase that a plain delay explains, 0 to 1.
    pub coherence: f64,
}

/// The threshold alone is right to about this among reflections of a tweeter or midrange.
const AGREE_S: f64 = 60e-6;

/// Polarity is sure when this share of the evidence speaks for it, and doubtful below the second.
pub(super) const UNANIMOUS: f64 = 0.8;
const DIVIDED: f64 = 0.65;

/// Finds the direct sound in `impulse`.
///
/// The magnitude in the channel's band, extended beyond it by its own end slopes, gives the minimum phase; what the phase
/// has beyond it is a plain delay as long as the reflections under the gate are together weaker than the direct sound. So
/// the gate is closed at several times after the direct sound, and the answer taken where a delay explains the phase
/// best. A −20 dB threshold, less the same threshold on the minimum-phase response, is the cross-check.
///
/// # Errors
/// [`AlignError`] where the response is silent, too short, not finite, or has no band above its noise.
pub fn arrival(impulse: &[f64], rate_hz: f64) -> Result<Arrival, AlignError> {
    arrival_within(impulse, rate_hz, 0.0, f64::INFINITY)
}

/// As [`arrival`], for a response that was measured from `from_hz` to `to_hz` only.
///
/// A measuring band ends without the lag that a filter with the same edge would have; taken for the channel's own, its
/// upper edge at 20 kHz would make every arrival 13 µs early.
///
/// # Errors
/// As [`arrival`].
pub fn arrival_within(
    impulse: &[f64],
    rate_hz: f64,
    from_hz: f64,
    to_hz: f64,
) -> Result<Arrival, AlignError> {
    let impulse = &measured(impulse, rate_hz, from_hz, to_hz)[..];
    let mut band = usable_band(impulse, rate_hz)?;
    band.low_hz = band.low_hz.max(from_hz);
    band.high_hz = band.high_hz.min(to_hz);
    if band.high_hz < 1.5 * band.low_hz {
        return Err(AlignError::NoBand);
    }
    let impulse = &gated(impulse, &active(impulse))[..];
    let rough_s = onset_s(impulse, rate_hz, band);
    let fits: Vec<Fit> =
        gates_s(band).filter_map(|gate_s| fit(impulse, rate_hz, band, rough_s, gate_s)).collect();
    let sharpest = |polarity: Option<Polarity>| {
        let fits = fits.iter().filter(|fit| polarity.is_none_or(|it| fit.polarity == it));
        fits.min_by(|a, b| a.error_s.total_cmp(&b.error_s))
    };
    let first = sharpest(None).ok_or(AlignError::NoBand)?;
    let polarity = witnesses(&fits, first);
    let fit = sharpest(Some(polarity.0)).ok_or(AlignError::NoBand)?;
    let period_s = 1.0 / (band.low_hz * band.high_hz).sqrt();
    let apart_s = (fit.time_s - fit.threshold_s).abs();
    let agree_s = AGREE_S + 0.1 * period_s;
    let confidence = if fit.coherence > 0.85 && apart_s < agree_s && polarity.1 > UNANIMOUS {
        Confidence::High
    } else if fit.coherence > 0.6 && apart_s < 2.5 * agree_s && polarity.1 > DIVIDED {
        Confidence::Medium
    } else {
        Confidence::Low
    };
    Ok(Arrival {
        time_s: fit.time_s,
        polarity: fit.polarity,
        confidence,
        threshold_s: fit.threshold_s,
        band,
        coherence: fit.coherence,
    })
}

/// Width of the slopes beyond a measured band, below and above it. The upper one is as steep as the end of a sweep, which
/// lets much noise through; the lower one would ring for long.
const BEYOND_OCTAVES: (f64, f64) = (1.0 / 3.0, 0.06);

/// `impulse` without the noise that lies outside the measured band, within which it stays as it is.
fn measured(impulse: &[f64], rate_hz: f64, from_hz: f64, to_hz: f64) -> Vec<f64> {
    if from_hz <= 0.0 && to_hz >= 0.5 * rate_hz {
        return impulse.to_vec();
    }
    let plan = RealTransform::new(fast_length(2 * impulse.len()));
    let spacing_hz = rate_hz / plan.length() as f64;
    let mut spectrum = plan.forward(impulse);
    for (k, h) in spectrum.iter_mut().enumerate() {
        let hz = k as f64 * spacing_hz;
        let octaves = ((from_hz / hz).log2() / BEYOND_OCTAVES.0).max((hz / to_hz).log2() / BEYOND_OCTAVES.1);
        *h *= (FRAC_PI_2 * octaves.clamp(0.0, 1.0)).cos().powi(2);
    }
    let mut limited = plan.inverse(&spectrum);
    limited.truncate(impulse.len());
    limited
}

/// The polarity that the fits near `first` tell, and the share of their evidence that speaks for it.
///
/// A short gate shows little more than an octave at the top of the band, where a reflection a quarter of a millisecond
/// late can turn the phase over and a steeper slope can take up the rest; at the low end, which only longer gates show,
/// it cannot.
fn witnesses(fits: &[Fit], first: &Fit) -> (Polarity, f64) {
    // Further off, another sound is meant.
    let near_s = 0.6 / (first.low_hz * first.high_hz).sqrt();
    let near = fits.iter().filter(|fit| (fit.time_s - first.time_s).abs() < near_s);
    majority(near.map(|fit| (fit.polarity, fit.coherence * (fit.high_hz / fit.low_hz).log2())))
}

/// What most of the evidence says, and the share that says so; normal where it is undecided.
pub(super) fn majority(evidence: impl Iterator<Item = (Polarity, f64)>) -> (Polarity, f64) {
    let (mut normal, mut inverted) = (0.0, 0.0);
    for (polarity, says) in evidence {
        if polarity == Polarity::Inverted { inverted += says } else { normal += says }
    }
    let all = f64::max(normal + inverted, f64::MIN_POSITIVE);
    if inverted > normal { (Polarity::Inverted, inverted / all) } else { (Polarity::Normal, normal / all) }
}

struct Fit {
    time_s: f64,
    polarity: Polarity,
    coherence: f64,
    threshold_s: f64,
    /// What the unexplained phase is worth in time, for choosing between gates.
    error_s: f64,
    /// What the gate shows of the band.
    low_hz: f64,
    high_hz: f64,
}

/// Closing times of the gate that are worth trying in a band.
fn gates_s(band: Band) -> impl Iterator<Item = f64> {
    [0.001, 0.002, 0.004, 0.008, 0.016, 0.032, 0.064, 0.128, 0.256]
        .into_iter()
        .filter(move |gate_s| GATE_CYCLES / gate_s < 0.25 * band.high_hz)
}

/// A gate tells nothing about frequencies with fewer cycles inside it.
const GATE_CYCLES: f64 = 1.5;

/// A transform shorter than this is too coarse for the phase at the lower end of a band.
const SHORTEST_S: f64 = 0.34;

/// The end slopes are read over this much: a shorter stretch follows the ripple of a single early reflection.
const SLOPE_OCTAVES: f64 = 1.0;

fn fit(impulse: &[f64], rate_hz: f64, band: Band, rough_s: f64, gate_s: f64) -> Option<Fit> {
    // As early as the lowest frequency needs, and no earlier than the gate is long: what comes before is noise.
    let before_s = (2.0 / band.low_hz).min(gate_s).max(0.001);
    let gate = Gate { before_s, rise_s: 0.5 * before_s, after_s: gate_s, fall_s: 0.5 * gate_s };
    // Only what passes the gate is transformed, on a time base of its own.
    let first = ((rough_s - before_s) * rate_hz).max(0.0) as usize;
    let last = (((rough_s + gate_s) * rate_hz).ceil() as usize).min(impulse.len());
    let (start_s, rough_s) = (first as f64 / rate_hz, rough_s - first as f64 / rate_hz);
    let gated = gate.apply(impulse.get(first..last)?, rate_hz, rough_s);
    let plan = RealTransform::new(fast_length((2 * gated.len()).max((SHORTEST_S * rate_hz) as usize)));
    let spectrum = plan.forward(&gated);
    let magnitude: Vec<f64> = spectrum.iter().map(|h| h.norm()).collect();
    let low_hz = band.low_hz.max(GATE_CYCLES / gate_s);
    let slopes = EndSlopes::of_band(&magnitude, rate_hz, low_hz, band.high_hz, SLOPE_OCTAVES).ok()?;
    let minimum = ExtendedMinimumPhase::new(&magnitude, rate_hz, low_hz, band.high_hz, slopes).ok()?;
    let spacing_hz = rate_hz / plan.length() as f64;
    let mut total = 0.0;
    let mut weighted_square = 0.0;
    let excess: Vec<Complex> = spectrum
        .iter()
        .zip(&minimum.spectrum)
        .enumerate()
        .map(|(k, (h, m))| {
            let f = k as f64 * spacing_hz;
            let weight = taper(f, low_hz, band.high_hz);
            if weight == 0.0 {
                return Complex::new(0.0, 0.0);
            }
            total += weight;
            weighted_square += weight * f * f;
            let turned = h * m.conj();
            turned * (weight / turned.norm().max(f64::MIN_POSITIVE))
        })
        .collect();
    let (time_s, signed) = peak(&excess, rate_hz, rough_s, gate_s, before_s, &plan)?;
    let coherence = (signed.abs() / total).min(1.0);

    let phase_rad = (-2.0 * coherence.max(1e-3).ln()).sqrt() + 1e-4;
    let error_s = phase_rad / (TAU * (weighted_square / total).sqrt());
    let minimum_impulse = minimum.impulse();
    let threshold_s = threshold(&gated, rate_hz)? - threshold(&minimum_impulse, rate_hz)?;
    let polarity = if signed < 0.0 { Polarity::Inverted } else { Polarity::Normal };
    Some(Fit {
        time_s: start_s + time_s,
        polarity,
        coherence,
        threshold_s: start_s + threshold_s,
        error_s,
        low_hz,
        high_hz: band.high_hz,
    })
}

/// Raised cosine over log frequency, half an octave at either edge of the band.
fn taper(f: f64, low_hz: f64, high_hz: f64) -> f64 {
    if f <= low_hz || f >= high_hz {
        return 0.0;
    }
    let octaves = (f / low_hz).log2().min((high_hz / f).log2());
    (FRAC_PI_2 * (octaves / 0.5).min(1.0)).sin().powi(2)
}

/// Time and signed size of the largest pulse of the excess phase near the rough onset: `Re Σ E e^(iωt)`.
fn peak(
    excess: &[Complex],
    rate_hz: f64,
    rough_s: f64,
    after_s: f64,
    before_s: f64,
    plan: &RealTransform,
) -> Option<(f64, f64)> {
    let pulse = plan.inverse(excess);
    let first = ((rough_s - before_s) * rate_hz).max(0.0) as usize;
    let last = (((rough_s + after_s) * rate_hz) as usize).min(pulse.len());
    let (at, _) = pulse
        .get(first..last)?
        .iter()
        .enumerate()
        .map(|(i, p)| (first + i, p.abs()))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let spacing_rad = TAU / plan.length() as f64;
    // Newton's method on the exact sum, from the sample on: value, slope and curvature over time in samples.
    let mut time = at as f64;
    let mut value = 0.0;
    for _ in 0..6 {
        let (mut v, mut slope, mut curvature) = (0.0, 0.0, 0.0);
        for (k, e) in excess.iter().enumerate() {
            if *e == Complex::new(0.0, 0.0) {
                continue;
            }
            let omega = spacing_rad * k as f64;
            let turned = e * Complex::cis(omega * time);
            v += turned.re;
            slope -= omega * turned.im;
            curvature -= omega * omega * turned.re;
        }
        value = v;
        if curvature == 0.0 {
            break;
        }
        let step = (-slope / curvature).clamp(-0.5, 0.5);
        if !step.is_finite() {
            return None;
        }
        time += step;
        if step.abs() < 1e-6 {
            break;
        }
    }
    Some((time / rate_hz, value))
}

/// Seconds at which `|x|` first reaches a tenth (−20 dB) of its largest value, straight between samples.
fn threshold(x: &[f64], rate_hz: f64) -> Option<f64> {
    let level = 0.1 * x.iter().fold(0.0f64, |most, v| most.max(v.abs()));
    let at = x.iter().position(|v| v.abs() >= level && level > 0.0)?;
    let (before, here) = (if at == 0 { 0.0 } else { x[at - 1].abs() }, x[at].abs());
    let part = if here > before { (level - before) / (here - before) } else { 1.0 };
    Some((at as f64 - 1.0 + part) / rate_hz)
}

/// First rise of the envelope in the band to a third of its largest value: right to about half a period.
fn onset_s(impulse: &[f64], rate_hz: f64, band: Band) -> f64 {
    let plan = RealTransform::new(fast_length(2 * impulse.len()));
    let spacing_hz = rate_hz / plan.length() as f64;
    let mut spectrum = plan.forward(impulse);
    for (k, h) in spectrum.iter_mut().enumerate() {
        *h *= taper(k as f64 * spacing_hz, band.low_hz, band.high_hz);
    }
    let real = plan.inverse(&spectrum);
    let quadrature = plan.inverse(&spectrum.iter().map(|h| h * Complex::new(0.0, -1.0)).collect::<Vec<_>>());
    let envelope: Vec<f64> =
        real.iter().zip(&quadrature).take(impulse.len()).map(|(a, b)| a.hypot(*b)).collect();
    let largest = envelope.iter().copied().fold(0.0, f64::max);
    envelope.iter().position(|e| *e >= largest / 3.0).unwrap_or(0) as f64 / rate_hz
}
