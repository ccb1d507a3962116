//! What a processor can do.

use serde::{Deserialize, Serialize};

use crate::filter::stages_of;
use crate::tune::{ChannelTune, Crossover, CrossoverFamily, Section, SectionKind};

/// A range with an optional step; without a step the setting is continuous.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Range {
    /// Smallest setting.
    pub min: f64,
    /// Largest setting.
    pub max: f64,
    /// Distance between settings, counted from zero.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<f64>,
}

/// The frequencies a band may have.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Frequencies {
    /// A fixed list, in hertz: the sliders of a graphic equaliser, or all that a band can be set to.
    List {
        /// Ascending.
        list: Vec<f64>,
    },
    /// A range, continuous or in equal parts of an octave counted from 1 kHz.
    Span {
        /// Lowest frequency.
        min: f64,
        /// Highest frequency.
        max: f64,
        /// Settings in each octave.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        per_octave: Option<f64>,
    },
}

/// The delay a processor offers on each channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DelayRange {
    /// Longest delay.
    pub max: f64,
    /// Distance between settings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<f64>,
}

/// How much of a channel's taps may sound ahead of the sound itself.
///
/// What comes less than 20 ms before a sound is hidden by it in part (backward masking; E. Zwicker, H. Fastl,
/// *Psychoacoustics*, from memory); the usual bound, 5 ms and −30 dB, is well inside that (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PreRinging {
    /// Nothing comes earlier than this before the main tap; also how much later every channel comes, so that 0 asks
    /// for taps without delay.
    pub longest_ms: f64,
    /// What comes earlier than a millisecond before the main tap stays this far below the sound, in every octave.
    pub loudest_db: f64,
}

impl Default for PreRinging {
    fn default() -> Self {
        Self { longest_ms: 5.0, loudest_db: -30.0 }
    }
}

impl PreRinging {
    /// Longest bounds there are, in milliseconds; what comes earlier is heard apart.
    pub const LONGEST_MS: std::ops::RangeInclusive<f64> = 0.0..=20.0;
    /// Loudest bounds there are, in decibels: quieter is less than 24 bits hold, louder is no bound.
    pub const LOUDEST_DB: std::ops::RangeInclusive<f64> = -120.0..=-20.0;

    /// True for the bound that is taken where none is given.
    pub fn is_usual(&self) -> bool {
        *self == Self::default()
    }
}

/// One processor's means, per channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// The processor's own sample rate.
    pub sample_rate_hz: f64,
    /// Equaliser bands per channel.
    pub bands: usize,
    /// The kinds of band it has.
    pub kinds: Vec<SectionKind>,
    /// Gain of a band.
    pub gain_db: Range,
    /// Q of a band.
    pub q: Range,
    /// Frequency of a band.
    pub frequency_hz: Frequencies,
    /// Delay of a channel, in milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delay_ms: Option<DelayRange>,
    /// FIR taps per channel; 0 where there are none.
    #[serde(default)]
    pub fir_taps: usize,
    /// How much taps may ring ahead of the sound.
    #[serde(default, skip_serializing_if = "PreRinging::is_usual")]
    pub pre_ringing: PreRinging,
    /// Crossover filters it has; every kind where none is named.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub crossovers: Vec<CrossoverKind>,
    /// Crossover filters are built from the equaliser's bands, one for each first- or second-order stage; otherwise they
    /// are sections of their own and take none.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub crossovers_take_bands: bool,
}

/// A family of crossover filters and the orders it comes in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CrossoverKind {
    /// Its shape.
    pub family: CrossoverFamily,
    /// 6 dB per octave for each.
    pub orders: Vec<u8>,
}

impl Range {
    /// The nearest setting; within the range, and on its step where there is one.
    pub fn on_step(&self, value: f64) -> f64 {
        let Some(step) = self.step.filter(|step| *step > 0.0) else {
            return value.clamp(self.min, self.max.max(self.min));
        };
        let (lowest, highest) = ((self.min / step - 1e-9).ceil(), (self.max / step + 1e-9).floor());
        if lowest > highest {
            return self.min;
        }
        tidy((value / step).round().clamp(lowest, highest) * step)
    }
}

