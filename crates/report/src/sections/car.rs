//! The car's channels, the conditions, the cautions.

use garage::channels::Place;
use garage::{Channel, Condition, Side};

use crate::Document;
use crate::flow::{BODY, Flow, NOTE};
use crate::words;

/// Which output drives what.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    let channels = &document.car.channel_map.channels;
    flow.heading("The car", 40.0);
    if channels.is_empty() {
        flow.paragraph(BODY, "No channel map has been written down yet.");
    }
    for channel in channels {
        flow.entry(&format!("{}  {}", channel.output, channel.name), 124.0, BODY, &channel_words(channel));
    }
}

fn channel_words(channel: &Channel) -> String {
    let place = match channel.place {
        Place::Front => "front",
        Place::Rear => "rear",
        Place::Seat => "under a seat",
        Place::Boot => "boot",
    };
    let side = match channel.side {
        Side::Left => "left",
        Side::Right => "right",
        Side::Both => "for both sides",
    };
    let (from, to) = channel.safe_band_hz;
    let mut text =
        format!("{}, {place}, {side}; stimuli kept to {}", channel.role.word(), words::band(from, to));
    if let Some(hz) = channel.safe_frequency_hz {
        text.push_str(&format!(", nothing below {}", words::frequency(hz)));
    }
    if !channel.note.is_empty() {
        text.push_str(&format!(". {}", channel.note));
    }
    text
}

/// The state of car and bay: while the proof was taken, or else as the visit has it.
pub fn conditions(flow: &mut Flow<'_>, document: &Document) {
    let conditions = document.proof.as_ref().map_or(&document.visit.conditions, |proof| &proof.conditions);
    flow.heading("Conditions", 40.0);
    let mut air = Vec::new();
    air.extend(conditions.temperature_c.map(|it| format!("{it:.0} °C")));
    air.extend(conditions.humidity_percent.map(|it| format!("{it:.0} % relative humidity")));
    let air = if air.is_empty() { "not noted".to_owned() } else { air.join(", ") };
    flow.entry("Air", 46.0, NOTE, &air);
    for line in &conditions.checklist {
        checked(flow, line);
    }
    flow.paragraph(NOTE, &conditions.note);
}

fn checked(flow: &mut Flow<'_>, line: &Condition) {
    let note = if line.note.is_empty() { String::new() } else { format!(" ({})", line.note) };
    let (mark, ink) = if line.met { ("yes", crate::ink::TEXT) } else { ("not ticked", crate::ink::WARN) };
    flow.entry(mark, 46.0, crate::flow::Style { ink, ..NOTE }, &format!("{}{note}", line.what));
}

/// What can hurt.
pub fn cautions(flow: &mut Flow<'_>, document: &Document) {
    flow.heading("Cautions", 40.0);
    for caution in &document.visit.conditions.cautions {
        flow.paragraph(NOTE, &format!("{}.", caution.what.trim_end_matches('.')));
        flow.y += 2.0;
    }
}
