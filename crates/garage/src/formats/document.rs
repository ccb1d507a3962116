//! JSON documents that say what they are: `"format"`, `"version"`, then the fields.

use std::path::Path;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use super::{json, text};
use crate::atomic;
use crate::fault::{Fault, FormatError, Invalid};

/// Whether a file must carry `"format"` and `"version"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Header {
    /// Always there, and always written.
    Required,
    /// Checked when it is there, never written: files that people write by hand.
    Optional,
}

/// A record that is kept as one JSON document.
pub trait Document: Serialize + DeserializeOwned + PartialEq {
    /// The value of `"format"`.
    const FORMAT: &'static str;
    /// The newest version, the one that is written.
    const VERSION: u64;
    /// Whether the header must be there.
    const HEADER: Header = Header::Required;
    /// What a right file is, to finish the sentence "expected …".
    const RIGHT: &'static str;

    /// Brings the fields of version `from` to version `from + 1`.
    fn migrate(from: u64, fields: &mut Map<String, Value>) {
        let _ = (from, fields);
    }

    /// Rules on the fields as they stand in the file, for errors that need them before they are typed.
    ///
    /// # Errors
    /// The first rule that is broken.
    fn inspect(fields: &Map<String, Value>) -> Result<(), Invalid> {
        let _ = fields;
        Ok(())
    }

    /// Rules on the content.
    ///
    /// # Errors
    /// The first rule that is broken.
    fn validate(&self) -> Result<(), Invalid>;
}

/// Reads a document.
///
/// # Errors
/// Every [`Fault`] of reading; the file is never changed.
pub fn read<T: Document>(path: &Path) -> Result<T, FormatError> {
    parse(&text::load(path, T::RIGHT)?, path)
}

/// The document in `bytes`; `path` is only named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse<T: Document>(bytes: &[u8], path: &Path) -> Result<T, FormatError> {
    let fields = fields::<T>(bytes, path)?;
    T::inspect(&fields).map_err(|invalid| FormatError::in_field(path, invalid))?;
    let record: T = json::typed(Value::Object(fields), path, T::RIGHT)?;
    record.validate().map_err(|invalid| FormatError::in_field(path, invalid))?;
    Ok(record)
}

/// Writes a document in place of the one that may be there.
///
/// # Errors
/// [`Fault::Invalid`] when the record breaks its own rules, [`Fault::Unwritable`].
pub fn write<T: Document>(path: &Path, record: &T) -> Result<(), FormatError> {
    atomic::write(path, to_text(record, path)?.as_bytes())
}

/// Writes a document; never replaces.
///
/// # Errors
/// As [`write()`], and [`Fault::AlreadyThere`].
pub fn write_new<T: Document>(path: &Path, record: &T) -> Result<(), FormatError> {
    atomic::write_new(path, to_text(record, path)?.as_bytes())
}

/// The text of a document, read back before it is given out: what cannot be read back is not written.
///
/// # Errors
/// [`Fault::Invalid`] when the record breaks its own rules or holds a number that is none.
pub fn to_text<T: Document>(record: &T, path: &Path) -> Result<String, FormatError> {
    let invalid = |invalid| FormatError::in_field(path, invalid);
    record.validate().map_err(invalid)?;
    let text = match T::HEADER {
        Header::Required => json::pretty(&Headed { format: T::FORMAT, version: T::VERSION, record }),
        Header::Optional => json::pretty(record),
    }
    .map_err(invalid)?;
    match parse::<T>(text.as_bytes(), path) {
        Ok(back) if back == *record => Ok(text),
        Ok(_) => Err(invalid(Invalid::new("", "holds a number that is none", "every number must be finite"))),
        Err(error) => Err(error),
    }
}

/// The fields without the header, brought to the newest version.
pub(crate) fn fields<T: Document>(bytes: &[u8], path: &Path) -> Result<Map<String, Value>, FormatError> {
    let value = json::value(text::decode(bytes, path, T::RIGHT)?, path, T::RIGHT)?;
    let foreign =
        |found: String| FormatError::whole(path, Fault::Foreign { found, right: T::RIGHT.to_owned() });
    let Value::Object(mut fields) = value else {
        return Err(foreign("JSON of another kind".to_owned()));
    };
    let version = match (fields.remove("format"), fields.remove("version")) {
        (None, None) if T::HEADER == Header::Optional => return Ok(fields),
        (None, _) if T::HEADER == Header::Required => {
            return Err(foreign("JSON without a \"format\"".to_owned()));
        }
        (Some(Value::String(format)), version) if format == T::FORMAT => version,
        (None, version) => version,
        (Some(format), _) => return Err(foreign(format!("a file of format {format}"))),
    };
    let Some(version) = version.as_ref().and_then(Value::as_u64) else {
        let wrong = "is missing or no whole number";
        let right = format!("\"version\": {} is the newest", T::VERSION);
        return Err(FormatError::in_field(path, Invalid::new("version", wrong, right)));
    };
    if version > T::VERSION {
        let fault = Fault::Newer { format: T::FORMAT, found: version, known: T::VERSION };
        return Err(FormatError::whole(path, fault));
    }
    for from in version..T::VERSION {
        T::migrate(from, &mut fields);
    }
    Ok(fields)
}

#[derive(Serialize)]
pub(crate) struct Headed<'a, T> {
    pub format: &'static str,
    pub version: u64,
    #[serde(flatten)]
    pub record: &'a T,
}
