//! A car: what stays the same from visit to visit. No names of people, no number plates.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::channels::ChannelMap;
use crate::fault::Invalid;
use crate::formats::document::Document;
use crate::rules;

/// One car.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Car {
    /// What the shop calls it.
    pub name: String,
    /// Body, year, equipment, in the tuner's words.
    #[serde(default)]
    pub description: String,
    /// What the customer wants of it.
    #[serde(default)]
    pub wishes: String,
    /// Processor outputs and speakers.
    #[serde(default)]
    pub channel_map: ChannelMap,
    /// True for a car that exists only in a simulation.
    #[serde(default)]
    pub simulated: bool,
}

impl Document for Car {
    const FORMAT: &'static str = "cabinwright-car";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the car.json of a car in a garage";

    fn migrate(from: u64, fields: &mut Map<String, Value>) {
        // Version 0 kept the bare list of channels, and called the description a note.
        if from == 0 {
            if let Some(note) = fields.remove("note") {
                fields.insert("description".to_owned(), note);
            }
            if let Some(channels) = fields.remove("channels") {
                fields.insert("channel_map".to_owned(), serde_json::json!({ "channels": channels }));
            }
        }
    }

    fn validate(&self) -> Result<(), Invalid> {
        rules::named("name", &self.name)?;
        self.channel_map.check().map_err(|invalid| invalid.within("channel_map"))
    }
}
