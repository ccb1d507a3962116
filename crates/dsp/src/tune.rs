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

impl SectionKind {
    /// Whether its gain means anything.
    pub fn has_gain(self) -> bool {
        matches!(self, Self::Peaking | Self::LowShelf | Self::HighShelf)
    }

    /// Whether it is a shelf.
    pub fn is_shelf(self) -> bool {
        matches!(self, Self::LowShelf | Self::HighShelf)
    }
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

/// Which side of its frequency a crossover filter lets through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pass {
    /// A low-pass.
    Low,
    /// A high-pass.
    High,
}

/// The shape of a crossover filter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CrossoverFamily {
    /// Flattest level, −3 dB at its frequency; orders 1 to 8.
    Butterworth,
    /// Butterworth twice, −6 dB at its frequency, sums flat; orders 2, 4, 6, 8.
    LinkwitzRiley,
    /// Flattest delay, −3 dB at its frequency; orders 1 to 8.
    Bessel,
}

impl CrossoverFamily {
    /// Every family, the usual one first.
    pub const ALL: [Self; 3] = [Self::LinkwitzRiley, Self::Butterworth, Self::Bessel];
}

impl std::fmt::Display for CrossoverFamily {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Butterworth => "Butterworth",
            Self::LinkwitzRiley => "Linkwitz-Riley",
            Self::Bessel => "Bessel",
        })
    }
}

/// A crossover filter as a tuner types it in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Crossover {
    /// Low-pass or high-pass.
    pub pass: Pass,
    /// Its shape.
    pub family: CrossoverFamily,
    /// 6 dB per octave for each.
    pub order: u8,
    /// −3 dB point; −6 dB point of a Linkwitz–Riley filter.
    pub frequency_hz: f64,
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
    /// Crossover filters; left out of the file when there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub crossovers: Vec<Crossover>,
    /// The slopes that speaker and filters are to have together, where the tuner chose them apart from the filters: at
    /// most one for each side. Not typed in anywhere; left out of the file when there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub acoustic: Vec<Crossover>,
    /// Filters, in the order they are typed in.
    #[serde(default)]
    pub sections: Vec<Section>,
    /// `crossovers`, then `sections`, as coefficients at the tune's sample rate, for processors that take those.
    ///
    /// `crossovers` and `sections` rule; these are derived from them when a tune is made
    /// ([`Tune::refresh_biquads`]). Where both are empty the coefficients are the filters.
    #[serde(default)]
    pub biquads: Vec<Biquad>,
    /// FIR taps, or none.
    #[serde(default)]
    pub fir: Option<Vec<f64>>,
}

impl ChannelTune {
    /// The slope that speaker and filter are to have together on one side: the tuner's choice, or else that of the filter.
    pub fn slope(&self, pass: Pass) -> Option<&Crossover> {
        self.acoustic.iter().chain(&self.crossovers).find(|it| it.pass == pass)
    }

    /// The slopes that speaker and filters are to have together, both sides.
    pub fn slopes(&self) -> Vec<Crossover> {
        [Pass::High, Pass::Low].into_iter().filter_map(|pass| self.slope(pass).copied()).collect()
    }

    /// True where its taps change nothing but the time: one of them, and zeros.
    pub fn only_waits(&self) -> bool {
        self.fir.as_ref().is_some_and(|taps| taps.iter().filter(|tap| **tap != 0.0).count() == 1)
    }
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
    /// Attenuation needed before the filters so that a full-scale tone of any frequency leaves no channel above full
    /// scale (common practice, no source).
    #[serde(default)]
    pub headroom_db: f64,
    /// What the correction is expected to do.
    #[serde(default)]
    pub predicted: Predicted,
    /// Regions not touched.
    #[serde(default)]
    pub left_alone: Vec<LeftAlone>,
}
