//! The part of a scenario that the factory built.

use dsp::tune::Section;
use serde::{Deserialize, Serialize};

/// A factory head unit: a player, a volume control, and outputs that are each bent in their own way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeadUnit {
    /// The volume control.
    pub volume: Volume,
    /// Bass and treble lifted at low volume.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub loudness: Option<Loudness>,
    /// Outputs soften from 6 dB below this level and never exceed it.
    pub clip_dbfs: f64,
    /// Word length of the player; `None` plays as it comes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub player_bits: Option<u32>,
    /// Hiss of each output while the player runs, whatever the volume.
    pub noise_dbfs: f64,
    /// Equalisation of everything, before it is split.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub equalisation: Vec<Section>,
    /// What leaves it.
    pub outputs: Vec<FactoryOutput>,
}

/// Steps from silence to full.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Volume {
    /// The highest step.
    pub steps: u32,
    /// Decibels from step to step.
    pub db_per_step: f64,
    /// Gain of the highest step.
    pub full_gain_db: f64,
    /// Where it stands when the car arrives.
    pub set_to: u32,
}

impl Volume {
    /// Gain at `step`; step 0 is silence.
    pub fn gain_db(&self, step: u32) -> f64 {
        if step == 0 {
            return f64::NEG_INFINITY;
        }
        self.full_gain_db - f64::from(self.steps.saturating_sub(step)) * self.db_per_step
    }
}

/// A loudness contour that fades out as the volume rises.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Loudness {
    /// From this step up there is none.
    pub none_from_step: u32,
    /// Corner of the bass shelf.
    pub bass_hz: f64,
    /// Bass lift per step below.
    pub bass_db_per_step: f64,
    /// It lifts no further than this.
    pub bass_most_db: f64,
    /// Corner of the treble shelf.
    pub treble_hz: f64,
    /// Treble lift per step below.
    pub treble_db_per_step: f64,
    /// It lifts no further than this.
    pub treble_most_db: f64,
}

/// How much of each side of the music feeds an output.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Side {
    /// Factor of the left.
    pub left: f64,
    /// Factor of the right.
    pub right: f64,
}

/// One pair of wires out of the head unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FactoryOutput {
    /// What the wiring diagram calls it.
    pub name: String,
    /// Which side feeds it; left +1 and right −1 is the difference.
    pub feed: Side,
    /// Its level.
    #[serde(default)]
    pub gain_db: f64,
    /// Its delay.
    #[serde(default)]
    pub delay_ms: f64,
    /// It leaves turned over.
    #[serde(default)]
    pub inverted: bool,
    /// How the factory cut its band out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub splits: Vec<Split>,
    /// Its own equalisation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub equalisation: Vec<Section>,
    /// Phase that the factory turned on purpose.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub all_passes: Vec<AllPass>,
    /// What the mains leave on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hum: Option<Hum>,
}

/// Hum on an output: the mains frequency and its odd multiples, each a third of the last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hum {
    /// 50 or 60.
    pub mains_hz: f64,
    /// Level of the first line.
    pub level_dbfs: f64,
}

/// Which end of the band a split cuts off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SplitEdge {
    /// Keeps what is above.
    HighPass,
    /// Keeps what is below.
    LowPass,
}

/// A family of crossover filters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Family {
    /// −3 dB at the corner.
    Butterworth,
    /// −6 dB at the corner: a Butterworth of half the order, twice.
    LinkwitzRiley,
}

/// One band edge of a factory output.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Split {
    /// High-pass or low-pass.
    pub edge: SplitEdge,
    /// Which filters.
    pub family: Family,
    /// 1 to 8, 6 dB per octave each; even for Linkwitz–Riley.
    pub order: u32,
    /// Corner.
    pub frequency_hz: f64,
}

/// An all-pass section.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AllPass {
    /// 1 or 2.
    pub order: u32,
    /// Where the phase has turned by 90° (first order) or 180° (second order).
    pub frequency_hz: f64,
    /// Q of a second-order section.
    #[serde(default = "one_over_root_two")]
    pub q: f64,
}

fn one_over_root_two() -> f64 {
    std::f64::consts::FRAC_1_SQRT_2
}
