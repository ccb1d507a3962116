//! A whole channel of a tune: checked once, then asked for its response, its prediction, its sound.

use std::f64::consts::PI;

use rustfft::num_complex::Complex64;

use super::cookbook::check_section;
use super::{
    Cascade, ChannelRunner, Convolver, DelayLine, FilterError, Prototype, Warp, check_frequency, check_gain,
    check_rate, crossover_stages, section_prototype,
};
use crate::curve::{Curve, log_grid_hz};
use crate::tune::{Biquad, ChannelTune, Polarity, Tune};

/// Headroom is looked for from here up to half the sample rate.
pub const HEADROOM_FROM_HZ: f64 = 5.0;
/// Fine enough for the steepest band a processor offers (Q 30 is 1/20 octave wide).
const HEADROOM_POINTS_PER_OCTAVE: f64 = 96.0;
/// Filters are followed for at most this long after the signal ends.
const LONGEST_TAIL_S: f64 = 10.0;

/// A channel's settings, known to make sense at a sample rate.
#[derive(Debug, Clone)]
pub struct ChannelFilter {
    rate_hz: f64,
    /// Signed: polarity included.
    gain: f64,
    delay_s: f64,
    /// Prototype and `tan` of its corner.
    stages: Vec<(Prototype, f64)>,
    /// Coefficients that came without settings.
    raw: Vec<Biquad>,
    fir: Option<Vec<f64>>,
}

impl ChannelFilter {
    /// Checks a channel at a sample rate.
    ///
    /// # Errors
    /// The first setting that makes no filter; see [`FilterError`].
    pub fn new(channel: &ChannelTune, rate_hz: f64) -> Result<Self, FilterError> {
        check_rate(rate_hz)?;
        check_gain(channel.gain_db)?;
        let delay_ms = channel.delay_ms;
        if !(0.0..=10_000.0).contains(&delay_ms) {
            return Err(FilterError::Delay { delay_ms });
        }
        let warp = Warp::new(rate_hz);
        let mut stages = Vec::new();
        for crossover in &channel.crossovers {
            check_frequency(crossover.frequency_hz, rate_hz)?;
            let corner = warp.tangent(crossover.frequency_hz);
            stages.extend(crossover_stages(crossover)?.into_iter().map(|stage| (stage, corner)));
        }
        for section in &channel.sections {
            check_section(section, rate_hz)?;
            stages.push((section_prototype(section), warp.tangent(section.frequency_hz)));
        }
        let raw = if stages.is_empty() { channel.biquads.clone() } else { Vec::new() };
        for (i, biquad) in raw.iter().enumerate() {
            check_coefficients(biquad).map_err(|why| FilterError::Coefficients { number: i + 1, why })?;
        }
        if let Some(taps) = &channel.fir {
            if taps.is_empty() {
                return Err(FilterError::Taps { why: "no taps; leave it out or give at least one" });
            }
            if taps.iter().any(|tap| !tap.is_finite()) {
                return Err(FilterError::Taps { why: "a tap that is not a finite number" });
            }
        }
        let sign = if channel.polarity == Polarity::Inverted { -1.0 } else { 1.0 };
        Ok(Self {
            rate_hz,
            gain: sign * 10f64.powf(channel.gain_db / 20.0),
            delay_s: delay_ms / 1000.0,
            stages,
            raw,
            fir: channel.fir.clone(),
        })
    }

    /// The sample rate it was checked for.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Crossovers, then sections, as coefficients.
    pub fn biquads(&self) -> Vec<Biquad> {
        let made = self.stages.iter().map(|(prototype, corner)| prototype.biquad(*corner));
        made.chain(self.raw.iter().copied()).collect()
    }

    /// Complex response at a frequency: gain, polarity, filters, taps and delay.
    pub fn response(&self, frequency_hz: f64) -> Complex64 {
        let h = self.without_taps(frequency_hz);
        match &self.fir {
            Some(taps) => taps_responses(taps, self.rate_hz, &[frequency_hz]).iter().fold(h, |h, t| h * t),
            None => h,
        }
    }

