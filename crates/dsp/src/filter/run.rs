//! Filters that run over audio, block after block.

use super::{Convolver, DelayLine};
use crate::tune::Biquad;

/// Second-order sections one after the other, with their state (transposed direct form II).
#[derive(Debug, Clone)]
pub struct Cascade {
    stages: Vec<(Biquad, [f64; 2])>,
}

impl Cascade {
    /// At rest.
    pub fn new(biquads: &[Biquad]) -> Self {
        Self { stages: biquads.iter().map(|&biquad| (biquad, [0.0; 2])).collect() }
    }

    /// Filters `samples` in place.
    pub fn process(&mut self, samples: &mut [f64]) {
        for (Biquad { b, a }, state) in &mut self.stages {
            let [mut s1, mut s2] = *state;
            for sample in samples.iter_mut() {
                let x = *sample;
                let y = b[0] * x + s1;
                s1 = b[1] * x - a[1] * y + s2;
                s2 = b[2] * x - a[2] * y;
                *sample = y;
            }
            *state = [s1, s2];
        }
    }

    /// Samples until the impulse response stays 120 dB below its largest value, at most `longest`.
    pub fn settling_samples(biquads: &[Biquad], longest: usize) -> usize {
        if biquads.is_empty() {
            return 0;
        }
        let mut cascade = Self::new(biquads);
        let mut impulse = vec![0.0; longest];
        if let Some(first) = impulse.first_mut() {
            *first = 1.0;
        }
        cascade.process(&mut impulse);
        let peak = impulse.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
        impulse.iter().rposition(|x| x.abs() > 1e-6 * peak).map_or(0, |last| last + 1)
    }
}

/// One channel's gain, polarity, sections, taps and delay over audio, with state between blocks.
///
/// Made by [`ChannelFilter::runner`](super::ChannelFilter::runner).
pub struct ChannelRunner {
    pub(super) gain: f64,
    pub(super) cascade: Cascade,
    pub(super) fir: Option<Convolver>,
    pub(super) delay: DelayLine,
}

impl ChannelRunner {
    /// Filters `samples` in place.
    pub fn process(&mut self, samples: &mut [f64]) {
        samples.iter_mut().for_each(|x| *x *= self.gain);
        self.cascade.process(samples);
        if let Some(fir) = &mut self.fir {
            fir.process(samples);
        }
        self.delay.process(samples);
    }

    /// Samples by which everything comes later than the tune says; zero unless the delay has a part of a sample.
    pub fn latency_samples(&self) -> usize {
        self.delay.latency_samples()
    }
}
