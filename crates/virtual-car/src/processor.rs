//! The fitted processor: runs a tune over its channels.

use dsp::tune::{Biquad, ChannelTune, Polarity};

use crate::filter;
use crate::level::factor;
use crate::resample::Reader;
use crate::transform::Convolver;

/// One channel's settings made ready for a sample rate.
pub struct Strip {
    cascade: Vec<Biquad>,
    fir: Option<Convolver>,
    gain: f64,
    delay_samples: f64,
}

impl Strip {
    /// `settings` of a tune made for `tune_rate_hz`, to be run at `rate_hz`.
    ///
    /// Crossovers and sections are designed anew at the rate that runs; coefficients without sections are taken as they stand, which
    /// is right only at their own rate. FIR taps are carried over to the rate by band-limited reading.
    pub fn new(settings: &ChannelTune, tune_rate_hz: f64, rate_hz: f64, reader: &Reader) -> Self {
        let cascade = if settings.sections.is_empty() && settings.crossovers.is_empty() {
            settings.biquads.clone()
        } else {
            let crossovers = settings.crossovers.iter().flat_map(|it| filter::of_crossover(it, rate_hz));
            let sections = settings.sections.iter().map(|section| filter::of_section(section, rate_hz));
            crossovers.chain(sections).collect()
        };
        let fir = settings
            .fir
            .as_ref()
            .map(|taps| Convolver::new(&carried_over(taps, tune_rate_hz, rate_hz, reader)));
        let sign = if settings.polarity == Polarity::Inverted { -1.0 } else { 1.0 };
        Self {
            cascade,
            fir,
            gain: sign * factor(settings.gain_db),
            delay_samples: settings.delay_ms * 1e-3 * rate_hz,
        }
    }

    /// The channel's output for `input`, later by the processor's own `latency_samples`.
    pub fn run(&self, input: &[f64], latency_samples: f64, reader: &Reader) -> Vec<f64> {
        let mut signal = input.to_vec();
        filter::run(&self.cascade, &mut signal);
        if let Some(fir) = &self.fir {
            signal = fir.run(&signal);
        }
        signal.iter_mut().for_each(|sample| *sample *= self.gain);
        reader.delay(&signal, self.delay_samples + latency_samples)
    }
}

fn carried_over(taps: &[f64], tune_rate_hz: f64, rate_hz: f64, reader: &Reader) -> Vec<f64> {
    if tune_rate_hz == rate_hz {
        return taps.to_vec();
    }
    let ratio = tune_rate_hz / rate_hz;
    let length = (taps.len() as f64 / ratio).ceil() as usize;
    (0..length).map(|n| ratio * reader.read(taps, n as f64 * ratio)).collect()
}
