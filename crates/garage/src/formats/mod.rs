//! The files of the contract: each module reads and writes one kind.
//!
//! `parse` takes bytes and a path that is only named in errors; `read` takes a path; `write` replaces a file so that
//! a crash leaves the old one or the new one. Errors name the file, the line or field, what is wrong and what would
//! be right.

pub mod channel_map;
pub mod curve_csv;
pub mod document;
pub(crate) mod json;
pub mod limits;
pub mod mic_calibration;
pub mod proof;
pub mod stimulus_sidecar;
pub mod target;
pub(crate) mod text;
pub mod tune;

/// `parse`, `read` and `write` of a JSON document, with its kind written out.
macro_rules! document_functions {
    ($record:ty) => {
        /// The record in `bytes`; `path` is only named in errors.
        ///
        /// # Errors
        /// Names the file, the field, what is wrong and what would be right.
        pub fn parse(bytes: &[u8], path: &std::path::Path) -> Result<$record, crate::fault::FormatError> {
            crate::formats::document::parse(bytes, path)
        }

        /// Reads the file at `path`.
        ///
        /// # Errors
        /// Names the file, the field, what is wrong and what would be right.
        pub fn read(path: &std::path::Path) -> Result<$record, crate::fault::FormatError> {
            crate::formats::document::read(path)
        }

        /// Writes `record` to `path`, replacing what is there; a crash leaves the old file or the new one.
        ///
        /// # Errors
        /// A record that breaks its own rules is not written; otherwise the system's reason.
        pub fn write(path: &std::path::Path, record: &$record) -> Result<(), crate::fault::FormatError> {
            crate::formats::document::write(path, record)
        }

        /// The text that [`write()`] writes; `path` is only named in errors.
        ///
        /// # Errors
        /// A record that breaks its own rules.
        pub fn to_text(
            record: &$record,
            path: &std::path::Path,
        ) -> Result<String, crate::fault::FormatError> {
            crate::formats::document::to_text(record, path)
        }
    };
}
pub(crate) use document_functions;
