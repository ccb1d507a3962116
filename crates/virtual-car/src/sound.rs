//! The signal's way through the car, on the player's clock and without noise.

use std::borrow::Cow;

use rustfft::num_complex::Complex;

use crate::car::{CarError, FIRST_CHANNEL_OUTPUT, FIRST_LINE_INPUT, VirtualCar, acts_on};
use crate::chance::{Chance, Purpose};
use crate::driver;
use crate::head_unit::{self, Fidelity};
use crate::level::{add, factor, silent};
use crate::processor::Strip;
use crate::scenario::Rattle;
use crate::{cabin, microphone, weather};

/// What is played, ready to run through the car.
pub(crate) struct Played {
    /// Common sample rate.
    pub rate_hz: f64,
    /// Frames of everything that follows.
    pub frames: usize,
    /// Output index and its signal.
    pub signals: Vec<(usize, Vec<f64>)>,
    /// Number of the take, for what is random in it.
    pub take: u64,
    /// The head unit's own player plays: nothing leaves the rig, so its reference hears nothing.
    pub by_itself: bool,
}

impl Played {
    fn on(&self, output: usize) -> Vec<f64> {
        let mut sum = vec![0.0; self.frames];
        for (_, signal) in self.signals.iter().filter(|(index, _)| *index == output) {
            add(&mut sum, signal, 1.0);
        }
        sum
    }
}

impl VirtualCar {
    /// Hands over what reaches each input of `inputs`, all of `played.frames` length, one after the other: a long take of
    /// many lines is not held in memory twice.
    pub(crate) fn listen<R>(
        &self,
        played: &Played,
        inputs: &[usize],
        fidelity: Fidelity,
        mut each: impl FnMut(usize, Vec<f64>) -> R,
    ) -> Vec<R> {
        let factory = self.factory_outputs(played, fidelity);
        // Where only the head unit is probed, what follows it need not be worked out.
        let beyond = inputs.iter().any(|&input| input == 0 || input >= FIRST_LINE_INPUT + factory.len());
        let (mut undone, mut joined, mut fitted) = (Vec::new(), Vec::new(), Vec::new());
        if beyond {
            undone = self.undone(&factory, played.rate_hz);
            joined = self.joined(&factory, played.rate_hz);
            fitted = self.processor_outputs(played, &undone, &joined);
        }
        let line = factor(self.scenario.recorder.line_gain_db);
        let at_line = |signal: &[f64]| signal.iter().map(|s| s * line).collect::<Vec<_>>();
        let mut heard = |input: usize| {
            let signal = match input {
                0 => self.at_microphone(played, &fitted, fidelity),
                1 => {
                    let mut sum = vec![0.0; played.frames];
                    if !played.by_itself {
                        played.signals.iter().for_each(|(_, signal)| add(&mut sum, signal, 1.0));
                    }
                    sum
                }
                _ => {
                    let number = input - FIRST_LINE_INPUT;
                    let ahead = factory.iter().map(Vec::as_slice).chain(undone.iter().map(|it| &**it));
                    let lines = ahead.chain(fitted.iter().chain(&joined).map(Vec::as_slice));
                    lines.skip(number).map(&at_line).next().unwrap_or_default()
                }
            };
            each(input, signal)
        };
        inputs.iter().map(|&input| heard(input)).collect()
    }

    fn factory_outputs(&self, played: &Played, fidelity: Fidelity) -> Vec<Vec<f64>> {
        let music = [played.on(0), played.on(1)];
        if music.iter().all(|side| silent(side)) {
            return vec![vec![0.0; played.frames]; self.scenario.head_unit.outputs.len()];
        }
        let unit = &self.scenario.head_unit;
        let turns = self.turns.iter().map(|&(at_s, step)| ((at_s.max(0.0) * played.rate_hz) as usize, step));
        let volumes: Vec<(usize, u32)> = std::iter::once((0, self.volume)).chain(turns).collect();
        let music = [music[0].as_slice(), music[1].as_slice()];
        let mut outputs = head_unit::outputs(unit, &volumes, music, played.rate_hz, fidelity, &self.reader);
        if fidelity == Fidelity::Real {
            for (index, (output, signal)) in unit.outputs.iter().zip(&mut outputs).enumerate() {
                let chance = Chance::new(self.seed, played.take, Purpose::Factory, index);
                add(signal, &weather::hiss(unit.noise_dbfs, played.frames, chance), 1.0);
                if let Some(hum) = &output.hum {
                    add(signal, &weather::hum(hum, played.rate_hz, played.frames), 1.0);
                }
            }
        }
        outputs
    }

