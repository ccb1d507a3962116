#![no_main]

#[path = "../checks/wav.rs"]
mod wav;

libfuzzer_sys::fuzz_target!(|data: &[u8]| wav::fuzz(data));
