//! What a kind of speaker sounds like, roughly, and how alike two are.

use std::f64::consts::{FRAC_PI_2, SQRT_2};

use super::Kind;
use super::hear::Heard;
use crate::spectrum::{Complex, RealTransform, fast_length, response_at};

impl Kind {
    /// All of them, in order.
    pub(super) const ALL: [Self; 5] =
        [Self::FullRange, Self::Tweeter, Self::Midrange, Self::Woofer, Self::Subwoofer];

    /// The trade's word.
    pub fn word(self) -> &'static str {
        match self {
            Self::FullRange => "full-range speaker",
            Self::Tweeter => "tweeter",
            Self::Midrange => "midrange",
            Self::Woofer => "woofer",
            Self::Subwoofer => "subwoofer",
        }
    }

    /// Where such a speaker begins and ends, both ends falling 12 dB per octave (common practice, no source).
    fn reach_hz(self) -> (f64, f64) {
        match self {
            Self::FullRange => (80.0, 17_000.0),
            Self::Tweeter => (1600.0, 22_000.0),
            Self::Midrange => (190.0, 11_000.0),
            Self::Woofer => (60.0, 4200.0),
            Self::Subwoofer => (28.0, 300.0),
        }
    }

    /// Level there against its own band.
    pub(super) fn level_db(self, frequency_hz: f64) -> f64 {
        let (low_hz, high_hz) = self.reach_hz();
        let fall = |ratio: f64| -10.0 * (1.0 + ratio.powi(4)).log10();
        fall(low_hz / frequency_hz) + fall(frequency_hz / high_hz)
    }
}

/// Whether the first pulse is a push, with what a speaker of its kind does to a pulse taken out; `None` for a
/// subwoofer, whose pulse is longer than the cabin.
pub(super) fn first_push(heard: &Heard, kind: Kind) -> Option<bool> {
    if kind == Kind::Subwoofer {
        return None;
    }
    let (low_hz, high_hz) = kind.reach_hz();
    let lowest_hz = heard.levels.first()?.0;
    let highest_hz = heard.levels.last()?.0;
    let plan = RealTransform::new(fast_length(2 * heard.impulse.len()));
    let spacing_hz = heard.rate_hz / plan.length() as f64;
    let mut spectrum = plan.forward(&heard.impulse);
    for (k, bin) in spectrum.iter_mut().enumerate() {
        let f = k as f64 * spacing_hz;
        // Second order at both ends, Butterworth.
        let high_pass = Complex::new(1.0 - (low_hz / f.max(1.0)).powi(2), -SQRT_2 * low_hz / f.max(1.0));
        let low_pass = Complex::new(1.0 - (f / high_hz).powi(2), SQRT_2 * f / high_hz);
        let inside = (f / lowest_hz).log2().min((highest_hz / f).log2()).clamp(0.0, 1.0);
        *bin *= high_pass * low_pass * (inside * FRAC_PI_2).sin().powi(2);
    }
    let pulse = plan.inverse(&spectrum);
    let most = pulse.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
    let first = pulse.iter().position(|x| x.abs() > FIRST_PUSH * most)?;
    // The top of the pulse that begins there.
    let reach = (0.5 / (lowest_hz * highest_hz).sqrt() * heard.rate_hz).ceil() as usize;
    let top = pulse.iter().skip(first).take(reach).max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    Some(*top > 0.0)
}

/// A pulse this high against the highest is a sound and no ripple before it.
const FIRST_PUSH: f64 = 0.5;

/// Mean level at the frequencies of `levels` of a speaker of `kind`, its own band being 0 dB.
pub(super) fn mean_level_db(levels: &[(f64, f64)], kind: Kind) -> f64 {
    levels.iter().map(|(hz, _)| kind.level_db(*hz)).sum::<f64>() / levels.len().max(1) as f64
}

/// How alike two answers of a kind are: 1 the same, −1 the same but turned over, 0 unlike or unknown.
///
/// Below its lowest crosswise resonance (110 Hz and more) the cabin moves alike on both sides; where the call reaches
/// down there that is compared, otherwise the direct sounds.
pub(super) fn likeness(one: &Heard, other: &Heard, kind: Kind) -> f64 {
    let lowest_hz = one.levels.first().map_or(f64::INFINITY, |(hz, _)| *hz);
    if lowest_hz < 0.8 * CHAMBER_HZ { together(one, other, lowest_hz) } else { direct(one, other, kind) }
}

/// How alike two answers of any kind are where the cabin moves as a whole; `None` where one of them does not reach down.
pub(super) fn alike_below(one: &Heard, other: &Heard) -> Option<f64> {
    let lowest_hz = |heard: &Heard| heard.levels.first().map_or(f64::INFINITY, |(hz, _)| *hz);
    let low_hz = lowest_hz(one).max(lowest_hz(other));
    (low_hz < 0.8 * CHAMBER_HZ).then(|| together(one, other, low_hz))
}

/// Below it left and right of a cabin move alike.
const CHAMBER_HZ: f64 = 88.0;

fn together(one: &Heard, other: &Heard, low_hz: f64) -> f64 {
    let (mut cross, mut first, mut second) = (0.0, 0.0, 0.0);
    for step in 0..24 {
        let frequency_hz = low_hz * (CHAMBER_HZ / low_hz).powf(f64::from(step) / 24.0);
        let a = response_at(&one.impulse, one.rate_hz, frequency_hz);
        let b = response_at(&other.impulse, other.rate_hz, frequency_hz);
        cross += (a * b.conj()).re;
        first += a.norm_sqr();
        second += b.norm_sqr();
    }
    cross / (first * second).sqrt().max(f64::MIN_POSITIVE)
}

fn direct(one: &Heard, other: &Heard, kind: Kind) -> f64 {
    let (Some(first), Some(second)) = (one.arrival_s, other.arrival_s) else { return 0.0 };
    // Three periods of the middle of its band: long enough to show the shape, short of most reflections.
    let (low_hz, high_hz) = kind.reach_hz();
    let middle_hz = (low_hz * high_hz).sqrt();
    let rate_hz = one.rate_hz;
    let piece = |heard: &Heard, at_s: f64| -> Vec<f64> {
        let from = ((at_s - 1.0 / middle_hz) * rate_hz).max(0.0) as usize;
        let count = (3.0 / middle_hz * rate_hz) as usize;
        heard.impulse.iter().skip(from).take(count).copied().collect()
    };
    let still = piece(one, first);
    let reach = (0.8 / middle_hz * rate_hz) as i64 + 1;
    (-reach..=reach)
        .map(|shift| correlation(&still, &piece(other, second + shift as f64 / rate_hz)))
        .fold(0.0, |best: f64, r| if r.abs() > best.abs() { r } else { best })
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt().max(f64::MIN_POSITIVE)
}
