//! Which signal goes to which speaker: always a sweep inside the band its speaker can take.

use dsp::stimulus::{Markers, Recipe, Sides, Signal, Sweep};
use garage::{Channel, RigRecord};
use serde::{Deserialize, Serialize};

/// How long to sweep, and how often.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SweepPlan {
    /// Length of one sweep.
    pub seconds: f64,
    /// Sweeps in one take; two or more let a disturbed one be left out.
    pub repeats: usize,
    /// Silence after each sweep, in which the cabin rings out.
    pub gap_s: f64,
    /// Silence around the markers and at both ends.
    pub pause_s: f64,
    /// Length of a marker; 0 leaves both out, where the reference is recorded on the microphone's own clock.
    pub marker_s: f64,
    /// What is recorded after the stimulus: the cabin rings out, and a late device catches up.
    pub tail_s: f64,
}

impl Default for SweepPlan {
    /// For a real car: two sweeps, so that a slammed door costs one of them and not the take.
    fn default() -> Self {
        Self { seconds: 5.0, repeats: 2, gap_s: 1.0, pause_s: 0.5, marker_s: 0.5, tail_s: 0.3 }
    }
}

impl SweepPlan {
    /// For the virtual car, where nobody slams a door unasked: one short sweep.
    pub fn brisk() -> Self {
        Self { seconds: 2.0, repeats: 1, gap_s: 0.6, pause_s: 0.2, ..Self::default() }
    }

    /// The shortest that still measures a quiet car with a loop-back, for visits that must be small.
    pub fn shortest() -> Self {
        Self { seconds: 0.4, repeats: 1, gap_s: 0.2, pause_s: 0.05, marker_s: 0.0, tail_s: 0.05 }
    }

    /// A sweep, with markers where the plan has them, from `low_hz` to `high_hz`, kept below nine tenths of half the sample rate.
    pub fn recipe(&self, (low_hz, high_hz): (f64, f64), rate_hz: u32, level_dbfs: f64) -> Recipe {
        let high_hz = high_hz.min(0.45 * f64::from(rate_hz));
        let markers = if self.marker_s > 0.0 { Markers::Ends } else { Markers::None };
        let mut sweep = Sweep {
            lead_s: self.pause_s,
            gap_s: self.gap_s,
            tail_s: self.pause_s,
            guard_s: self.pause_s,
            ..Sweep::usual(low_hz, high_hz, self.seconds, self.repeats, markers)
        };
        if self.marker_s > 0.0 {
            sweep.marker.seconds = self.marker_s;
        }
        Recipe { rate_hz, channels: 1, level_dbfs, signal: Signal::Sweep(sweep) }
    }

    /// For an electrical path, where slopes and all-passes are to be told apart: twice as long, and twice at least.
    #[must_use]
    pub fn at_line_level(self) -> Self {
        if self.marker_s == 0.0 {
            // A visit that must be small stays small.
            return self;
        }
        Self { seconds: 2.0 * self.seconds, repeats: self.repeats.max(2), ..self }
    }

    /// The same for two sides: both playing, then the left, the right, and nothing.
    pub fn recipe_of_sides(&self, band_hz: (f64, f64), rate_hz: u32, level_dbfs: f64) -> Recipe {
        let mut recipe = Recipe { channels: 2, ..self.recipe(band_hz, rate_hz, level_dbfs) };
        if let Signal::Sweep(sweep) = &mut recipe.signal {
            // Hum needs a second or two to be told from noise.
            sweep.sides = Some(Sides { quiet_s: self.seconds.clamp(0.5, 2.0), ..Sides::USUAL });
        }
        recipe
    }
}

/// The band that a stimulus for `channel` may hold: its safe band, and nothing below a protected speaker's frequency.
pub fn band_of(channel: &Channel) -> (f64, f64) {
    let (low_hz, high_hz) = channel.safe_band_hz;
    (low_hz.max(channel.safe_frequency_hz.unwrap_or(0.0)), high_hz)
}

/// The band of a take with several speakers playing through their crossovers, in Hz; 20 Hz to 20 kHz for none.
///
/// Each crossover keeps its own speaker safe, so the safe frequencies of single speakers do not narrow it: whoever takes it
/// must know that the crossovers are in ([`crate::handover::Crossovers`]).
pub fn band_of_all<'a>(channels: impl IntoIterator<Item = &'a Channel>) -> (f64, f64) {
    let bands: Vec<(f64, f64)> = channels.into_iter().map(|channel| channel.safe_band_hz).collect();
    let low_hz = bands.iter().map(|band| band.0).fold(f64::INFINITY, f64::min);
    let high_hz = bands.iter().map(|band| band.1).fold(0.0, f64::max);
    if low_hz < high_hz { (low_hz, high_hz) } else { (20.0, 20_000.0) }
}

/// The rig's level, under its own ceiling.
pub fn level_dbfs(rig: &RigRecord) -> f64 {
    rig.level_dbfs.min(rig.ceiling_dbfs)
}
