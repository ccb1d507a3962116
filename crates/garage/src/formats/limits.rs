//! What a processor can do, as the tuner writes it down once per processor.

use dsp::limits::{Frequencies, Limits, PreRinging, Range};
use dsp::tune::CrossoverFamily;
use serde_json::{Map, Value};

use super::document::{Document, Header};
use crate::fault::Invalid;
use crate::rules;

/// More bands or taps than any processor has; beyond, a typing slip is likelier.
const MOST_BANDS: usize = 512;
/// The most taps that limits or a command may ask for.
pub const MOST_TAPS: usize = rules::MOST_TAPS;
/// Steps finer than these are on no processor, and a list of them would fill the memory.
const MOST_PER_OCTAVE: f64 = 1000.0;
const FINEST_STEP: f64 = 1e-4;
/// More decibels than any band has.
const MOST_DB: f64 = 100.0;

const NEEDED: [&str; 6] = ["sample_rate_hz", "bands", "kinds", "gain_db", "q", "frequency_hz"];
/// Fields that may be left out, and so would be lost in silence when misspelt.
const OPTIONAL: [&str; 5] = ["delay_ms", "fir_taps", "pre_ringing", "crossovers", "crossovers_take_bands"];

impl Document for Limits {
    const FORMAT: &'static str = "cabinwright-limits";
    const VERSION: u64 = 1;
    const HEADER: Header = Header::Optional;
    const RIGHT: &'static str = r#"limits such as {"sample_rate_hz":48000,"bands":10,"kinds":["peaking"],"gain_db":{"min":-15,"max":6,"step":0.5},"q":{"min":0.3,"max":10},"frequency_hz":{"min":20,"max":20000,"per_octave":24}}"#;

    fn inspect(fields: &Map<String, Value>) -> Result<(), Invalid> {
        rules::no_slip("", fields, &NEEDED, &OPTIONAL)?;
        for (range, keys) in [
            ("gain_db", ["min", "max", "step"].as_slice()),
            ("q", &["min", "max", "step"]),
            ("delay_ms", &["max", "step"]),
            ("pre_ringing", &["longest_ms", "loudest_db"]),
        ] {
            known_keys(range, fields.get(range), keys)?;
        }
        let frequencies = fields.get("frequency_hz");
        let right = r#"give {"min":20,"max":20000} or {"list":[25,40,63]}"#;
        match frequencies {
            Some(Value::Object(map)) if map.contains_key("list") => {
                known_keys("frequency_hz", frequencies, &["list"])?
            }
            Some(Value::Object(map)) if map.contains_key("min") && map.contains_key("max") => {
                known_keys("frequency_hz", frequencies, &["min", "max", "per_octave"])?;
            }
            Some(_) => {
                return Err(Invalid::new("frequency_hz", "has neither a list nor a min and a max", right));
            }
            None => {}
        }
        let numbers: Vec<&Value> = match frequencies {
            Some(Value::Object(map)) => map
                .values()
                .flat_map(|it| it.as_array().map_or_else(|| vec![it], |list| list.iter().collect()))
                .collect(),
            _ => Vec::new(),
        };
        if numbers.iter().all(|number| number.is_number()) {
            return Ok(());
        }
        Err(Invalid::new("frequency_hz", "holds something that is not a number", right))
    }

    fn validate(&self) -> Result<(), Invalid> {
        rules::sample_rate("sample_rate_hz", self.sample_rate_hz)?;
        at_most("bands", self.bands, MOST_BANDS)?;
        at_most("fir_taps", self.fir_taps, MOST_TAPS)?;
        if self.bands > 0 && self.kinds.is_empty() {
            return Err(Invalid::new("kinds", "is empty", "name the kinds of band, such as [\"peaking\"]"));
        }
        for (i, kind) in self.kinds.iter().enumerate() {
            if self.kinds[..i].contains(kind) {
                return Err(Invalid::new(format!("kinds[{i}]"), "is there twice", "name each kind once"));
            }
        }
        range("gain_db", &self.gain_db)?;
        range("q", &self.q)?;
        let Range { min, max, .. } = self.gain_db;
        if min > 0.0 || max < 0.0 || min < -MOST_DB || max > MOST_DB {
            return Err(Invalid::new(
                "gain_db",
                format!("{min} to {max} dB is no range of a band's gain"),
                "it holds 0, at which a band does nothing, and ends within ±100 dB",
            ));
        }
        rules::positive("q.min", self.q.min, "")?;
        frequencies(&self.frequency_hz, self.sample_rate_hz)?;
        if let Some(delay) = &self.delay_ms {
            rules::not_negative("delay_ms.max", delay.max, "ms")?;
            if let Some(step) = delay.step {
                rules::positive("delay_ms.step", step, "ms")?;
            }
        }
        pre_ringing(&self.pre_ringing)?;
        for (i, kind) in self.crossovers.iter().enumerate() {
            let pairs = kind.family == CrossoverFamily::LinkwitzRiley;
            let known = |order: &&u8| (1..=8).contains(*order) && !(pairs && **order % 2 == 1);
            if kind.orders.is_empty() || !kind.orders.iter().all(|order| known(&order)) {
                return Err(Invalid::new(
                    format!("crossovers[{i}].orders"),
                    format!(
                        "{:?} holds an order that a {} crossover does not have, or none",
                        kind.orders, kind.family
                    ),
                    "orders go from 1 to 8, 6 dB per octave each; those of Linkwitz-Riley are even",
                ));
            }
        }
        Ok(())
    }
}

