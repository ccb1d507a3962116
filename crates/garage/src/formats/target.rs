//! Target curves: `{"name":"…","points":[[20,8],[1000,0]],"tolerance_db":3}`.

use dsp::target::Target;

use super::document::{Document, Header};
use crate::fault::Invalid;
use crate::rules;

impl Document for Target {
    const FORMAT: &'static str = "cabinwright-target";
    const VERSION: u64 = 1;
    const HEADER: Header = Header::Optional;
    const RIGHT: &'static str =
        r#"a target such as {"name":"Warm","points":[[20,8],[200,0],[16000,-4]],"tolerance_db":3}"#;

    fn validate(&self) -> Result<(), Invalid> {
        if self.points.len() < 2 {
            return Err(Invalid::new(
                "points",
                format!("has {} points", self.points.len()),
                "a target needs at least two, each [frequency in Hz, level in dB]",
            ));
        }
        let hz: Vec<f64> = self.points.iter().map(|point| point.0).collect();
        rules::ascending(&hz, |i| format!("points[{i}]"))?;
        for (i, point) in self.points.iter().enumerate() {
            rules::decibels(format!("points[{i}]"), point.1)?;
        }
        rules::not_negative("tolerance_db", self.tolerance_db, "dB")
    }
}

super::document_functions!(Target);
