//! A microphone's own response, as its maker prints it: two or three columns of text.
//!
//! Hz, dB and optionally degrees, with spaces, tabs, commas or semicolons between; lines that do not start with a
//! number are comments. A decimal comma is understood where the separator leaves no doubt; a file that mixes both
//! decimal marks is refused, because then a comma could be a thousands mark.

use std::fmt::Write as _;
use std::path::Path;

use dsp::curve::Curve;

use super::curve_csv::shortened;
use super::text;
use crate::atomic;
use crate::fault::{Fault, FormatError, Invalid};
use crate::rules;

const RIGHT: &str = "a microphone calibration: lines of Hz and dB, optionally degrees, such as \"1000 0.2\"";

/// Reads a calibration; the curve is the microphone's own response, to be subtracted.
///
/// # Errors
/// Names the file, the line, what is wrong and what would be right.
pub fn read(path: &Path) -> Result<Curve, FormatError> {
    parse(&text::load(path, RIGHT)?, path)
}

/// The calibration in `bytes`; `path` is only named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<Curve, FormatError> {
    let text = text::decode_lossy(bytes, path, RIGHT)?;
    let mut rows = Rows::default();
    let mut line = 0;
    for ended in text.split_inclusive(['\n', '\r']) {
        // The line feed after a carriage return ends no line of its own.
        if ended != "\n" || line == 0 || !rows.after_return {
            line += 1;
        }
        rows.after_return = ended.ends_with('\r');
        let content = ended.trim();
        if starts_with_number(content) {
            rows.take(content)
                .map_err(|invalid| FormatError::on_line(path, line, invalid.wrong, invalid.right))?;
        }
    }
    let found = rows.curve.len();
    if found == 0 {
        let fault =
            Fault::Foreign { found: "text without a line of numbers".to_owned(), right: RIGHT.to_owned() };
        return Err(FormatError::whole(path, fault));
    }
    if found == 1 {
        let invalid = Invalid::new("", "has one frequency", "a calibration needs at least two");
        return Err(FormatError::in_field(path, invalid));
    }
    Ok(rows.curve)
}

/// Writes a calibration, replacing what is there.
///
/// # Errors
/// A curve that breaks the rules is not written; otherwise the system's reason.
pub fn write(path: &Path, calibration: &Curve) -> Result<(), FormatError> {
    atomic::write(path, to_text(calibration, path)?.as_bytes())
}

/// The text that [`write()`] writes; `path` is only named in errors.
///
/// # Errors
/// As [`write()`].
pub fn to_text(calibration: &Curve, path: &Path) -> Result<String, FormatError> {
    rules::curve("", calibration).map_err(|invalid| FormatError::in_field(path, invalid))?;
    let mut text = String::from("# Hz\tdB");
    text.push_str(if calibration.phase_deg.is_some() { "\tdegrees\n" } else { "\n" });
    for (i, (hz, db)) in calibration.frequency_hz.iter().zip(&calibration.level_db).enumerate() {
        // Writing to a string cannot fail.
        let _ = match calibration.phase_deg.as_ref().and_then(|phase| phase.get(i)) {
            Some(degrees) => writeln!(text, "{hz}\t{db}\t{degrees}"),
            None => writeln!(text, "{hz}\t{db}"),
        };
    }
    Ok(text)
}

#[derive(Default)]
struct Rows {
    curve: Curve,
    after_return: bool,
    decimal_comma: bool,
    decimal_point: bool,
}

impl Rows {
    fn take(&mut self, line: &str) -> Result<(), Invalid> {
        let cells = cells(line)?;
        let columns = cells.len();
        if !(2..=3).contains(&columns) {
            return Err(Invalid::new(
                "",
                format!("\"{}\" has {columns} columns", shortened(line)),
                "give Hz and dB, optionally degrees",
            ));
        }
        if self.curve.is_empty() && columns == 3 {
            self.curve.phase_deg = Some(Vec::new());
        }
        let expected = if self.curve.phase_deg.is_some() { 3 } else { 2 };
        if columns != expected {
            return Err(Invalid::new(
                "",
                format!("has {columns} columns where the lines before have {expected}"),
                "every line needs the same columns",
            ));
        }
        let mut values = [0.0; 3];
        for (value, cell) in values.iter_mut().zip(&cells) {
            *value = self.number(cell)?;
        }
        let newest: Vec<f64> =
            self.curve.frequency_hz.last().copied().into_iter().chain([values[0]]).collect();
        rules::ascending(&newest, |_| String::new())?;
        rules::decibels("", values[1])?;
        self.curve.frequency_hz.push(values[0]);
        self.curve.level_db.push(values[1]);
        if let Some(phase) = &mut self.curve.phase_deg {
            phase.push(values[2]);
        }
        Ok(())
    }

    fn number(&mut self, cell: &str) -> Result<f64, Invalid> {
        self.decimal_comma |= cell.contains(',');
        self.decimal_point |= cell.contains('.');
        if self.decimal_comma && self.decimal_point {
            return Err(Invalid::new(
                "",
                format!("\"{}\": both , and . stand as decimal marks in this file", shortened(cell)),
                "use . throughout, and nothing between thousands",
            ));
        }
        match cell.replace(',', ".").replace('\u{2212}', "-").parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ => Err(Invalid::new(
                "",
                format!("\"{}\" is not a number", shortened(cell)),
                "give bare finite numbers, such as 63.5, without units",
            )),
        }
    }
}

/// The values of a line as text; commas that separate are gone, commas that are left are decimal marks.
fn cells(line: &str) -> Result<Vec<&str>, Invalid> {
    if line.contains(';') {
        return Ok(line.trim_end_matches(';').split(';').map(str::trim).collect());
    }
    let spaced = line.contains(char::is_whitespace);
    let commas: Vec<usize> = line.match_indices(',').map(|(at, _)| at).collect();
    if commas.is_empty() {
        return Ok(line.split_whitespace().collect());
    }
    let touching = commas.iter().filter(|&&at| {
        let ends = |c: Option<char>| c.is_none_or(char::is_whitespace);
        !ends(line[..at].chars().next_back()) && !ends(line[at + 1..].chars().next())
    });
    match touching.count() {
        // Every comma stands at a space or at the end: all of them separate.
        0 => {
            Ok(line.split(|c: char| c == ',' || c.is_whitespace()).filter(|cell| !cell.is_empty()).collect())
        }
        // No space at all: only commas can separate.
        _ if !spaced => {
            let cells: Vec<&str> = line.split(',').collect();
            if cells.len() <= 3 {
                return Ok(cells);
            }
            Err(Invalid::new(
                "",
                format!("\"{}\": commas both separate and mark decimals", shortened(line)),
                "put a semicolon, a tab or a space between the values",
            ))
        }
        // Spaces separate and every comma stands inside a number.
        n if n == commas.len() => Ok(line.split_whitespace().collect()),
        // "20,5, 1,2": commas at a space separate, the others are inside a number.
        _ => Ok(line
            .split_whitespace()
            .map(|cell| cell.trim_matches(','))
            .filter(|cell| !cell.is_empty())
            .collect()),
    }
}

fn starts_with_number(line: &str) -> bool {
    let unsigned = line.strip_prefix(['+', '-', '\u{2212}']).unwrap_or(line);
    unsigned.strip_prefix(['.', ',']).unwrap_or(unsigned).starts_with(|c: char| c.is_ascii_digit())
}
