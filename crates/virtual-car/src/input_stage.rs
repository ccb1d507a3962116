//! The fitted processor ahead of its channels: head-unit outputs are trimmed, turned and delayed into sums, and each
//! channel takes the sums that it is given.

use dsp::tune::{ChannelTune, Polarity};

use crate::filter;
use crate::level::add;
use crate::processor::Strip;
use crate::resample::Reader;
use crate::scenario::{AllPass, HeadUnit, InputMix};

/// What is typed into the input stage.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct InputStage {
    /// What the outputs are joined to.
    pub sums: Vec<InputSum>,
    /// Which sums reach each processor channel, by the channel's name; a channel that is not named keeps the outputs
    /// it was wired to.
    pub routes: Vec<(String, Vec<InputMix>)>,
}

/// Some outputs joined to one signal.
#[derive(Debug, Clone, PartialEq)]
pub struct InputSum {
    /// Its name; no head-unit output is called so.
    pub name: String,
    /// What goes in.
    pub parts: Vec<InputPart>,
    /// Filters on the sum, for a tune of [`InputSum::tune_rate_hz`].
    pub settings: ChannelTune,
    /// The rate `settings` were made for.
    pub tune_rate_hz: f64,
}

/// One output as it enters a sum.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct InputPart {
    /// Name of the head-unit output.
    pub output: String,
    /// Gain with which it enters.
    pub gain_db: f64,
    /// Delay of it.
    pub delay_ms: f64,
    /// It enters turned over.
    pub invert: bool,
    /// Its phase is turned by these.
    pub all_passes: Vec<AllPass>,
    /// FIR taps, where it has any, for [`InputPart::taps_rate_hz`].
    pub taps: Option<Vec<f64>>,
    /// The rate `taps` were made for.
    pub taps_rate_hz: f64,
}

impl InputPart {
    fn run(&self, signal: &[f64], rate_hz: f64, reader: &Reader) -> Vec<f64> {
        let polarity = if self.invert { Polarity::Inverted } else { Polarity::Normal };
        let settings = ChannelTune {
            gain_db: self.gain_db,
            delay_ms: self.delay_ms,
            polarity,
            biquads: self.all_passes.iter().map(|it| filter::of_all_pass(it, rate_hz)).collect(),
            fir: self.taps.clone(),
            ..ChannelTune::default()
        };
        Strip::new(&settings, self.taps_rate_hz, rate_hz, reader).run(signal, 0.0, reader)
    }
}

impl InputSum {
    /// The joined signal, from all outputs of `unit` in their order.
    pub(crate) fn run(
        &self,
        unit: &HeadUnit,
        factory: &[Vec<f64>],
        rate_hz: f64,
        reader: &Reader,
    ) -> Vec<f64> {
        let mut sum = vec![0.0; factory.first().map_or(0, Vec::len)];
        for part in &self.parts {
            let outputs = unit.outputs.iter().zip(factory);
            for (_, signal) in outputs.filter(|(output, _)| output.name == part.output) {
                add(&mut sum, &part.run(signal, rate_hz, reader), 1.0);
            }
        }
        Strip::new(&self.settings, self.tune_rate_hz, rate_hz, reader).run(&sum, 0.0, reader)
    }
}
