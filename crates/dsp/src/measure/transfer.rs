//! The response of one channel on a time base.

use super::clock::stretch;
use super::deconvolve::Divisor;
use super::noise::Noise;
use super::repeats::{Averaged, average};
use super::resample::resampled;
use super::strongest::{PLACES, loudest, strongest};
use super::time_base::TimeBase;
use super::window::{Cut, Heard};
use super::{MeasureError, RepeatsUsed, sweep_of};
use crate::calibration::MicCalibration;
use crate::spectrum::{Complex, Gate, Plans};
use crate::stimulus::{Recipe, SweepShape};
use crate::verdict::Verdict;

/// A response on a time base: impulse response, complex spectrum, and the noise in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Transfer {
    /// Sample rate of `impulse`.
    pub rate_hz: u32,
    /// The gated response in played time, with what rings before the direct sound.
    pub impulse: Vec<f64>,
    /// Where time zero lies, in seconds from the first sample of `impulse`; may lie outside it.
    pub zero_at_s: f64,
    /// The strongest sample of the response, in seconds from time zero.
    pub strongest_s: f64,
    /// One-sided complex spectrum from 0 Hz; phase is counted from time zero, frequency is in played time.
    pub bins: Vec<Complex>,
    /// Power that noise contributes to each bin.
    pub noise: Vec<f64>,
    /// The same, and more where the repeats differ by more than steady noise explains: a codec's noise follows the signal.
    pub noise_with_signal: Vec<f64>,
    /// Distance of the bins.
    pub spacing_hz: f64,
    /// The time over which noise under the gate is one independent value: a band of `b` Hz holds `b` times this many.
    pub independent_s: f64,
    /// Which sweeps count.
    pub repeats: RepeatsUsed,
    /// What there is to say about the repeats, and how much it matters.
    pub remarks: Vec<(Verdict, String)>,
}

/// What is kept before the direct sound, in periods of the sweep's lowest frequency: the band edge rings both ways, and
/// this much holds the error at 30 Hz of a sweep from 20 Hz to 0.005 dB.
const BEFORE_PERIODS: f64 = 7.0;
/// What is kept before it at least, also where the second harmonic of a short sweep comes close, and at most.
const BEFORE_S: (f64, f64) = (0.15, 1.5);
/// What is kept after it when nobody asks for less.
pub(super) const AFTER_S: f64 = 0.65;

/// The gate that keeps `after_s` after the direct sound.
fn gate(shape: &SweepShape, after_s: f64) -> Gate {
    let before_s =
        (BEFORE_PERIODS / shape.low_hz).min(0.6 * shape.harmonic_advance_s(2)).clamp(BEFORE_S.0, BEFORE_S.1);
    Gate { before_s, rise_s: 0.3 * before_s, after_s, fall_s: 0.35 * after_s }
}

/// What is kept of the working for the facts.
pub(super) struct Working {
    pub heard: Heard,
    pub gate: Gate,
    pub gate_energy: f64,
    pub direct: i64,
    pub used: Vec<usize>,
}

/// What was played, as one recording heard it on its time base: worked out once for all channels of the recording.
pub struct Played {
    shape: SweepShape,
    frames_per_s: f64,
    /// The number of each sweep from 1.
    divisors: Vec<(usize, Divisor)>,
    cut: Cut,
    /// Around the places where the direct sound may lie.
    places: Cut,
}

impl Played {
    /// For a recording on `base`. `after_s` is how much is kept after the direct sound (two thirds of a second are right
    /// for a car).
    ///
    /// # Errors
    /// [`MeasureError`] where the recipe has no sweep or the time base no complete one.
    pub fn new(plans: &Plans, recipe: &Recipe, base: &TimeBase, after_s: f64) -> Result<Self, MeasureError> {
        let sweep = sweep_of(recipe)?;
        let divisor = |&(number, start): &(usize, f64)| {
            let at = stretch(sweep, start, base.frames_per_s);
            (number, Divisor::of_sweep(&sweep.shape, recipe.amplitude(), &at, plans))
        };
        let divisors: Vec<(usize, Divisor)> = base.sweeps.iter().map(divisor).collect();
        if divisors.is_empty() {
            return Err(MeasureError::NotFound);
        }
        let cut = Cut::new(gate(&sweep.shape, after_s), base.frames_per_s, plans);
        let places = Cut::new(PLACES, base.frames_per_s, plans);
        Ok(Self { shape: sweep.shape, frames_per_s: base.frames_per_s, divisors, cut, places })
    }

