//! The channel map: which output drives which speaker, and what it may be given.

use serde::{Deserialize, Serialize};

use crate::fault::Invalid;
use crate::rules;

/// The kind of speaker on a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// One channel for the whole range.
    FullRange,
    /// High frequencies; a protected speaker.
    Tweeter,
    /// The middle.
    Midrange,
    /// Bass and lower middle, as in a door.
    Woofer,
    /// Low bass.
    Subwoofer,
}

impl Role {
    /// All of them, high to low.
    pub const ALL: [Self; 5] =
        [Self::FullRange, Self::Tweeter, Self::Midrange, Self::Woofer, Self::Subwoofer];

    /// The trade's word.
    pub fn word(self) -> &'static str {
        match self {
            Self::FullRange => "full range",
            Self::Tweeter => "tweeter",
            Self::Midrange => "midrange",
            Self::Woofer => "woofer",
            Self::Subwoofer => "subwoofer",
        }
    }
}

/// Which side of the car, seen in the direction of travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Left.
    Left,
    /// Right.
    Right,
    /// Neither: a centre speaker or a subwoofer, which plays for both sides.
    Both,
}

/// Where in the car.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// Before the front seats.
    #[default]
    Front,
    /// Beside or behind the rear seats.
    Rear,
    /// Under a seat.
    Seat,
    /// In the boot.
    Boot,
}

/// One processor output and the speaker on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Channel {
    /// What the tuner calls it; unique in the car.
    pub name: String,
    /// Output number, counted from 1 as on the connector.
    pub output: u16,
    /// The speaker.
    pub role: Role,
    /// Its side.
    pub side: Side,
    /// Where it sits.
    #[serde(default)]
    pub place: Place,
    /// `(from, to)`: a stimulus for this channel stays inside.
    pub safe_band_hz: (f64, f64),
    /// A protected speaker gets no energy below this, whatever the stimulus; always given for a tweeter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub safe_frequency_hz: Option<f64>,
    /// What is known about the speaker, in the tuner's words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// Every channel of a car.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ChannelMap {
    /// In the order they are shown.
    pub channels: Vec<Channel>,
}

impl ChannelMap {
    /// The channel of that name.
    pub fn channel(&self, name: &str) -> Option<&Channel> {
        self.channels.iter().find(|channel| channel.name == name)
    }

    /// The channels that are heard on `side`; those that play for both sides belong to each.
    pub fn on_side(&self, side: Side) -> impl Iterator<Item = &Channel> {
        self.channels.iter().filter(move |it| it.side == side || it.side == Side::Both || side == Side::Both)
    }

    /// The rules of a map: names and outputs unique, bands the right way round, tweeters protected.
    ///
    /// # Errors
    /// The first rule that is broken.
    pub fn check(&self) -> Result<(), Invalid> {
        rules::distinct(self.channels.iter().map(|it| it.name.as_str()), |i| format!("channels[{i}].name"))?;
        for (i, channel) in self.channels.iter().enumerate() {
            channel.check().map_err(|invalid| invalid.within(&format!("channels[{i}]")))?;
            if let Some(other) = self.channels[..i].iter().find(|other| other.output == channel.output) {
                return Err(Invalid::new(
                    format!("channels[{i}].output"),
                    format!("{} already drives \"{}\"", channel.output, other.name),
                    "each output drives one channel",
                ));
            }
        }
        Ok(())
    }
}

impl Channel {
    fn check(&self) -> Result<(), Invalid> {
        if self.output == 0 {
            return Err(Invalid::new("output", "is 0", "outputs are counted from 1"));
        }
        rules::band("safe_band_hz", self.safe_band_hz)?;
        match self.safe_frequency_hz {
            Some(hz) => {
                rules::positive("safe_frequency_hz", hz, "Hz")?;
                if self.safe_band_hz.0 < hz {
                    return Err(Invalid::new(
                        "safe_band_hz",
                        format!("starts at {} Hz, below the safe frequency of {hz} Hz", self.safe_band_hz.0),
                        "the safe band starts at the safe frequency or above",
                    ));
                }
                Ok(())
            }
            None if self.role == Role::Tweeter => Err(Invalid::new(
                "safe_frequency_hz",
                "is missing on a tweeter",
                "give the lowest frequency the maker allows, so that no signal below it is ever sent",
            )),
            None => Ok(()),
        }
    }
}
