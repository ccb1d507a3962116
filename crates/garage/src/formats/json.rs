//! JSON with nothing lost on the way: a field given twice is an error, and each error names its field.

use std::fmt;
use std::path::Path;

use serde::de::{DeserializeOwned, DeserializeSeed, Error as _, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::{Map, Value};

use crate::fault::{Fault, FormatError, Invalid, Place};

/// Any JSON value; a field given twice is refused instead of the last one winning.
pub(crate) fn value(text: &str, path: &Path, right: &str) -> Result<Value, FormatError> {
    serde_json::from_str::<Strict>(text).map(|strict| strict.0).map_err(|error| {
        let fault = if error.is_eof() {
            Fault::HalfWritten { right: right.to_owned() }
        } else {
            Fault::Invalid {
                wrong: format!("is not JSON: {}", plain(&error)),
                right: format!("expected {right}"),
            }
        };
        FormatError { path: path.to_owned(), place: Place::Line(error.line() as u64), fault }
    })
}

/// `value` as a `T`, with the field named where it does not fit.
pub(crate) fn typed<T: DeserializeOwned>(value: Value, path: &Path, right: &str) -> Result<T, FormatError> {
    serde_path_to_error::deserialize(value).map_err(|error| {
        let field = error.path().to_string();
        let field = if field == "." { String::new() } else { field };
        let wrong = plain(error.inner());
        FormatError::in_field(path, Invalid { field, wrong, right: format!("expected {right}") })
    })
}

/// Text for a person to read, with a newline at the end.
pub(crate) fn pretty(record: &impl Serialize) -> Result<String, Invalid> {
    let mut text = serde_json::to_string_pretty(record).map_err(|error| {
        Invalid::new("", format!("cannot be written as JSON: {error}"), "nothing was written")
    })?;
    text.push('\n');
    Ok(text)
}

/// The parser's sentence without its position, and with words for its type names.
fn plain(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let text = text.split(" at line ").next().unwrap_or(&text);
    text.replace("expected f64", "expected a number")
        .replace("expected usize", "expected a whole number")
        .replace("expected u16", "expected a whole number up to 65535")
        .replace("expected u32", "expected a whole number")
        .replace("expected u64", "expected a whole number")
        .replace("invalid type: null", "is null (not a number)")
}

struct Strict(Value);

impl<'de> Deserialize<'de> for Strict {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        StrictSeed.deserialize(deserializer).map(Self)
    }
}

#[derive(Clone, Copy)]
struct StrictSeed;

impl<'de> DeserializeSeed<'de> for StrictSeed {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for StrictSeed {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_bool<E>(self, it: bool) -> Result<Value, E> {
        Ok(Value::Bool(it))
    }

    fn visit_i64<E>(self, it: i64) -> Result<Value, E> {
        Ok(Value::from(it))
    }

    fn visit_u64<E>(self, it: u64) -> Result<Value, E> {
        Ok(Value::from(it))
    }

    fn visit_f64<E>(self, it: f64) -> Result<Value, E> {
        Ok(Value::from(it))
    }

    fn visit_str<E>(self, it: &str) -> Result<Value, E> {
        Ok(Value::from(it))
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element_seed(self)? {
            list.push(item);
        }
        Ok(Value::Array(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut fields: A) -> Result<Value, A::Error> {
        let mut map = Map::new();
        while let Some(name) = fields.next_key::<String>()? {
            if map.contains_key(&name) {
                return Err(A::Error::custom(format_args!("the field \"{name}\" is there twice")));
            }
            let item = fields.next_value_seed(self)?;
            map.insert(name, item);
        }
        Ok(Value::Object(map))
    }
}
