//! Channel maps: which output drives which speaker, and what it may be given.

use super::document::Document;
use crate::channels::ChannelMap;
use crate::fault::Invalid;

impl Document for ChannelMap {
    const FORMAT: &'static str = "cabinwright-channel-map";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = r#"a channel map such as {"format":"cabinwright-channel-map","version":1,"channels":[{"name":"front left tweeter","output":1,"role":"tweeter","side":"left","place":"front","safe_band_hz":[2500,20000],"safe_frequency_hz":2500}]}"#;

    fn validate(&self) -> Result<(), Invalid> {
        self.check()
    }
}

super::document_functions!(ChannelMap);
