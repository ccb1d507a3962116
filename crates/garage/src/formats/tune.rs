//! Tunes: one complete set of processor settings.

use dsp::curve::log_grid_hz;
use dsp::filter::ChannelFilter;
use dsp::tune::{Biquad, ChannelTune, Section, Tune};
use serde_json::{Map, Value};

use super::document::Document;
use crate::fault::Invalid;
use crate::rules;

/// Fields of a channel that may be left out, and so would be lost in silence when misspelt.
const OPTIONAL: [&str; 8] =
    ["gain_db", "polarity", "delay_ms", "crossovers", "acoustic", "sections", "biquads", "fir"];

impl Document for Tune {
    const FORMAT: &'static str = "cabinwright-tune";
    const VERSION: u64 = 1;
    const RIGHT: &'static str = r#"a tune such as {"format":"cabinwright-tune","version":1,"sample_rate_hz":48000,"channels":[{"name":"front left","gain_db":0,"polarity":"normal","delay_ms":0,"sections":[{"kind":"peaking","frequency_hz":63,"gain_db":-6.5,"q":2.1}],"biquads":[],"fir":null}]}"#;

    fn inspect(fields: &Map<String, Value>) -> Result<(), Invalid> {
        // A section without its gain would be taken for one of 0 dB; only kinds that have none may leave it out.
        rules::no_slip(
            "",
            fields,
            &["sample_rate_hz", "channels"],
            &["headroom_db", "predicted", "left_alone"],
        )?;
        let channels = fields.get("channels").and_then(Value::as_array);
        for (c, channel) in channels.into_iter().flatten().enumerate() {
            if let Some(fields) = channel.as_object() {
                rules::no_slip(&format!("channels[{c}]"), fields, &["name"], &OPTIONAL)?;
            }
            let sections = channel.get("sections").and_then(Value::as_array);
            for (s, section) in sections.into_iter().flatten().enumerate() {
                let kind = section.get("kind").and_then(Value::as_str).unwrap_or_default();
                let gains = matches!(kind, "peaking" | "low_shelf" | "high_shelf");
                if gains && section.get("gain_db").is_none() {
                    return Err(Invalid::new(
                        format!("channels[{c}].sections[{s}].gain_db"),
                        "is missing",
                        format!("a {kind} section needs its gain in dB"),
                    ));
                }
            }
        }
        Ok(())
    }

    fn validate(&self) -> Result<(), Invalid> {
        rules::sample_rate("sample_rate_hz", self.sample_rate_hz)?;
        if self.channels.is_empty() {
            return Err(Invalid::new("channels", "is empty", "a tune has at least one channel"));
        }
        rules::distinct(self.channels.iter().map(|it| it.name.as_str()), |i| format!("channels[{i}].name"))?;
        for (i, it) in self.channels.iter().enumerate() {
            channel(it, self.sample_rate_hz).map_err(|invalid| invalid.within(&format!("channels[{i}]")))?;
        }
        rules::decibels("headroom_db", self.headroom_db)?;
        rules::not_negative("predicted.rms_error_db_before", self.predicted.rms_error_db_before, "dB")?;
        rules::not_negative("predicted.rms_error_db_after", self.predicted.rms_error_db_after, "dB")?;
        for (i, region) in self.left_alone.iter().enumerate() {
            rules::band(&format!("left_alone[{i}]"), (region.from_hz, region.to_hz))?;
        }
        Ok(())
    }
}

super::document_functions!(Tune);

fn channel(channel: &ChannelTune, rate_hz: f64) -> Result<(), Invalid> {
    rules::decibels("gain_db", channel.gain_db)?;
    rules::not_negative("delay_ms", channel.delay_ms, "ms")?;
    for (i, it) in channel.sections.iter().enumerate() {
        section(it, rate_hz).map_err(|invalid| invalid.within(&format!("sections[{i}]")))?;
    }
    for (i, biquad) in channel.biquads.iter().enumerate() {
        stable(&format!("biquads[{i}]"), biquad)?;
    }
    if let Some(taps) = &channel.fir {
        rules::taps("fir", taps)?;
    }
    agree(channel, rate_hz)
}

