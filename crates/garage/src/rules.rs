//! Rules that many records share.

use serde_json::{Map, Value};

use crate::fault::Invalid;

/// Highest sample rate that any record may name.
pub(crate) const HIGHEST_RATE_HZ: f64 = 768_000.0;

pub(crate) fn finite(field: impl Into<String>, number: f64) -> Result<(), Invalid> {
    if number.is_finite() {
        return Ok(());
    }
    Err(Invalid::new(field, format!("{number} is not a number"), "every number must be finite"))
}

/// No sound and no filter comes near this.
const MOST_DB: f64 = 1000.0;

/// A level or a gain in decibels.
pub(crate) fn decibels(field: impl Into<String>, number: f64) -> Result<(), Invalid> {
    if number.is_finite() && number.abs() <= MOST_DB {
        return Ok(());
    }
    Err(Invalid::new(field, format!("{number} dB cannot be"), "a level lies within ±1000 dB"))
}

pub(crate) fn positive(field: impl Into<String>, number: f64, unit: &str) -> Result<(), Invalid> {
    if number.is_finite() && number > 0.0 {
        return Ok(());
    }
    Err(Invalid::new(field, format!("{number} {unit} cannot be"), "it must be greater than zero"))
}

pub(crate) fn not_negative(field: impl Into<String>, number: f64, unit: &str) -> Result<(), Invalid> {
    if number.is_finite() && number >= 0.0 {
        return Ok(());
    }
    Err(Invalid::new(field, format!("{number} {unit} cannot be"), "it must be zero or more"))
}

pub(crate) fn sample_rate(field: &str, rate_hz: f64) -> Result<(), Invalid> {
    if rate_hz.is_finite() && rate_hz > 0.0 && rate_hz <= HIGHEST_RATE_HZ {
        return Ok(());
    }
    Err(Invalid::new(
        field,
        format!("{rate_hz} Hz is no sample rate"),
        "it must be greater than 0 and at most 768000, usually 44100, 48000 or 96000",
    ))
}

/// No field of `fields` that is probably a slip for an optional one: it would be passed over, and what it says with it.
///
/// A slip is a field that is not known, spelt within two letters of an optional one that is not there, or one within the
/// other. Fields of other programs are let through, as the formats allow.
pub(crate) fn no_slip(
    within: &str,
    fields: &Map<String, Value>,
    needed: &[&str],
    optional: &[&str],
) -> Result<(), Invalid> {
    let plain = |it: &str| it.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_lowercase();
    for name in fields.keys().filter(|it| !needed.contains(&it.as_str()) && !optional.contains(&it.as_str()))
    {
        let said = plain(name);
        let meant = optional.iter().filter(|it| !fields.contains_key(**it)).find(|it| {
            let known = plain(it);
            let nested = said.len() >= 4 && (known.contains(&said) || said.contains(&known));
            nested || (said.len() >= 4 && strsim::osa_distance(&said, &known) <= 2)
        });
        if let Some(meant) = meant {
            return Err(Invalid::new(
                if within.is_empty() { name.clone() } else { format!("{within}.{name}") },
                "is not a field here and would be passed over",
                format!("did you mean {meant}?"),
            ));
        }
    }
    Ok(())
}

/// A band with its lower edge above zero and its upper edge above the lower.
pub(crate) fn band(field: &str, (from_hz, to_hz): (f64, f64)) -> Result<(), Invalid> {
    positive(field, from_hz, "Hz")?;
    positive(field, to_hz, "Hz")?;
    if from_hz < to_hz {
        return Ok(());
    }
    Err(Invalid::new(
        field,
        format!("{from_hz} Hz to {to_hz} Hz runs backwards"),
        "the lower edge comes first and is below the upper",
    ))
}

/// Greater than zero and each above the one before; the field of entry `i` is `name(i)`.
pub(crate) fn ascending(numbers: &[f64], name: impl Fn(usize) -> String) -> Result<(), Invalid> {
    let mut before: Option<f64> = None;
    for (index, &number) in numbers.iter().enumerate() {
        positive(name(index), number, "Hz")?;
        match before {
            Some(last) if number == last => {
                return Err(Invalid::new(
                    name(index),
                    format!("{number} Hz is there twice"),
                    "each frequency may stand once",
                ));
            }
            Some(last) if number < last => {
                return Err(Invalid::new(
                    name(index),
                    format!("{number} Hz comes after {last} Hz"),
                    "frequencies must rise from one to the next",
                ));
            }
            _ => before = Some(number),
        }
    }
    Ok(())
}

/// The most taps that limits, a tune or a command may ask for.
pub(crate) const MOST_TAPS: usize = 1 << 20;

/// Taps of a filter: one or more, all numbers.
pub(crate) fn taps(field: &str, taps: &[f64]) -> Result<(), Invalid> {
    if taps.is_empty() || taps.len() > MOST_TAPS {
        return Err(Invalid::new(
            field,
            format!("has {} taps", taps.len()),
            format!("null for none, otherwise 1 to {MOST_TAPS}"),
        ));
    }
    taps.iter().enumerate().try_for_each(|(i, tap)| finite(format!("{field}[{i}]"), *tap))
}

/// A name that has something in it.
pub(crate) fn named(field: impl Into<String>, name: &str) -> Result<(), Invalid> {
    if !name.trim().is_empty() {
        return Ok(());
    }
    Err(Invalid::new(field, "is empty", "give it a name"))
}

/// Names that are there, and each only once.
pub(crate) fn distinct<'a>(
    names: impl IntoIterator<Item = &'a str>,
    field: impl Fn(usize) -> String,
) -> Result<(), Invalid> {
    let mut seen = std::collections::BTreeSet::new();
    for (index, name) in names.into_iter().enumerate() {
        named(field(index), name)?;
        if !seen.insert(name) {
            return Err(Invalid::new(
                field(index),
                format!("\"{name}\" is there twice"),
                "each name may stand once",
            ));
        }
    }
    Ok(())
}

/// The columns of a curve: as many values as frequencies, all finite, frequencies rising, half-widths not negative.
pub(crate) fn curve(field: &str, curve: &dsp::curve::Curve) -> Result<(), Invalid> {
    let inside = |name: &str| if field.is_empty() { name.to_owned() } else { format!("{field}.{name}") };
    ascending(&curve.frequency_hz, |i| format!("{}[{i}]", inside("frequency_hz")))?;
    let columns = [
        ("level_db", Some(&curve.level_db)),
        ("phase_deg", curve.phase_deg.as_ref()),
        ("spread_db", curve.spread_db.as_ref()),
        ("snr_db", curve.snr_db.as_ref()),
    ];
    for (name, column) in columns {
        let Some(column) = column else { continue };
        if column.len() != curve.frequency_hz.len() {
            return Err(Invalid::new(
                inside(name),
                format!("has {} values for {} frequencies", column.len(), curve.frequency_hz.len()),
                "each frequency needs one",
            ));
        }
        for (i, &value) in column.iter().enumerate() {
            let place = format!("{}[{i}]", inside(name));
            if name == "spread_db" {
                not_negative(place, value, "dB")?;
            } else {
                finite(place, value)?;
            }
        }
    }
    Ok(())
}
