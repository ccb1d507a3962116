//! The slips a hand makes when it types a tune in.

use serde::Serialize;

use crate::filter::{crossover_biquads, section_biquad, taps_responses};
use crate::spectrum::Complex;
use crate::tune::{Biquad, ChannelTune, Crossover, CrossoverFamily, Section, SectionKind};

/// One slip; bands and crossovers are counted from 1 in the order of the entry sheet.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Slip {
    /// The gain of a band has the wrong sign.
    WrongSign {
        /// The band.
        band: usize,
    },
    /// The decimal point of a number of a band is misplaced.
    ShiftedDecimal {
        /// The band.
        band: usize,
        /// "gain", "frequency" or "Q".
        number: &'static str,
        /// What was typed.
        typed: f64,
    },
    /// A band is missing or bypassed.
    MissingBand {
        /// The band.
        band: usize,
    },
    /// The Q of a band is wrong.
    WrongQ {
        /// The band.
        band: usize,
        /// What was typed, about.
        typed: f64,
    },
    /// The gain of a band is wrong.
    WrongGain {
        /// The band.
        band: usize,
        /// What was typed, about.
        typed: f64,
    },
    /// The frequency of a band is wrong.
    WrongFrequency {
        /// The band.
        band: usize,
        /// What was typed, about.
        typed: f64,
    },
    /// A crossover has the wrong slope.
    WrongSlope {
        /// The crossover.
        crossover: usize,
        /// The slope that was typed, 6 for each order.
        typed_db_per_octave: u32,
    },
    /// A crossover is of the wrong family.
    WrongFamily {
        /// The crossover.
        crossover: usize,
        /// What was chosen.
        typed: CrossoverFamily,
    },
    /// The frequency of a crossover is wrong.
    WrongCrossoverFrequency {
        /// The crossover.
        crossover: usize,
        /// What was typed, about.
        typed: f64,
    },
    /// A crossover is missing or bypassed.
    MissingCrossover {
        /// The crossover.
        crossover: usize,
    },
    /// The taps are not loaded.
    MissingTaps,
    /// The settings of another channel were typed here.
    SwappedWith {
        /// The other channel.
        other: String,
    },
    /// The polarity switch is the wrong way.
    WrongPolarity,
    /// The delay is wrong.
    WrongDelay {
        /// What was typed, about.
        typed_ms: f64,
    },
    /// The level is wrong.
    WrongLevel {
        /// What was typed, about.
        typed_db: f64,
    },
}

/// A slip and what it does to the channel's response, at the evidence's frequencies.
pub(super) struct Suspect {
    pub slip: Slip,
    pub ratio: Vec<Complex>,
    /// What the slip costs in belief: a number that could be any is less likely than a misplaced sign.
    pub cost: f64,
}

const PLAIN: f64 = 0.0;
const ANY_NUMBER: f64 = 12.0;
/// A frequency is found to about this at 40 dB SNR where the band is shallow.
const BESIDE: f64 = 0.02;

/// Every slip of one channel that stands in its own settings. `weigh` says how well a ratio explains the take; it
/// is used to find the number that was typed where that could be any.
pub(super) fn suspects(
    settings: &ChannelTune,
    rate_hz: f64,
    frequency_hz: &[f64],
    weigh: &dyn Fn(&[Complex]) -> f64,
) -> Vec<Suspect> {
    let mut found = Vec::new();
    for (i, section) in settings.sections.iter().enumerate() {
        let stage = Stage { frequency_hz, rate_hz, right: respond_section(section, rate_hz, frequency_hz) };
        of_section(i + 1, section, &stage, weigh, &mut found);
    }
    for (i, crossover) in settings.crossovers.iter().enumerate() {
        let Some(right) = respond_crossover(crossover, rate_hz, frequency_hz) else { continue };
        of_crossover(i + 1, crossover, &Stage { frequency_hz, rate_hz, right }, weigh, &mut found);
    }
    if let Some(taps) = &settings.fir {
        let loaded = taps_responses(taps, rate_hz, frequency_hz);
        found.push(Suspect {
            slip: Slip::MissingTaps,
            ratio: loaded.into_iter().map(|taps| 1.0 / taps).collect(),
            cost: PLAIN,
        });
    }
    found
}

