//! The part of a scenario that is air: cabin, seats, speakers.

use dsp::tune::Section;
use serde::{Deserialize, Serialize};

/// A box of air with walls that absorb differently at each frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cabin {
    /// Width, length, height.
    pub size_m: [f64; 3],
    /// Air temperature; sets the speed of sound.
    pub temperature_c: f64,
    /// The six walls: left, right, front, rear, floor, roof.
    pub surfaces: [Surface; 6],
    /// How far a reflection is displaced from the ideal mirror image for each wall it has met.
    ///
    /// Real trim is not flat; without this the modes of the box are unnaturally regular.
    pub scatter_m: f64,
    /// Pressure rise at the lowest frequencies, above what open air would give.
    pub pressure_rise_db: f64,
    /// Where the rise has reached half its decibels.
    pub pressure_rise_hz: f64,
}

/// A wall of a cabin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Surface {
    /// Glass and hard trim.
    Glass,
    /// Moulded trim over a panel.
    Trim,
    /// Carpet and seats.
    Upholstery,
    /// The roof lining.
    Headliner,
}

/// A place for a head.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seat {
    /// What the seat is called.
    pub name: String,
    /// Middle of the head.
    pub head_m: [f64; 3],
}

/// Where the microphone stands within the head volume of a seat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Position {
    /// The middle of the head.
    P1,
    /// At the left ear.
    P2,
    /// At the right ear.
    P3,
    /// Forward.
    P4,
    /// Backward.
    P5,
    /// Above.
    P6,
    /// Below.
    P7,
    /// Left, forward and up.
    P8,
    /// Right, forward and down.
    P9,
}

impl Position {
    /// All nine, in order.
    pub const ALL: [Self; 9] =
        [Self::P1, Self::P2, Self::P3, Self::P4, Self::P5, Self::P6, Self::P7, Self::P8, Self::P9];

    /// The position called `name` ("P1" to "P9").
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|position| position.name() == name)
    }

    /// "P1" to "P9".
    pub fn name(self) -> &'static str {
        ["P1", "P2", "P3", "P4", "P5", "P6", "P7", "P8", "P9"][self as usize]
    }

    /// Distance from the middle of the head, in metres.
    pub fn offset_m(self) -> [f64; 3] {
        match self {
            Self::P1 => [0.0, 0.0, 0.0],
            Self::P2 => [-0.09, 0.0, 0.0],
            Self::P3 => [0.09, 0.0, 0.0],
            Self::P4 => [0.0, -0.09, 0.01],
            Self::P5 => [0.01, 0.08, 0.0],
            Self::P6 => [0.0, 0.01, 0.09],
            Self::P7 => [-0.01, 0.0, -0.09],
            Self::P8 => [-0.07, -0.06, 0.06],
            Self::P9 => [0.07, -0.06, -0.06],
        }
    }
}

/// The point in the cabin at `offset_m` from the middle of the head in `seat`.
pub fn place_of(seat: &Seat, offset_m: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|axis| seat.head_m[axis] + offset_m[axis])
}

/// One driver in its place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Speaker {
    /// Where it is.
    pub place_m: [f64; 3],
    /// Level at 1 m in open air for a sine at 0 dBFS.
    pub sensitivity_db_spl: f64,
    /// Where and how steeply it gives up at the bottom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_edge: Option<Edge>,
    /// Where and how steeply it gives up at the top.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high_edge: Option<Edge>,
    /// Its own peaks and dips.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub resonances: Vec<Section>,
    /// Second harmonic of a sine at 0 dBFS; it falls 1 dB per dB with the level.
    pub second_harmonic_db: f64,
    /// Third harmonic of a sine at 0 dBFS; it falls 2 dB per dB with the level.
    pub third_harmonic_db: f64,
    /// Built in the other way round (within a passive pair this can be on purpose).
    #[serde(default)]
    pub inverted: bool,
}

/// A band edge: a Butterworth slope, or a second-order one of any Q.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Edge {
    /// Corner.
    pub frequency_hz: f64,
    /// 1 to 8, 6 dB per octave each.
    pub order: u32,
    /// Q of a second-order edge; Butterworth where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub q: Option<f64>,
}