fn section(section: &Section, rate_hz: f64) -> Result<(), Invalid> {
    rules::positive("frequency_hz", section.frequency_hz, "Hz")?;
    if section.frequency_hz >= rate_hz / 2.0 {
        return Err(Invalid::new(
            "frequency_hz",
            format!("{} Hz is not below half the sample rate of {rate_hz} Hz", section.frequency_hz),
            format!("a filter at this rate can sit below {} Hz", rate_hz / 2.0),
        ));
    }
    rules::decibels("gain_db", section.gain_db)?;
    rules::positive("q", section.q, "as Q")
}

fn stable(field: &str, biquad: &Biquad) -> Result<(), Invalid> {
    for number in biquad.b.iter().chain(&biquad.a) {
        rules::finite(field, *number)?;
    }
    let [a0, a1, a2] = biquad.a;
    if (a0 - 1.0).abs() > 1e-9 {
        return Err(Invalid::new(
            field,
            format!("a[0] is {a0}"),
            "divide all six coefficients by it, so that it is 1",
        ));
    }
    if biquad.is_stable() {
        return Ok(());
    }
    Err(Invalid::new(
        field,
        format!("a = [1, {a1}, {a2}] is unstable: it would ring for ever or grow"),
        "both poles must lie inside the unit circle: |a2| < 1 and |a1| < 1 + a2",
    ))
}

/// How far the response of coefficients may be from that of the numbers typed in: coefficients printed with six digits
/// stay within it down to 20 Hz at Q 10, a gain or Q that was edited on one side only does not.
const AGREES_WITHIN_DB: f64 = 0.25;

/// Coefficients and numbers typed in must be the same filters, or one of the two is a slip. Coefficients without
/// numbers are filters of their own.
fn agree(channel: &ChannelTune, rate_hz: f64) -> Result<(), Invalid> {
    let typed = ChannelTune { biquads: Vec::new(), ..channel.clone() };
    let filter = ChannelFilter::new(&typed, rate_hz).map_err(|error| {
        Invalid::new("", error.to_string(), "every filter must be one this sample rate can hold")
    })?;
    let meant = filter.biquads();
    if meant.is_empty() || channel.biquads.is_empty() {
        return Ok(());
    }
    if channel.biquads.len() != meant.len() {
        return Err(Invalid::new(
            "biquads",
            format!("has {} entries for {} crossovers and sections", channel.biquads.len(), meant.len()),
            "leave it empty, or give the stages of each crossover and then one for each section, in order",
        ));
    }
    let mut grid_hz = log_grid_hz(20.0, 0.45 * rate_hz.max(100.0), 3.0);
    grid_hz.extend(channel.sections.iter().map(|it| it.frequency_hz));
    for (i, (biquad, meant)) in channel.biquads.iter().zip(&meant).enumerate() {
        for &hz in grid_hz.iter().filter(|&&hz| hz <= 0.45 * rate_hz) {
            let (given, asked) = (response_db(biquad, hz, rate_hz), response_db(meant, hz, rate_hz));
            // Far below, the last digits of printed coefficients decide, and nobody hears it.
            if asked > -40.0 && (given - asked).abs() > AGREES_WITHIN_DB {
                return Err(Invalid::new(
                    format!("biquads[{i}]"),
                    format!(
                        "gives {given:.2} dB at {hz:.0} Hz where the numbers typed in give {asked:.2} dB"
                    ),
                    "they must be the same filter at the tune's sample rate; leave biquads empty if in doubt",
                ));
            }
        }
    }
    Ok(())
}

/// Magnitude of `biquad` at `hz`, never below −200 dB.
fn response_db(biquad: &Biquad, hz: f64, rate_hz: f64) -> f64 {
    10.0 * biquad.response(hz, rate_hz).norm_sqr().max(1e-20).log10()
}