    fn without_taps(&self, frequency_hz: f64) -> Complex64 {
        let omega = 2.0 * PI * frequency_hz;
        let t = Warp::new(self.rate_hz).tangent(frequency_hz);
        let mut h = Complex64::from_polar(1.0, -omega * self.delay_s) * self.gain;
        for (prototype, corner) in &self.stages {
            h *= prototype.response(t / corner);
        }
        for biquad in &self.raw {
            h *= biquad.response(frequency_hz, self.rate_hz);
        }
        h
    }

    /// Complex response at each frequency.
    pub fn responses(&self, frequency_hz: &[f64]) -> Vec<Complex64> {
        let mut all: Vec<Complex64> = frequency_hz.iter().map(|&f| self.without_taps(f)).collect();
        if let Some(taps) = &self.fir {
            all.iter_mut().zip(taps_responses(taps, self.rate_hz, frequency_hz)).for_each(|(h, t)| *h *= t);
        }
        all
    }

    /// Level in dB at each frequency.
    pub fn levels_db(&self, frequency_hz: &[f64]) -> Vec<f64> {
        self.responses(frequency_hz).into_iter().map(|h| 20.0 * h.norm().log10()).collect()
    }

    /// What a measured curve becomes through this channel; spread and SNR stay as they were.
    pub fn predict(&self, measured: &Curve) -> Curve {
        let mut predicted = measured.clone();
        for (i, h) in self.responses(&measured.frequency_hz).into_iter().enumerate() {
            predicted.level_db[i] += 20.0 * h.norm().log10();
            if let Some(phase_deg) = &mut predicted.phase_deg {
                phase_deg[i] = wrapped_deg(phase_deg[i] + h.arg().to_degrees());
            }
        }
        predicted
    }

    /// The largest gain at any frequency, in dB; 0 when nothing is raised.
    pub fn headroom_db(&self) -> f64 {
        let top_hz = self.rate_hz / 2.0;
        let grid = log_grid_hz(HEADROOM_FROM_HZ.min(top_hz / 2.0), top_hz, HEADROOM_POINTS_PER_OCTAVE);
        self.levels_db(&grid).into_iter().fold(0.0, f64::max)
    }

    /// Ready to run over audio, at rest.
    pub fn runner(&self) -> ChannelRunner {
        ChannelRunner {
            gain: self.gain,
            cascade: Cascade::new(&self.biquads()),
            fir: self.fir.as_deref().map(Convolver::new),
            delay: DelayLine::new(self.delay_s * self.rate_hz),
        }
    }

    /// Samples that may sound after the last sample of the input: delay, taps, and filters until 120 dB down.
    pub fn tail_samples(&self) -> usize {
        let delay = (self.delay_s * self.rate_hz).ceil() as usize;
        let taps = self.fir.as_ref().map_or(0, |taps| taps.len().saturating_sub(1));
        delay + taps + Cascade::settling_samples(&self.biquads(), (LONGEST_TAIL_S * self.rate_hz) as usize)
    }

    /// The whole of `samples` through the channel, `tail_samples` longer, with time zero where it was.
    pub fn apply(&self, samples: &[f64], tail_samples: usize) -> Vec<f64> {
        let mut runner = self.runner();
        let latency = runner.latency_samples();
        let mut out = samples.to_vec();
        out.resize(samples.len() + tail_samples + latency, 0.0);
        runner.process(&mut out);
        out.drain(..latency);
        out
    }
}

/// Frequencies worked through side by side: a chain of sums for one alone leaves a processor waiting.
const TOGETHER: usize = 16;