struct Stage<'a> {
    frequency_hz: &'a [f64],
    rate_hz: f64,
    right: Vec<Complex>,
}

impl Stage<'_> {
    fn ratio(&self, typed: &[Complex]) -> Vec<Complex> {
        typed.iter().zip(&self.right).map(|(typed, right)| typed / right).collect()
    }

    fn of_section(&self, typed: &Section) -> Vec<Complex> {
        self.ratio(&respond_section(typed, self.rate_hz, self.frequency_hz))
    }

    fn without(&self) -> Vec<Complex> {
        self.right.iter().map(|right| 1.0 / right).collect()
    }
}

fn has_gain(kind: SectionKind) -> bool {
    matches!(kind, SectionKind::Peaking | SectionKind::LowShelf | SectionKind::HighShelf)
}

fn of_section(
    band: usize,
    section: &Section,
    stage: &Stage<'_>,
    weigh: &dyn Fn(&[Complex]) -> f64,
    found: &mut Vec<Suspect>,
) {
    let highest_hz = 0.48 * stage.rate_hz;
    let mut push = |slip, typed: &Section, cost| {
        if typed.frequency_hz > 1.0 && typed.frequency_hz < highest_hz {
            let response = respond_section(typed, stage.rate_hz, stage.frequency_hz);
            // A band that was moved out of hearing is as good as missing; the simpler name goes first.
            let heard = response.iter().any(|h| (h.norm() - 1.0).abs() > 0.05);
            let cost = if heard { cost } else { cost + ANY_NUMBER };
            found.push(Suspect { slip, ratio: stage.ratio(&response), cost });
        }
    };
    if has_gain(section.kind) {
        push(Slip::WrongSign { band }, &Section { gain_db: -section.gain_db, ..*section }, PLAIN);
    }
    for shift in [0.1, 10.0] {
        let slip = |number, typed| Slip::ShiftedDecimal { band, number, typed };
        if has_gain(section.kind) && (section.gain_db * shift).abs() < 60.0 {
            let gain_db = section.gain_db * shift;
            push(slip("gain", gain_db), &Section { gain_db, ..*section }, PLAIN);
        }
        let frequency_hz = section.frequency_hz * shift;
        push(slip("frequency", frequency_hz), &Section { frequency_hz, ..*section }, PLAIN);
        let q = section.q * shift;
        push(slip("Q", q), &Section { q, ..*section }, PLAIN);
    }
    let with_q = |q: f64| Section { q, ..*section };
    let q = search(0.1, 40.0, |q| weigh(&stage.of_section(&with_q(q))));
    push(Slip::WrongQ { band, typed: q }, &with_q(q), ANY_NUMBER);
    let with_frequency = |frequency_hz: f64| Section { frequency_hz, ..*section };
    let hz = search(15.0, highest_hz.min(22_000.0), |hz| weigh(&stage.of_section(&with_frequency(hz))));
    // Noise moves the number that fits best a little beside the one that was typed.
    let shifted = [0.1, 10.0].map(|shift| section.frequency_hz * shift);
    let slip = match shifted.into_iter().find(|typed| (hz / typed - 1.0).abs() < BESIDE) {
        Some(typed) => Slip::ShiftedDecimal { band, number: "frequency", typed },
        None => Slip::WrongFrequency { band, typed: hz },
    };
    push(slip, &with_frequency(hz), ANY_NUMBER);
    if has_gain(section.kind) {
        // Over a logarithmic axis of the gain's factor, from −30 to +30 dB.
        let with_gain = |factor: f64| Section { gain_db: 20.0 * factor.log10(), ..*section };
        let factor = search(0.0316, 31.6, |factor| weigh(&stage.of_section(&with_gain(factor))));
        let typed = with_gain(factor);
        push(Slip::WrongGain { band, typed: typed.gain_db }, &typed, ANY_NUMBER);
    }
    found.push(Suspect { slip: Slip::MissingBand { band }, ratio: stage.without(), cost: PLAIN });
}

