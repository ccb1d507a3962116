#![no_main]

#[path = "../checks/formats.rs"]
mod formats;

libfuzzer_sys::fuzz_target!(|data: &[u8]| formats::calibration(data));
