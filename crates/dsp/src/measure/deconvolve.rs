//! From a recorded sweep to a response: regularised spectral division.

use crate::spectrum::{Complex, Plans, RealTransform};
use crate::stimulus::SweepShape;

/// A stretch of a recording that holds one sweep and its ringing.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    /// First sample of the stretch.
    pub first: i64,
    /// Samples; an even number.
    pub frames: usize,
    /// Where the sweep begins, in samples of the recording.
    pub start: f64,
    /// Recorded samples per second of played time.
    pub frames_per_s: f64,
}

/// Regularisation within the sweep's band, relative to the sweep's own power there.
const INSIDE: f64 = 1e-7;
/// Regularisation at the band's upper edge, where the sweep fades out within a few hertz: the division raises noise there
/// by 20 dB at most (1/(2√ε)). With less, noise just above the edge would outweigh all other in the impulse response.
const AT_UPPER_EDGE: f64 = 2.5e-3;
/// Regularisation beyond the skirt of the band.
const OUTSIDE: f64 = 1e2;
/// Width of the skirt below the band.
const LOW_SKIRT_OCTAVES: f64 = 0.6;
/// Width of the skirt above the band.
const HIGH_SKIRT_OCTAVES: f64 = 0.2;

/// What was played, as one stretch of a recording hears it: ready to divide any channel of that recording.
pub(super) struct Divisor {
    at: Stretch,
    plan: RealTransform,
    /// What each bin is multiplied by.
    inverse: Vec<Complex>,
}

impl Divisor {
    /// The divisor of a sweep.
    ///
    /// The sweep is evaluated at the recording's own instants, so that neither a different clock nor a start between
    /// samples costs anything. The division is regularised relative to the sweep's own falling spectrum, and ever more
    /// so outside its band (O. Kirkeby and P. Nelson, JAES 47(7/8), 1999, with a shaped regulariser; from memory).
    pub fn of_sweep(sweep: &SweepShape, amplitude: f64, at: &Stretch, plans: &Plans) -> Self {
        let mut played =
            sweep.sampled((at.first as f64 - at.start) / at.frames_per_s, 1.0 / at.frames_per_s, at.frames);
        played.iter_mut().for_each(|x| *x *= amplitude);
        let spacing_hz = at.frames_per_s / at.frames as f64;
        Self::new(&played, at, plans, |k, power| {
            let hz = (k as f64).max(0.1) * spacing_hz;
            let expected =
                amplitude * at.frames_per_s * sweep.spectrum_s(hz.clamp(sweep.low_hz, sweep.high_hz));
            1.0 / (power + regularisation(sweep, hz) * expected * expected)
        })
    }

    /// A matched filter: multiplied, not divided.
    pub fn matched(played_at: impl Fn(f64) -> f64, at: &Stretch, plans: &Plans) -> Self {
        let played: Vec<f64> = (0..at.frames as i64)
            .map(|n| played_at(((at.first + n) as f64 - at.start) / at.frames_per_s))
            .collect();
        Self::new(&played, at, plans, |_, _| 1.0)
    }

    /// `scale` is given each bin and the power of what was played in it.
    fn new(played: &[f64], at: &Stretch, plans: &Plans, scale: impl Fn(usize, f64) -> f64) -> Self {
        let plan = plans.of(at.frames);
        let mut inverse = plan.forward(played);
        for (k, x) in inverse.iter_mut().enumerate() {
            *x = x.conj() * scale(k, x.norm_sqr());
        }
        Self { at: *at, plan, inverse }
    }

    /// Cyclic response of the stretch: sample 0 is the beginning of what was played, what comes before it stands at the
    /// end.
    pub fn divide(&self, recording: &[f64]) -> Vec<f64> {
        self.divide_from(recording, self.at.first)
    }

    /// The same for another stretch of the recording that holds the same sound, from sample `first` on.
    pub fn divide_from(&self, recording: &[f64], first: i64) -> Vec<f64> {
        let heard: Vec<f64> = (0..self.at.frames as i64).map(|n| sample(recording, first + n)).collect();
        let mut response = self.plan.forward(&heard);
        response.iter_mut().zip(&self.inverse).for_each(|(y, x)| *y *= x);
        // The quotient is relative to the played signal's own place, so sample 0 is its beginning.
        self.plan.inverse(&response)
    }
}

/// The regulariser at `hz`, relative to the sweep's power in its band.
fn regularisation(sweep: &SweepShape, hz: f64) -> f64 {
    let rising = |from: f64, to: f64, part: f64| {
        let part = part.clamp(0.0, 1.0);
        from * (to / from).powf(part * part * (3.0 - 2.0 * part))
    };
    if hz < sweep.low_hz {
        return rising(INSIDE, OUTSIDE, (sweep.low_hz / hz).log2() / LOW_SKIRT_OCTAVES);
    }
    if hz > sweep.high_hz {
        return rising(AT_UPPER_EDGE, OUTSIDE, (hz / sweep.high_hz).log2() / HIGH_SKIRT_OCTAVES);
    }
    let whole_to_hz = sweep.whole_to_hz();
    rising(INSIDE, AT_UPPER_EDGE, (hz - whole_to_hz) / (sweep.high_hz - whole_to_hz).max(f64::MIN_POSITIVE))
}

/// A sample of the recording; 0 outside it.
pub(super) fn sample(recording: &[f64], n: i64) -> f64 {
    usize::try_from(n).ok().and_then(|n| recording.get(n)).copied().unwrap_or(0.0)
}

/// `cyclic[n]` for any integer `n`.
pub(super) fn around(cyclic: &[f64], n: i64) -> f64 {
    cyclic[n.rem_euclid(cyclic.len() as i64) as usize]
}