    /// The sums of the input stage, in their order.
    fn joined(&self, factory: &[Vec<f64>], rate_hz: f64) -> Vec<Vec<f64>> {
        let unit = &self.scenario.head_unit;
        let sums = self.input_stage.iter().flat_map(|stage| &stage.sums);
        if factory.iter().all(|signal| silent(signal)) {
            return sums.map(|_| vec![0.0; factory.first().map_or(0, Vec::len)]).collect();
        }
        sums.map(|sum| sum.run(unit, factory, rate_hz, &self.reader)).collect()
    }

    /// The head unit's outputs after the undoing of each.
    fn undone<'a>(&self, factory: &'a [Vec<f64>], rate_hz: f64) -> Vec<Cow<'a, [f64]>> {
        let outputs = self.scenario.head_unit.outputs.iter();
        outputs
            .zip(factory)
            .map(|(output, signal)| {
                let as_it_came = Cow::Borrowed(signal.as_slice());
                let Some(undo) = self.undo.as_ref().filter(|_| !silent(signal)) else {
                    return as_it_came;
                };
                // The output's own name goes before its side's.
                let named = undo.channels.iter().find(|channel| channel.name == output.name);
                let settings =
                    named.or_else(|| undo.channels.iter().find(|channel| acts_on(&channel.name, output)));
                settings.map_or(as_it_came, |settings| {
                    let strip = Strip::new(settings, undo.sample_rate_hz, rate_hz, &self.reader);
                    Cow::Owned(strip.run(signal, 0.0, &self.reader))
                })
            })
            .collect()
    }

    fn processor_outputs(
        &self,
        played: &Played,
        undone: &[Cow<'_, [f64]>],
        joined: &[Vec<f64>],
    ) -> Vec<Vec<f64>> {
        let latency_samples = self.scenario.processor.latency_ms * 1e-3 * played.rate_hz;
        let channels = &self.scenario.channels;
        let stage = self.input_stage.as_ref();
        let undone = undone.iter().map(|signal| &**signal);
        let outputs = self.scenario.head_unit.outputs.iter().map(|output| &output.name).zip(undone);
        let sums = stage.iter().flat_map(|stage| &stage.sums).map(|sum| &sum.name);
        let inputs: Vec<(&String, &[f64])> =
            outputs.chain(sums.zip(joined.iter().map(Vec::as_slice))).collect();
        (0..channels.len())
            .map(|index| {
                let mut input = played.on(index + FIRST_CHANNEL_OUTPUT);
                if self.solo.is_none_or(|alone| alone == index) {
                    let routes = stage.iter().flat_map(|stage| &stage.routes);
                    let routed = routes.rev().find(|(name, _)| *name == channels[index].name);
                    for mix in routed.map_or(&channels[index].inputs, |(_, mixes)| mixes) {
                        let sign = if mix.invert { -1.0 } else { 1.0 };
                        for (_, signal) in inputs.iter().filter(|(name, _)| **name == mix.output) {
                            add(&mut input, signal, sign * factor(mix.gain_db));
                        }
                    }
                }
                if silent(&input) {
                    return input;
                }
                self.strip(index, played.rate_hz).run(&input, latency_samples, &self.reader)
            })
            .collect()
    }

    fn strip(&self, index: usize, rate_hz: f64) -> Strip {
        let name = &self.scenario.channels[index].name;
        let flat = dsp::tune::ChannelTune::default();
        let settings = self.tune.iter().flat_map(|tune| &tune.channels).find(|channel| channel.name == *name);
        let tune_rate_hz = self.tune.as_ref().map_or(rate_hz, |tune| tune.sample_rate_hz);
        Strip::new(settings.unwrap_or(&flat), tune_rate_hz, rate_hz, &self.reader)
    }

    fn at_microphone(&self, played: &Played, fitted: &[Vec<f64>], fidelity: Fidelity) -> Vec<f64> {
        let channels = &self.scenario.channels;
        let mut terminals = vec![vec![0.0; played.frames]; channels.len()];
        for (index, channel) in channels.iter().enumerate() {
            let wiring = &channel.wiring;
            if wiring.dead || silent(&fitted[index]) {
                continue;
            }
            let to = wiring.feeds.as_ref().and_then(|name| self.channel_index(name).ok()).unwrap_or(index);
            let sign = if wiring.inverted { -1.0 } else { 1.0 };
            add(
                &mut terminals[to],
                &fitted[index],
                sign * factor(channel.amplifier_gain_db + wiring.level_db),
            );
        }
        let mut heard = vec![0.0; played.frames];
        for (index, signal) in terminals.iter().enumerate().filter(|(_, signal)| !silent(signal)) {
            for number in 0..channels[index].speakers.len() {
                let speaker = &channels[index].speakers[number];
                let mut cone = match fidelity {
                    Fidelity::Real => driver::drive(speaker, signal, played.rate_hz),
                    Fidelity::Linear => driver::drive_linear(speaker, signal, played.rate_hz),
                };
                if let Some(rattle) = channels[index].wiring.rattle.filter(|_| fidelity == Fidelity::Real) {
                    let chance = Chance::new(self.seed, played.take, Purpose::Rattle, index);
                    buzz(&rattle, &mut cone, played.rate_hz, chance);
                }
                if let Some(path) = self.path(index, number, played.rate_hz) {
                    let full_scale = self.scenario.microphone.full_scale_db_spl;
                    let gain = cabin::microphone_gain(speaker.sensitivity_db_spl, full_scale);
                    add(&mut heard, &path.run(&cone), gain);
                }
            }
        }
        microphone::filter(&self.scenario.microphone, played.rate_hz).run(&heard)
    }

    /// The exact response from `output` to `input` at `frequencies_hz`: no noise, no clipping, no harmonics, one
    /// clock. For judging estimators; no estimator may call it.
    ///
    /// # Errors
    /// [`CarError::NoSuchLine`].
    pub fn true_response(
        &self,
        output: u16,
        input: u16,
        frequencies_hz: &[f64],
        rate_hz: u32,
    ) -> Result<Vec<Complex<f64>>, CarError> {
        let heard = self.true_impulse(output, input, rate_hz as usize, rate_hz)?;
        Ok(frequencies_hz.iter().map(|&hz| at_frequency(&heard, hz / f64::from(rate_hz))).collect())
    }

    /// The same as an impulse response of `frames` samples from the moment of playing.
    ///
    /// # Errors
    /// [`CarError::NoSuchLine`].
    pub fn true_impulse(
        &self,
        output: u16,
        input: u16,
        frames: usize,
        rate_hz: u32,
    ) -> Result<Vec<f64>, CarError> {
        for (direction, asked, count) in
            [("output", output, self.outputs().len()), ("input", input, self.inputs().len())]
        {
            if usize::from(asked) >= count {
                return Err(CarError::NoSuchLine { direction, asked, count });
            }
        }
        let mut impulse = vec![0.0; frames.max(1)];
        impulse[0] = 1.0;
        let played = Played {
            rate_hz: f64::from(rate_hz),
            frames: frames.max(1),
            signals: vec![(usize::from(output), impulse)],
            take: 0,
            by_itself: false,
        };
        let mut heard = self.listen(&played, &[usize::from(input)], Fidelity::Linear, |_, signal| signal);
        Ok(heard.pop().unwrap_or_default())
    }
}