fn of_crossover(
    crossover: usize,
    right: &Crossover,
    stage: &Stage<'_>,
    weigh: &dyn Fn(&[Complex]) -> f64,
    found: &mut Vec<Suspect>,
) {
    let respond = |typed: &Crossover| {
        respond_crossover(typed, stage.rate_hz, stage.frequency_hz).map(|response| stage.ratio(&response))
    };
    let mut push = |slip, typed: &Crossover, cost| {
        if let Some(ratio) = respond(typed) {
            found.push(Suspect { slip, ratio, cost });
        }
    };
    for order in (1..=8).filter(|order| *order != right.order) {
        let typed_db_per_octave = 6 * u32::from(order);
        push(Slip::WrongSlope { crossover, typed_db_per_octave }, &Crossover { order, ..*right }, PLAIN);
    }
    for family in [CrossoverFamily::Butterworth, CrossoverFamily::LinkwitzRiley, CrossoverFamily::Bessel] {
        if family != right.family {
            push(Slip::WrongFamily { crossover, typed: family }, &Crossover { family, ..*right }, PLAIN);
        }
    }
    let with = |frequency_hz: f64| Crossover { frequency_hz, ..*right };
    for shift in [0.1, 10.0] {
        let typed = right.frequency_hz * shift;
        push(Slip::WrongCrossoverFrequency { crossover, typed }, &with(typed), PLAIN);
    }
    let highest_hz = (0.48 * stage.rate_hz).min(22_000.0);
    let typed =
        search(10.0, highest_hz, |hz| respond(&with(hz)).map_or(f64::INFINITY, |ratio| weigh(&ratio)));
    push(Slip::WrongCrossoverFrequency { crossover, typed }, &with(typed), ANY_NUMBER);
    found.push(Suspect { slip: Slip::MissingCrossover { crossover }, ratio: stage.without(), cost: PLAIN });
}

/// The place of the least value between `low` and `high`, over a logarithmic axis: a grid, then halving around it.
fn search(low: f64, high: f64, value: impl Fn(f64) -> f64) -> f64 {
    const STEPS: usize = 60;
    let step = (high / low).ln() / STEPS as f64;
    let at = |i: f64| low * (step * i).exp();
    let least = |places: &mut dyn Iterator<Item = f64>| {
        places
            .map(|i| (value(at(i)), i))
            .fold((f64::INFINITY, 0.0), |best, it| if it.0 < best.0 { it } else { best })
    };
    let (_, mut best) = least(&mut (0..=STEPS).map(|i| i as f64));
    let mut reach = 0.5;
    for _ in 0..9 {
        let from = best;
        let places = [-1.0, 0.0, 1.0].map(|side| (from + side * reach).clamp(0.0, STEPS as f64));
        best = least(&mut places.into_iter()).1;
        reach *= 0.5;
    }
    at(best)
}

fn respond(cascade: &[Biquad], rate_hz: f64, frequency_hz: &[f64]) -> Vec<Complex> {
    frequency_hz
        .iter()
        .map(|&hz| cascade.iter().map(|biquad| biquad.response(hz, rate_hz)).product())
        .collect()
}

fn respond_section(section: &Section, rate_hz: f64, frequency_hz: &[f64]) -> Vec<Complex> {
    match section_biquad(section, rate_hz) {
        Ok(biquad) => respond(&[biquad], rate_hz, frequency_hz),
        Err(_) => vec![Complex::new(1.0, 0.0); frequency_hz.len()],
    }
}

fn respond_crossover(crossover: &Crossover, rate_hz: f64, frequency_hz: &[f64]) -> Option<Vec<Complex>> {
    let cascade = crossover_biquads(crossover, rate_hz).ok()?;
    Some(respond(&cascade, rate_hz, frequency_hz))
}