/// Complex response of FIR taps at each frequency.
pub fn taps_responses(taps: &[f64], rate_hz: f64, frequency_hz: &[f64]) -> Vec<Complex64> {
    let mut all = Vec::with_capacity(frequency_hz.len());
    for some in frequency_hz.chunks(TOGETHER) {
        let (mut z_re, mut z_im) = ([0.0; TOGETHER], [0.0; TOGETHER]);
        for ((re, im), f) in z_re.iter_mut().zip(&mut z_im).zip(some) {
            let z = Complex64::cis(-2.0 * PI * f / rate_hz);
            (*re, *im) = (z.re, z.im);
        }
        let (mut re, mut im) = ([0.0; TOGETHER], [0.0; TOGETHER]);
        for &tap in taps.iter().rev() {
            for k in 0..TOGETHER {
                let moved = re[k] * z_re[k] - im[k] * z_im[k] + tap;
                im[k] = re[k] * z_im[k] + im[k] * z_re[k];
                re[k] = moved;
            }
        }
        all.extend(some.iter().zip(re.iter().zip(&im)).map(|(_, (re, im))| Complex64::new(*re, *im)));
    }
    all
}

fn check_coefficients(biquad: &Biquad) -> Result<(), &'static str> {
    if biquad.b.iter().chain(&biquad.a).any(|c| !c.is_finite()) {
        return Err("has a coefficient that is not a finite number");
    }
    if biquad.a[0] != 1.0 {
        return Err("must have a[0] = 1; divide all six by a[0]");
    }
    if biquad.is_stable() {
        Ok(())
    } else {
        Err("does not settle: its poles must lie inside the unit circle")
    }
}

/// Into (−180, 180].
pub(crate) fn wrapped_deg(angle_deg: f64) -> f64 {
    180.0 - (180.0 - angle_deg).rem_euclid(360.0)
}

impl Tune {
    /// Each channel checked at the tune's rate; the error names the channel.
    ///
    /// # Errors
    /// The channel's name and the first setting that makes no filter.
    pub fn filters(&self) -> Result<Vec<ChannelFilter>, (String, FilterError)> {
        let checked = |channel| ChannelFilter::new(channel, self.sample_rate_hz);
        self.channels.iter().map(|c| checked(c).map_err(|error| (c.name.clone(), error))).collect()
    }