/// The Fourier sum of `signal` at `cycles` per sample.
fn at_frequency(signal: &[f64], cycles: f64) -> Complex<f64> {
    let step = Complex::from_polar(1.0, -std::f64::consts::TAU * cycles);
    // Horner's scheme from the end.
    signal.iter().rev().fold(Complex::default(), |sum, &sample| sum * step + sample)
}

/// Adds what a loose part does: each time the cone exceeds the threshold it is thrown up and rings as it falls back.
fn buzz(rattle: &Rattle, cone: &mut [f64], rate_hz: f64, mut chance: Chance) {
    let threshold = factor(rattle.threshold_dbfs);
    let mut knocks = vec![0.0; cone.len()];
    let (mut resting, mut swing) = (true, 0.0f64);
    let keep = (-1.0 / (0.03 * rate_hz)).exp();
    for (knock, sample) in knocks.iter_mut().zip(cone.iter()) {
        // It falls from as high as the latest swings threw it.
        swing = sample.abs().max(keep * swing);
        let lifted = sample.abs() > threshold;
        if lifted && resting {
            *knock = swing * (0.5 + chance.uniform()) * if chance.uniform() < 0.5 { -1.0 } else { 1.0 };
        }
        resting = !lifted;
    }
    let ring = |frequency_hz| {
        let kind = dsp::tune::SectionKind::HighPass;
        let high = dsp::tune::Section { kind, frequency_hz, gain_db: 0.0, q: 4.0 };
        crate::filter::of_section(&high, rate_hz)
    };
    crate::filter::run(&[ring(rattle.frequency_hz)], &mut knocks);
    add(cone, &knocks, factor(rattle.level_db));
}
