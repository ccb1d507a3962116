//! From bytes to text, with the ways a file can fail to be text.

use std::borrow::Cow;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::fault::{Fault, FormatError};

/// No record comes near this; a recording given by mistake does.
const LARGEST_MIB: u64 = 64;

/// Reads the whole file; `right` says what belongs there.
pub(crate) fn load(path: &Path, right: &str) -> Result<Vec<u8>, FormatError> {
    let unreadable = |error| FormatError::whole(path, Fault::Unreadable(error));
    let largest = LARGEST_MIB << 20;
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(unreadable)?;
    file.take(largest + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > largest {
        let fault = Fault::TooLarge { largest_mib: LARGEST_MIB, right: right.to_owned() };
        return Err(FormatError::whole(path, fault));
    }
    Ok(bytes)
}

/// UTF-8 text without its byte-order mark.
pub(crate) fn decode<'a>(bytes: &'a [u8], path: &Path, right: &str) -> Result<&'a str, FormatError> {
    let bytes = not_binary(bytes, path, right)?;
    std::str::from_utf8(bytes).map_err(|_| not_text(path, "is not UTF-8 text", right))
}

/// As [`decode`], but letters of an old encoding are let through, for files whose comments may hold them.
pub(crate) fn decode_lossy<'a>(
    bytes: &'a [u8],
    path: &Path,
    right: &str,
) -> Result<Cow<'a, str>, FormatError> {
    Ok(String::from_utf8_lossy(not_binary(bytes, path, right)?))
}

fn not_binary<'a>(bytes: &'a [u8], path: &Path, right: &str) -> Result<&'a [u8], FormatError> {
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(not_text(path, "is UTF-16 text", right));
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if bytes.starts_with(b"RIFF") {
        return Err(not_text(path, "is a WAV recording", right));
    }
    if bytes.contains(&0) {
        return Err(not_text(path, "is a binary file", right));
    }
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Err(FormatError::whole(path, Fault::Empty { right: right.to_owned() }));
    }
    Ok(bytes)
}

fn not_text(path: &Path, wrong: &'static str, right: &str) -> FormatError {
    FormatError::whole(path, Fault::NotText { wrong, right: right.to_owned() })
}