    /// The response of one channel of the recording, which says it runs at `rate_hz`.
    ///
    /// Time zero is where the time base places the stimulus. `microphone` is subtracted.
    pub fn response(&self, channel: &[f64], rate_hz: u32, microphone: Option<&MicCalibration>) -> Transfer {
        self.worked_out(channel, rate_hz, microphone).0
    }

    pub(super) fn worked_out(
        &self,
        channel: &[f64],
        rate_hz: u32,
        microphone: Option<&MicCalibration>,
    ) -> (Transfer, Working) {
        let rate = f64::from(rate_hz);
        let divided = self.divisors.iter().map(|(number, divisor)| (*number, divisor.divide(channel)));
        let heard = Heard { repeats: divided.collect(), frames_per_s: self.frames_per_s };
        let (cut, shape) = (&self.cut, &self.shape);
        let noise = Noise::read(&heard, cut, loudest(&heard), shape);
        let direct = strongest(&heard, &self.places, &noise.typical(), cut.spacing_hz(), cut.energy());
        let spectra: Vec<Vec<Complex>> =
            heard.repeats.iter().map(|(_, cyclic)| cut.spectrum(cyclic, direct)).collect();
        let band_hz = (shape.low_hz, shape.high_hz);
        let mut averaged =
            average(&spectra, &noise.typical(), cut.spacing_hz(), cut.independent_s(), band_hz);
        if let Some(microphone) = microphone {
            microphone.correct_spectrum(&mut averaged.bins, cut.spacing_hz());
            for k in 0..averaged.noise.len() {
                let hz = (k as f64 * cut.spacing_hz()).max(f64::MIN_POSITIVE);
                let share = 10f64.powf(-microphone.level_at_db(hz) / 10.0);
                averaged.noise[k] *= share;
                averaged.following[k] *= share;
            }
        }
        let (gated, first) = cut.impulse(&averaged.bins, direct);
        // In played time, so that a fast clock neither stretches the response nor shifts a frequency.
        let begins_s = first as f64 / self.frames_per_s;
        let zero_at = (-begins_s * rate).ceil();
        let frames = (gated.len() as f64 / self.frames_per_s * rate) as usize;
        let shift_s = -zero_at / rate - begins_s;
        let impulse = resampled(&gated, self.frames_per_s, shift_s, rate, frames);
        let number = |&r: &usize| heard.repeats.get(r).map_or(0, |(number, _)| *number);
        let repeats = RepeatsUsed {
            used: averaged.used.len(),
            rejected: averaged.rejected.iter().map(number).collect(),
        };
        let remarks = remarks(&averaged, number);
        let transfer = Transfer {
            rate_hz,
            impulse,
            zero_at_s: zero_at / rate,
            strongest_s: direct as f64 / self.frames_per_s,
            bins: averaged.bins,
            noise: averaged.noise,
            noise_with_signal: averaged.following,
            spacing_hz: cut.spacing_hz(),
            independent_s: cut.independent_s(),
            repeats,
            remarks,
        };
        let working =
            Working { heard, gate: *cut.gate(), gate_energy: cut.energy(), direct, used: averaged.used };
        (transfer, working)
    }
}

fn remarks(averaged: &Averaged, number: impl Fn(&usize) -> usize) -> Vec<(Verdict, String)> {
    let mut remarks = Vec::new();
    for r in &averaged.rejected {
        let words = format!("Repeat {} was disturbed and is left out.", number(r));
        remarks.push((Verdict::Good, words));
    }
    for (r, from_hz, to_hz) in &averaged.partly {
        let words = format!(
            "Repeat {} was disturbed between {from_hz:.0} and {to_hz:.0} Hz and is left out where it was.",
            number(r)
        );
        remarks.push((Verdict::Usable, words));
    }
    if let Some((from_hz, to_hz)) = averaged.contested_hz {
        let words = format!(
            "The repeats contradict one another between {from_hz:.0} and {to_hz:.0} Hz, and nothing tells which is right; wait for quiet and take it again."
        );
        remarks.push((Verdict::Retake, words));
    }
    remarks
}
