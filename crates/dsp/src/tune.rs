//! One complete set of processor settings.

use serde::{Deserialize, Serialize};

/// The filter kinds of the W3C Audio EQ Cookbook that processors offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SectionKind {
    /// A bell of the given gain and Q.
    Peaking,
    /// A shelf below the frequency.
    LowShelf,
    /// A shelf above the frequency.
    HighShelf,
    /// Second-order low-pass of the given Q.
    LowPass,
    /// Second-order high-pass of the given Q.
    HighPass,
    /// Second-order all-pass of the given Q.
    AllPass,
}

/// One filter as a tuner types it in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Section {
    /// Which filter.
    pub kind: SectionKind,
    /// Centre, corner or midpoint frequency.
    pub frequency_hz: f64,
    /// Gain; 0 for the kinds that have none.
    #[serde(default)]
    pub gain_db: f64,
    /// Q, the cookbook's definition.
    pub q: f64,
}

/// Coefficients with `a[0] = 1`: `y = b0 x0 + b1 x1 + b2 x2 − a1 y1 − a2 y2`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Biquad {
    /// Feed-forward.
    pub b: [f64; 3],
    /// Feedback; the first is 1.
    pub a: [f64; 3],
}

/// Which way round a signal leaves a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Polarity {
    /// As it came.
    #[default]
    Normal,
    /// Turned over.
    Inverted,
}

/// Settings of one processor output.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ChannelTune {
    /// The channel's name in the car's channel map.
    pub name: String,
    /// Level trim.
    #[serde(default)]
    pub gain_db: f64,
    /// Polarity switch.
    #[serde(default)]
    pub polarity: Polarity,
    /// Delay.
    #[serde(default)]
    pub delay_ms: f64,
    /// Filters, in the order they are typed in.
    #[serde(default)]
    pub sections: Vec<Section>,
    /// The same filters as coefficients at the tune's sample rate; empty or as long as `sections`.
    #[serde(default)]
    pub biquads: Vec<Biquad>,
    /// FIR taps, or none.
    #[serde(default)]
    pub fir: Option<Vec<f64>>,
}

/// A region that the correction does not touch, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LeftAlone {
    /// Lower edge.
    pub from_hz: f64,
    /// Upper edge.
    pub to_hz: f64,
    /// Plain words.
    pub reason: String,
}

/// Weighted rms distance from the target, before and after.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Predicted {
    /// As measured.
    pub rms_error_db_before: f64,
    /// With the tune, as predicted.
    pub rms_error_db_after: f64,
}

/// One complete set of processor settings; numbered and never changed once saved.
///
/// `format` and `version` (design: `cabinwright-tune`, 1) are added and checked where the tune is read and written.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Tune {
    /// Rate that `biquads` and `fir` are meant for.
    pub sample_rate_hz: f64,
    /// One per processor output.
    pub channels: Vec<ChannelTune>,
    /// Attenuation needed before the filters so that no signal can clip.
    #[serde(default)]
    pub headroom_db: f64,
    /// What the correction is expected to do.
    #[serde(default)]
    pub predicted: Predicted,
    /// Regions not touched.
    #[serde(default)]
    pub left_alone: Vec<LeftAlone>,
}