    /// Computes every channel's `biquads` and the tune's `headroom_db` anew from the settings.
    ///
    /// # Errors
    /// As [`Tune::filters`]; nothing is changed then.
    pub fn refresh_biquads(&mut self) -> Result<(), (String, FilterError)> {
        let filters = self.filters()?;
        self.headroom_db = filters.iter().map(ChannelFilter::headroom_db).fold(0.0, f64::max);
        for (channel, filter) in self.channels.iter_mut().zip(&filters) {
            channel.biquads = filter.biquads();
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tune::{Crossover, CrossoverFamily, Pass, Section, SectionKind};

    fn channel() -> ChannelTune {
        ChannelTune {
            name: "left".into(),
            gain_db: -3.0,
            polarity: Polarity::Inverted,
            delay_ms: 1.234,
            crossovers: vec![Crossover {
                pass: Pass::High,
                family: CrossoverFamily::Butterworth,
                order: 3,
                frequency_hz: 90.0,
            }],
            sections: vec![
                Section { kind: SectionKind::Peaking, frequency_hz: 400.0, gain_db: 5.0, q: 2.0 },
                Section { kind: SectionKind::HighShelf, frequency_hz: 6_000.0, gain_db: -4.0, q: 0.7 },
            ],
            fir: Some(vec![0.9, 0.2, -0.1, 0.05]),
            ..ChannelTune::default()
        }
    }

    /// The transform of the impulse response is the stated response.
    #[test]
    fn what_is_heard_is_what_is_stated() {
        let filter = ChannelFilter::new(&channel(), 48_000.0).unwrap();
        let tail = filter.tail_samples();
        let heard = filter.apply(&[1.0], tail);
        for f in [25.0, 90.0, 400.0, 1_000.0, 9_000.0, 20_000.0] {
            let z = Complex64::cis(-2.0 * PI * f / 48_000.0);
            let found = heard.iter().rev().fold(Complex64::ZERO, |sum, &x| sum * z + x);
            let stated = filter.response(f);
            // The impulse starts at sample 0, so half of the interpolating kernel of the 59.2-sample delay is kept
            // but for its first few taps, 90 dB down.
            assert!((found - stated).norm() < 1e-4, "{f} Hz: {found} for {stated}");
        }
    }

    #[test]
    fn block_size_does_not_change_the_sound() {
        let filter = ChannelFilter::new(&channel(), 48_000.0).unwrap();
        let input: Vec<f64> = (0..3_000).map(|n| (0.1 * f64::from(n * n % 977)).sin()).collect();
        let mut whole = input.clone();
        filter.runner().process(&mut whole);
        let mut parts = input.clone();
        let mut runner = filter.runner();
        parts.chunks_mut(37).for_each(|part| runner.process(part));
        let worst = whole.iter().zip(&parts).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 1e-13, "{worst}");
    }

    #[test]
    fn prediction_adds_level_and_phase() {
        let filter = ChannelFilter::new(&channel(), 48_000.0).unwrap();
        let measured = Curve {
            frequency_hz: vec![100.0, 1_000.0],
            level_db: vec![-10.0, 2.0],
            phase_deg: Some(vec![170.0, -20.0]),
            ..Curve::default()
        };
        let predicted = filter.predict(&measured);
        for i in 0..2 {
            let h = filter.response(measured.frequency_hz[i]);
            assert!((predicted.level_db[i] - measured.level_db[i] - 20.0 * h.norm().log10()).abs() < 1e-12);
            let turn = predicted.phase_deg.as_ref().unwrap()[i] - measured.phase_deg.as_ref().unwrap()[i];
            assert!((Complex64::cis(turn.to_radians()) - h / h.norm()).norm() < 1e-12);
        }
    }

    #[test]
    fn headroom_is_the_largest_rise() {
        let boost = Section { kind: SectionKind::Peaking, frequency_hz: 63.0, gain_db: 6.0, q: 5.0 };
        let of = |gain_db| {
            let channel = ChannelTune { gain_db, sections: vec![boost], ..ChannelTune::default() };
            ChannelFilter::new(&channel, 48_000.0).unwrap().headroom_db()
        };
        // 96 points per octave miss the top of a Q 5 bell by at most 0.005 dB.
        assert!((of(0.0) - 6.0).abs() < 0.005);
        assert!((of(-2.0) - 4.0).abs() < 0.005);
        assert_eq!(of(-10.0), 0.0);
    }

    #[test]
    fn coefficients_alone_are_a_filter_and_are_checked() {
        let mut tune = Tune { sample_rate_hz: 48_000.0, channels: vec![channel()], ..Tune::default() };
        tune.refresh_biquads().unwrap();
        let made = tune.channels[0].clone();
        assert_eq!(made.biquads.len(), 4);
        let bare = ChannelTune { crossovers: vec![], sections: vec![], ..made.clone() };
        let (a, b) =
            (ChannelFilter::new(&made, 48_000.0).unwrap(), ChannelFilter::new(&bare, 48_000.0).unwrap());
        assert!((a.response(500.0) - b.response(500.0)).norm() < 1e-9);
        let broken = Biquad { b: [1.0, 0.0, 0.0], a: [1.0, -2.1, 1.0] };
        let unstable = ChannelTune { biquads: vec![broken], ..ChannelTune::default() };
        assert!(ChannelFilter::new(&unstable, 48_000.0).is_err());
    }

    #[test]
    fn angles_wrap_into_one_turn() {
        assert_eq!((wrapped_deg(180.0), wrapped_deg(-180.0), wrapped_deg(361.0)), (180.0, 180.0, 1.0));
    }
}
