//! One file per command; each holds its options and hands the work to `job`.

pub mod align;
pub mod apply;
pub mod average;
pub mod correct;
pub mod demo;
pub mod devices;
pub mod entry_check;
pub mod garage;
pub mod measure;
pub mod noise;
pub mod report;
pub mod response;
pub mod roll_call;
pub mod source;
pub mod stimulus;
pub mod window;
