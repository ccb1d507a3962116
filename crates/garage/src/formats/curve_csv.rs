//! Curves as CSV: `frequency_hz,level_db` and optionally `phase_deg`, `spread_db`, `snr_db`.

use std::fmt::Write as _;
use std::path::Path;

use csv::{ReaderBuilder, StringRecord};
use dsp::curve::Curve;

use super::text;
use crate::atomic;
use crate::fault::{FormatError, Invalid};
use crate::rules;

const RIGHT: &str = "a curve: a first line frequency_hz,level_db (then optionally phase_deg,spread_db,snr_db) and one \
                     line of numbers for each frequency";
const OPTIONAL: [&str; 3] = ["phase_deg", "spread_db", "snr_db"];

/// Reads a curve.
///
/// # Errors
/// Names the file, the line, what is wrong and what would be right.
pub fn read(path: &Path) -> Result<Curve, FormatError> {
    parse(&text::load(path, RIGHT)?, path)
}

/// The curve in `bytes`; `path` is only named in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<Curve, FormatError> {
    let text = text::decode(bytes, path, RIGHT)?;
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .quoting(false)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let mut rows = reader.records().map(|row| {
        row.map_err(|error| {
            FormatError::on_line(path, line_of(&error), error.to_string(), format!("expected {RIGHT}"))
        })
    });
    let header = rows.next().transpose()?.unwrap_or_default();
    let columns = columns(&header, path)?;
    let mut curve = Curve::default();
    let mut extra: [Option<Vec<f64>>; 3] = [None, None, None];
    for &column in &columns[2..] {
        extra[column - 2] = Some(Vec::new());
    }
    for row in rows {
        let row = row?;
        let line = row.position().map_or(0, csv::Position::line);
        if row.len() != columns.len() {
            return Err(FormatError::on_line(
                path,
                line,
                format!("has {} values for {} columns", row.len(), columns.len()),
                "give one value for each column, with . as the decimal mark and commas only between values",
            ));
        }
        for (cell, &column) in row.iter().zip(&columns) {
            let value = number(cell, path, line)?;
            match column {
                0 => push_frequency(&mut curve.frequency_hz, value, path, line)?,
                1 => {
                    rules::decibels("level_db", value)
                        .map_err(|it| FormatError::on_line(path, line, it.wrong, it.right))?;
                    curve.level_db.push(value);
                }
                _ => {
                    if OPTIONAL[column - 2] == "spread_db" && value < 0.0 {
                        return Err(FormatError::on_line(
                            path,
                            line,
                            format!("spread_db {value} is negative"),
                            "a half-width is zero or more",
                        ));
                    }
                    if let Some(values) = &mut extra[column - 2] {
                        values.push(value);
                    }
                }
            }
        }
    }
    if curve.len() < 2 {
        return Err(FormatError::in_field(
            path,
            Invalid::new("", format!("has {} frequencies", curve.len()), "a curve needs at least two"),
        ));
    }
    [curve.phase_deg, curve.spread_db, curve.snr_db] = extra;
    Ok(curve)
}

/// Writes a curve, replacing what is there; numbers are written so that they read back exactly.
///
/// # Errors
/// A curve with numbers that are none, or columns of unequal length, is not written; otherwise the system's reason.
pub fn write(path: &Path, curve: &Curve) -> Result<(), FormatError> {
    atomic::write(path, to_text(curve, path)?.as_bytes())
}

/// The text that [`write()`] writes; `path` is only named in errors.
///
/// # Errors
/// As [`write()`].
pub fn to_text(curve: &Curve, path: &Path) -> Result<String, FormatError> {
    rules::curve("", curve).map_err(|invalid| FormatError::in_field(path, invalid))?;
    let mut text = String::from("frequency_hz,level_db");
    let extra: Vec<(&str, &Vec<f64>)> = OPTIONAL
        .into_iter()
        .zip([&curve.phase_deg, &curve.spread_db, &curve.snr_db])
        .filter_map(|(name, values)| Some((name, values.as_ref()?)))
        .collect();
    for (name, _) in &extra {
        text.push(',');
        text.push_str(name);
    }
    text.push('\n');
    for (i, (hz, db)) in curve.frequency_hz.iter().zip(&curve.level_db).enumerate() {
        // Writing to a string cannot fail.
        let _ = write!(text, "{hz},{db}");
        for (_, values) in &extra {
            let _ = write!(text, ",{}", values[i]);
        }
        text.push('\n');
    }
    Ok(text)
}

/// For each column of the file its meaning: 0 frequency, 1 level, 2.. the optional ones.
fn columns(header: &StringRecord, path: &Path) -> Result<Vec<usize>, FormatError> {
    let wrong = |wrong: String| FormatError::on_line(path, 1, wrong, format!("expected {RIGHT}"));
    let names: Vec<&str> = header.iter().collect();
    if names.get(..2) != Some(&["frequency_hz", "level_db"]) {
        return Err(wrong(format!("starts with \"{}\"", shortened(&names.join(",")))));
    }
    let mut columns = vec![0, 1];
    for name in &names[2..] {
        let Some(at) = OPTIONAL.iter().position(|known| known == name) else {
            return Err(wrong(format!("has a column \"{}\" that is not known", shortened(name))));
        };
        if columns.contains(&(at + 2)) {
            return Err(wrong(format!("has the column {name} twice")));
        }
        columns.push(at + 2);
    }
    Ok(columns)
}

fn number(cell: &str, path: &Path, line: u64) -> Result<f64, FormatError> {
    match cell.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(FormatError::on_line(
            path,
            line,
            format!("\"{}\" is not a number", shortened(cell)),
            "give finite numbers with . as the decimal mark, such as 63.5",
        )),
    }
}

fn push_frequency(frequencies: &mut Vec<f64>, hz: f64, path: &Path, line: u64) -> Result<(), FormatError> {
    let last = frequencies.last().copied();
    frequencies.push(hz);
    let newest = [last.unwrap_or(hz / 2.0), hz];
    rules::ascending(&newest[usize::from(last.is_none())..], |_| String::new())
        .map_err(|invalid| FormatError::on_line(path, line, invalid.wrong, invalid.right))
}

fn line_of(error: &csv::Error) -> u64 {
    error.position().map_or(0, csv::Position::line)
}

/// The start of a text that may be a whole foreign file.
pub(crate) fn shortened(text: &str) -> String {
    if text.chars().count() <= 40 { text.to_owned() } else { text.chars().take(40).chain(['…']).collect() }
}
