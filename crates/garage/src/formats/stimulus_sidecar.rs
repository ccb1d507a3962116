//! The sidecar of a stimulus: everything needed to make the signal again.
//!
//! The recipe's own fields belong to `dsp`; here the header is checked and the rest handed on as a value.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use super::document::{self, Document};
use crate::fault::{FormatError, Invalid};

/// The recipe's fields without the header.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Recipe(Map<String, Value>);

impl Document for Recipe {
    const FORMAT: &'static str = "cabinwright-stimulus";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = "the sidecar that `cabinwright stimulus` wrote beside its WAV";

    fn validate(&self) -> Result<(), Invalid> {
        if !self.0.is_empty() {
            return Ok(());
        }
        Err(Invalid::new("", "holds no recipe", "make the stimulus again"))
    }
}

/// Where the sidecar of `wav` is: the same name with `.json`.
pub fn path_beside(wav: &Path) -> PathBuf {
    wav.with_extension("json")
}

/// The recipe in `bytes`, without its header.
///
/// # Errors
/// Names the file and what is wrong with it as a document; the recipe's fields are the caller's to check.
pub fn parse(bytes: &[u8], path: &Path) -> Result<Value, FormatError> {
    document::parse::<Recipe>(bytes, path).map(|recipe| Value::Object(recipe.0))
}

/// Reads a sidecar.
///
/// # Errors
/// As [`parse`], or the system's reason.
pub fn read(path: &Path) -> Result<Value, FormatError> {
    document::read::<Recipe>(path).map(|recipe| Value::Object(recipe.0))
}

/// Writes `recipe`, which must be a JSON object, with its header.
///
/// # Errors
/// A recipe that is no object, or the system's reason.
pub fn write(path: &Path, recipe: &Value) -> Result<(), FormatError> {
    let Value::Object(fields) = recipe else {
        return Err(FormatError::in_field(
            path,
            Invalid::new("", "is no JSON object", "a recipe has named fields"),
        ));
    };
    document::write(path, &Recipe(fields.clone()))
}