super::document_functions!(Limits);

fn at_most(field: &str, number: usize, most: usize) -> Result<(), Invalid> {
    if number <= most {
        return Ok(());
    }
    Err(Invalid::new(field, format!("{number} is more than any processor has"), format!("at most {most}")))
}

fn pre_ringing(bound: &PreRinging) -> Result<(), Invalid> {
    if !PreRinging::LONGEST_MS.contains(&bound.longest_ms) {
        return Err(Invalid::new(
            "pre_ringing.longest_ms",
            format!("{} is outside 0 to {} ms", bound.longest_ms, PreRinging::LONGEST_MS.end()),
            "earlier, the ear hears it apart; 5 is usual, and 0 asks for taps without delay",
        ));
    }
    if !PreRinging::LOUDEST_DB.contains(&bound.loudest_db) {
        return Err(Invalid::new(
            "pre_ringing.loudest_db",
            format!(
                "{} is outside {} to {} dB",
                bound.loudest_db,
                PreRinging::LOUDEST_DB.start(),
                PreRinging::LOUDEST_DB.end()
            ),
            "it is counted against the sound itself; -30 is usual",
        ));
    }
    Ok(())
}

fn range(field: &str, range: &Range) -> Result<(), Invalid> {
    rules::finite(format!("{field}.min"), range.min)?;
    rules::finite(format!("{field}.max"), range.max)?;
    if range.min > range.max {
        return Err(Invalid::new(
            field,
            format!("min {} is above max {}", range.min, range.max),
            "min is the smaller one",
        ));
    }
    let Some(step) = range.step else { return Ok(()) };
    rules::positive(format!("{field}.step"), step, "")?;
    if step < FINEST_STEP {
        return Err(Invalid::new(
            format!("{field}.step"),
            format!("{step} is finer than any processor's"),
            format!("at least {FINEST_STEP}; leave it out where every value can be set"),
        ));
    }
    // Settings are whole multiples of the step.
    if (range.max / step + 1e-9).floor() >= (range.min / step - 1e-9).ceil() {
        return Ok(());
    }
    Err(Invalid::new(
        field,
        format!("no multiple of {step} lies between {} and {}", range.min, range.max),
        "settings are whole multiples of the step; give a finer one or none",
    ))
}

fn frequencies(frequencies: &Frequencies, rate_hz: f64) -> Result<(), Invalid> {
    let highest = match frequencies {
        Frequencies::List { list } => {
            if list.is_empty() {
                return Err(Invalid::new(
                    "frequency_hz.list",
                    "is empty",
                    "list the frequencies of the bands in Hz",
                ));
            }
            rules::ascending(list, |i| format!("frequency_hz.list[{i}]"))?;
            list.last().copied().unwrap_or_default()
        }
        Frequencies::Span { min, max, per_octave } => {
            rules::positive("frequency_hz.min", *min, "Hz")?;
            rules::positive("frequency_hz.max", *max, "Hz")?;
            if min > max {
                return Err(Invalid::new(
                    "frequency_hz",
                    format!("min {min} is above max {max}"),
                    "min is the lower one",
                ));
            }
            if let Some(parts) = per_octave {
                rules::positive("frequency_hz.per_octave", *parts, "")?;
                if *parts > MOST_PER_OCTAVE {
                    return Err(Invalid::new(
                        "frequency_hz.per_octave",
                        format!("{parts} is more than any processor has"),
                        format!("at most {MOST_PER_OCTAVE}; leave it out where every frequency can be set"),
                    ));
                }
            }
            *max
        }
    };
    if highest < rate_hz / 2.0 {
        return Ok(());
    }
    Err(Invalid::new(
        "frequency_hz",
        format!("{highest} Hz is not below half the sample rate of {rate_hz} Hz"),
        format!("a filter at this rate can sit below {} Hz", rate_hz / 2.0),
    ))
}

fn known_keys(field: &str, value: Option<&Value>, keys: &[&str]) -> Result<(), Invalid> {
    let Some(Value::Object(map)) = value else { return Ok(()) };
    match map.keys().find(|name| !keys.contains(&name.as_str())) {
        Some(name) => Err(Invalid::new(
            format!("{field}.{name}"),
            "is not known here and would be passed over",
            format!("the fields are {}", keys.join(", ")),
        )),
        None => Ok(()),
    }
}
