//! Second-order sections: coefficients, running them, and what they do at a frequency.
//!
//! Coefficients follow the W3C note "Audio EQ Cookbook" (R. Bristow-Johnson); Butterworth pole pairs are the
//! textbook ones (Q = 1 / (2 cos θ)). First-order sections are bilinear transforms with the corner pre-warped.

use std::f64::consts::PI;

use crate::scenario::{AllPass, Edge, Family, Split, SplitEdge};
use dsp::tune::{Biquad, Crossover, CrossoverFamily, Pass, Section, SectionKind};

/// The widest share of the sample rate at which a section may sit; beyond it the bilinear transform breaks down.
const HIGHEST_SHARE: f64 = 0.49;

fn corner(frequency_hz: f64, rate_hz: f64) -> f64 {
    2.0 * PI * (frequency_hz / rate_hz).min(HIGHEST_SHARE)
}

fn normal(b: [f64; 3], a: [f64; 3]) -> Biquad {
    Biquad { b: b.map(|c| c / a[0]), a: a.map(|c| c / a[0]) }
}

/// The cookbook's coefficients for `section` at `rate_hz`.
pub fn of_section(section: &Section, rate_hz: f64) -> Biquad {
    let w = corner(section.frequency_hz, rate_hz);
    let (sin, cos) = w.sin_cos();
    let alpha = sin / (2.0 * section.q);
    let amp = 10f64.powf(section.gain_db / 40.0);
    match section.kind {
        SectionKind::Peaking => normal(
            [1.0 + alpha * amp, -2.0 * cos, 1.0 - alpha * amp],
            [1.0 + alpha / amp, -2.0 * cos, 1.0 - alpha / amp],
        ),
        SectionKind::LowShelf | SectionKind::HighShelf => {
            // The high shelf is the low shelf with the sign of every cosine turned.
            let sign = if section.kind == SectionKind::LowShelf { 1.0 } else { -1.0 };
            let (c, root) = (sign * cos, 2.0 * amp.sqrt() * alpha);
            let (up, down) = (amp + 1.0, amp - 1.0);
            normal(
                [
                    amp * (up - down * c + root),
                    sign * 2.0 * amp * (down - up * c),
                    amp * (up - down * c - root),
                ],
                [up + down * c + root, -sign * 2.0 * (down + up * c), up + down * c - root],
            )
        }
        SectionKind::LowPass => {
            let half = (1.0 - cos) / 2.0;
            normal([half, 2.0 * half, half], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
        }
        SectionKind::HighPass => {
            let half = (1.0 + cos) / 2.0;
            normal([half, -2.0 * half, half], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
        }
        SectionKind::AllPass => {
            normal([1.0 - alpha, -2.0 * cos, 1.0 + alpha], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
        }
    }
}

fn first_order(edge: SplitEdge, frequency_hz: f64, rate_hz: f64) -> Biquad {
    let k = (corner(frequency_hz, rate_hz) / 2.0).tan();
    match edge {
        SplitEdge::LowPass => normal([k, k, 0.0], [1.0 + k, k - 1.0, 0.0]),
        SplitEdge::HighPass => normal([1.0, -1.0, 0.0], [1.0 + k, k - 1.0, 0.0]),
    }
}

fn second_order(edge: SplitEdge, frequency_hz: f64, q: f64, rate_hz: f64) -> Biquad {
    let kind = match edge {
        SplitEdge::LowPass => SectionKind::LowPass,
        SplitEdge::HighPass => SectionKind::HighPass,
    };
    of_section(&Section { kind, frequency_hz, gain_db: 0.0, q }, rate_hz)
}

/// A Butterworth edge of `order` as a cascade.
fn butterworth(edge: SplitEdge, order: u32, frequency_hz: f64, rate_hz: f64) -> Vec<Biquad> {
    let mut cascade: Vec<Biquad> = (0..order / 2)
        .map(|pair| {
            let step = f64::from(pair) + if order % 2 == 1 { 1.0 } else { 0.5 };
            let theta = PI * step / f64::from(order);
            second_order(edge, frequency_hz, 1.0 / (2.0 * theta.cos()), rate_hz)
        })
        .collect();
    if order % 2 == 1 {
        cascade.push(first_order(edge, frequency_hz, rate_hz));
    }
    cascade
}

/// A factory split as a cascade.
pub fn of_split(split: &Split, rate_hz: f64) -> Vec<Biquad> {
    match split.family {
        Family::Butterworth => butterworth(split.edge, split.order, split.frequency_hz, rate_hz),
        Family::LinkwitzRiley => {
            let half = butterworth(split.edge, split.order / 2, split.frequency_hz, rate_hz);
            [half.clone(), half].concat()
        }
    }
}

/// A processor's crossover as a cascade.
pub fn of_crossover(crossover: &Crossover, rate_hz: f64) -> Vec<Biquad> {
    let edge = match crossover.pass {
        Pass::Low => SplitEdge::LowPass,
        Pass::High => SplitEdge::HighPass,
    };
    let Crossover { order, frequency_hz, .. } = *crossover;
    let split = |family| Split { edge, family, order: u32::from(order), frequency_hz };
    match crossover.family {
        CrossoverFamily::Butterworth => of_split(&split(Family::Butterworth), rate_hz),
        CrossoverFamily::LinkwitzRiley => of_split(&split(Family::LinkwitzRiley), rate_hz),
        CrossoverFamily::Bessel => bessel(edge, u32::from(order), frequency_hz, rate_hz),
    }
}

/// A Bessel edge, −3 dB at its frequency: the bilinear transform of the whole filter, pre-warped there.
fn bessel(edge: SplitEdge, order: u32, frequency_hz: f64, rate_hz: f64) -> Vec<Biquad> {
    let k = (corner(frequency_hz, rate_hz) / 2.0).tan();
    let stage = |&(natural, q): &(f64, f64)| {
        // A high-pass is the low-pass with s turned into 1/s.
        let w = k * if edge == SplitEdge::LowPass { natural } else { 1.0 / natural };
        if q == 0.0 {
            return match edge {
                SplitEdge::LowPass => normal([w, w, 0.0], [1.0 + w, w - 1.0, 0.0]),
                SplitEdge::HighPass => normal([1.0, -1.0, 0.0], [1.0 + w, w - 1.0, 0.0]),
            };
        }
        let a = [1.0 + w / q + w * w, 2.0 * (w * w - 1.0), 1.0 - w / q + w * w];
        match edge {
            SplitEdge::LowPass => normal([w * w, 2.0 * w * w, w * w], a),
            SplitEdge::HighPass => normal([1.0, -2.0, 1.0], a),
        }
    };
    crate::bessel::stages(order).iter().map(stage).collect()
}

/// A speaker's edge as a cascade.
pub fn of_edge(edge: &Edge, side: SplitEdge, rate_hz: f64) -> Vec<Biquad> {
    match edge.q {
        Some(q) if edge.order == 2 => vec![second_order(side, edge.frequency_hz, q, rate_hz)],
        _ => butterworth(side, edge.order, edge.frequency_hz, rate_hz),
    }
}

/// An all-pass section.
pub fn of_all_pass(all_pass: &AllPass, rate_hz: f64) -> Biquad {
    if all_pass.order == 1 {
        let k = (corner(all_pass.frequency_hz, rate_hz) / 2.0).tan();
        return normal([k - 1.0, k + 1.0, 0.0], [k + 1.0, k - 1.0, 0.0]);
    }
    let AllPass { frequency_hz, q, .. } = *all_pass;
    of_section(&Section { kind: SectionKind::AllPass, frequency_hz, gain_db: 0.0, q }, rate_hz)
}

/// Runs a cascade over `signal` in place, from rest (transposed direct form II).
pub fn run(cascade: &[Biquad], signal: &mut [f64]) {
    for Biquad { b, a } in cascade {
        let (mut first, mut second) = (0.0, 0.0);
        for sample in signal.iter_mut() {
            let x = *sample;
            let y = b[0] * x + first;
            first = b[1] * x - a[1] * y + second;
            second = b[2] * x - a[2] * y;
            *sample = y;
        }
    }
}