impl Frequencies {
    /// Lowest and highest; a list without entries has 20 Hz and 20 kHz.
    pub fn ends_hz(&self) -> (f64, f64) {
        match self {
            Self::List { list } => {
                (list.first().copied().unwrap_or(20.0), list.last().copied().unwrap_or(20_000.0))
            }
            Self::Span { min, max, .. } => (*min, *max),
        }
    }

    /// The nearest setting, in octaves.
    pub fn nearest_hz(&self, frequency_hz: f64) -> f64 {
        match self {
            Self::List { list } => {
                let away = |f: &f64| (f / frequency_hz).ln().abs();
                let nearest = list.iter().copied().min_by(|a, b| away(a).total_cmp(&away(b)));
                nearest.unwrap_or(frequency_hz)
            }
            Self::Span { min, max, per_octave } => {
                let inside = frequency_hz.clamp(*min, max.max(*min));
                let Some(per_octave) = per_octave.filter(|it| *it > 0.0) else { return inside };
                // Counted from 1 kHz.
                let at = 1000.0 * (((inside / 1000.0).log2() * per_octave).round() / per_octave).exp2();
                tidy(at.clamp(*min, max.max(*min)))
            }
        }
    }
}

impl Limits {
    /// True for a graphic equaliser: a fixed list with a band for each of its frequencies, so that none takes two.
    pub fn is_graphic(&self) -> bool {
        matches!(&self.frequency_hz, Frequencies::List { list } if self.bands >= list.len())
    }

    /// The Q nearest to `q` within the range, off its steps: where the range knows none so low, its lowest.
    pub fn q_within(&self, q: f64) -> f64 {
        q.max(self.q.min).min(self.q.max)
    }

    /// The nearest section that can be set.
    pub fn on_steps(&self, section: &Section) -> Section {
        let gain_db = if section.kind.has_gain() { self.gain_db.on_step(section.gain_db) } else { 0.0 };
        Section {
            kind: section.kind,
            frequency_hz: self.frequency_hz.nearest_hz(section.frequency_hz),
            gain_db,
            q: self.q.on_step(section.q),
        }
    }

    /// The crossover filter to take where one of `order` is wanted: the nearest order, Linkwitz–Riley before the others.
    pub fn crossover(&self, order: u8) -> (CrossoverFamily, u8) {
        let rank = |family: CrossoverFamily| match family {
            CrossoverFamily::LinkwitzRiley => 0,
            CrossoverFamily::Butterworth => 1,
            CrossoverFamily::Bessel => 2,
        };
        CrossoverFamily::ALL
            .into_iter()
            .flat_map(|family| self.crossover_orders(family).into_iter().map(move |order| (family, order)))
            .min_by_key(|(family, has)| (has.abs_diff(order), rank(*family)))
            .unwrap_or((CrossoverFamily::LinkwitzRiley, order))
    }

    /// As [`Limits::crossover`] with at most `bands` of the bands; what comes nearest where none is small enough.
    pub fn crossover_within(&self, order: u8, bands: usize) -> (CrossoverFamily, u8) {
        let fits = |order: &u8| {
            let (family, order) = self.crossover(*order);
            !self.crossovers_take_bands || stages_of(family, order) <= bands
        };
        self.crossover((1..=order).rev().find(fits).unwrap_or(1))
    }

    /// Bands that a channel's crossovers take: none where they are sections of their own.
    pub fn bands_of_crossovers(&self, crossovers: &[Crossover]) -> usize {
        if self.crossovers_take_bands {
            crossovers.iter().map(|it| stages_of(it.family, it.order)).sum()
        } else {
            0
        }
    }

    /// Bands of a channel that are not used yet.
    pub fn bands_left(&self, channel: &ChannelTune) -> usize {
        let used = channel.sections.len() + self.bands_of_crossovers(&channel.crossovers);
        self.bands.saturating_sub(used)
    }

    /// The orders in which a family of crossover filters can be set; none where the processor does not have it.
    pub fn crossover_orders(&self, family: CrossoverFamily) -> Vec<u8> {
        let all = match family {
            CrossoverFamily::LinkwitzRiley => vec![2, 4, 6, 8],
            CrossoverFamily::Butterworth | CrossoverFamily::Bessel => (1..=8).collect(),
        };
        if self.crossovers.is_empty() {
            return all;
        }
        let has =
            |order: &u8| self.crossovers.iter().any(|it| it.family == family && it.orders.contains(order));
        all.into_iter().filter(has).collect()
    }

