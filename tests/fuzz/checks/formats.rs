//! What must hold for any bytes given to a reader: no panic, a fault that names the file, and what was read is written
//! and read again as the same.
#![allow(dead_code, reason = "each target uses one of the functions")]
#![allow(clippy::expect_used, reason = "a failed check is a panic here")]

use std::path::Path;

use garage::FormatError;
use garage::formats::document::{self, Document};
use garage::formats::{
    channel_map, curve_csv, limits, mic_calibration, proof, stimulus_sidecar, target, tune,
};

const NAME: &str = "given.file";

fn settled<T: PartialEq + std::fmt::Debug>(
    data: &[u8],
    parse: impl Fn(&[u8], &Path) -> Result<T, FormatError>,
    to_text: impl Fn(&T, &Path) -> Result<String, FormatError>,
) {
    let path = Path::new(NAME);
    match parse(data, path) {
        Err(error) => assert!(error.to_string().starts_with(NAME), "{error}"),
        Ok(record) => {
            let text = to_text(&record, path).expect("what was read can be written");
            assert_eq!(parse(text.as_bytes(), path).expect("what was written can be read"), record);
        }
    }
}

pub fn curve(data: &[u8]) {
    settled(data, curve_csv::parse, curve_csv::to_text);
}

pub fn calibration(data: &[u8]) {
    settled(data, mic_calibration::parse, mic_calibration::to_text);
}

pub fn targets(data: &[u8]) {
    settled(data, target::parse, target::to_text);
}

pub fn processor_limits(data: &[u8]) {
    settled(data, limits::parse, limits::to_text);
}

pub fn tunes(data: &[u8]) {
    settled(data, tune::parse, tune::to_text);
    let _ = garage::tune_record::parse(data, Path::new(NAME));
}

pub fn channel_maps(data: &[u8]) {
    settled(data, channel_map::parse, channel_map::to_text);
}

pub fn proofs(data: &[u8]) {
    settled(data, proof::parse, proof::to_text);
}

pub fn sidecars(data: &[u8]) {
    if let Err(error) = stimulus_sidecar::parse(data, Path::new(NAME)) {
        assert!(error.to_string().starts_with(NAME), "{error}");
    }
}

pub fn records(data: &[u8]) {
    fn any<T: Document + std::fmt::Debug>(data: &[u8]) {
        settled(data, document::parse::<T>, document::to_text::<T>);
    }
    any::<garage::Car>(data);
    any::<garage::Visit>(data);
    any::<garage::TakeRecord>(data);
    any::<garage::Finding>(data);
    any::<garage::GarageRecord>(data);
}