    /// The nearest delay that can be set.
    pub fn delay_on_step_ms(&self, delay_ms: f64) -> f64 {
        match self.delay_ms {
            Some(it) => Range { min: 0.0, max: it.max, step: it.step }.on_step(delay_ms),
            None => delay_ms.max(0.0),
        }
    }
}

/// Multiplying back leaves 2.4000000000000004; nine decimals are finer than any processor's step.
fn tidy(value: f64) -> f64 {
    // Adding zero turns -0 into 0.
    (value * 1e9).round() / 1e9 + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tune::Pass;

    #[test]
    fn a_crossover_is_one_the_processor_has() {
        let text = r#"{"sample_rate_hz":48000,"bands":5,"kinds":["peaking"],"gain_db":{"min":-15,"max":6},
            "q":{"min":0.3,"max":10},"frequency_hz":{"min":20,"max":20000},
            "crossovers":[{"family":"butterworth","orders":[1,2,3]},{"family":"linkwitz_riley","orders":[2]}]}"#;
        let limits: Limits = serde_json::from_str(text).unwrap();
        assert_eq!(limits.crossover(4), (CrossoverFamily::Butterworth, 3));
        assert_eq!(limits.crossover(2), (CrossoverFamily::LinkwitzRiley, 2));
        assert_eq!(limits.crossover_orders(CrossoverFamily::Butterworth), [1, 2, 3]);
        assert_eq!(limits.crossover_orders(CrossoverFamily::LinkwitzRiley), [2]);
        assert!(limits.crossover_orders(CrossoverFamily::Bessel).is_empty());
        let any = Limits { crossovers: Vec::new(), ..limits };
        assert_eq!(any.crossover_orders(CrossoverFamily::LinkwitzRiley), [2, 4, 6, 8]);
        assert_eq!(any.crossover(4), (CrossoverFamily::LinkwitzRiley, 4));
    }

    #[test]
    fn crossovers_take_bands_only_where_the_limits_say_so() {
        let text = r#"{"sample_rate_hz":48000,"bands":5,"kinds":["peaking"],"gain_db":{"min":-15,"max":6},
            "q":{"min":0.3,"max":10},"frequency_hz":{"min":20,"max":20000}}"#;
        let own: Limits = serde_json::from_str(text).unwrap();
        assert!(!serde_json::to_string(&own).unwrap().contains("take_bands"), "nothing new in older files");
        let taking = Limits { crossovers_take_bands: true, ..own.clone() };
        let edge = |order| Crossover {
            pass: Pass::High,
            family: CrossoverFamily::LinkwitzRiley,
            order,
            frequency_hz: 80.0,
        };
        let channel = ChannelTune {
            crossovers: vec![edge(4), edge(2)],
            sections: Vec::new(),
            ..ChannelTune::default()
        };
        assert_eq!((own.bands_left(&channel), taking.bands_left(&channel)), (5, 2));
        assert_eq!(own.crossover_within(8, 1), (CrossoverFamily::LinkwitzRiley, 8));
        // Eighth order is four second-order stages, fourth order two.
        assert_eq!(taking.crossover_within(8, 4), (CrossoverFamily::LinkwitzRiley, 8));
        assert_eq!(taking.crossover_within(8, 2), (CrossoverFamily::LinkwitzRiley, 4));
        assert_eq!(taking.crossover_within(4, 0), taking.crossover(1));
    }

    #[test]
    fn settings_land_on_steps_and_inside() {
        let gain = Range { min: -15.0, max: 6.0, step: Some(0.25) };
        assert_eq!([gain.on_step(-3.11), gain.on_step(9.0), gain.on_step(-20.0)], [-3.0, 6.0, -15.0]);
        // The range begins between two steps: the first inside it.
        assert_eq!(Range { min: 0.35, max: 10.0, step: Some(0.1) }.on_step(0.1), 0.4);
        assert_eq!(Range { min: 0.3, max: 10.0, step: None }.on_step(0.71), 0.71);
        let span = Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: Some(3.0) };
        assert!((span.nearest_hz(105.0) - 99.212_566).abs() < 1e-5, "{}", span.nearest_hz(105.0));
        assert_eq!(Frequencies::List { list: vec![63.0, 125.0] }.nearest_hz(90.0), 125.0);
    }
}
