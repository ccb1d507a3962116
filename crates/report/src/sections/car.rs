//! The car's channels, the conditions, the cautions.

use garage::channels::Place;
use garage::{Channel, Condition, Side};

use crate::Document;
use crate::flow::{BODY, Flow, NOTE};
use crate::words;

/// Which output drives what.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    let channels = &document.car.channel_map.channels;
    flow.heading("The car", 12.0);
    if channels.is_empty() {
        flow.paragraph(BODY, "No channel map has been written down yet.");
        return;
    }
    let told: Vec<String> = channels.iter().map(channel_words).collect();
    let told = told.join("; ");
    flow.paragraph(NOTE, &format!("{told}. No stimulus left the band that stands beside its channel."));
}

/// Output, name, band, and what the name does not say already.
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
    let from = channel.safe_frequency_hz.map_or(from, |hz| from.max(hz));
    let known = [channel.role.word(), place, side].into_iter().filter(|word| !channel.name.contains(word));
    let mut text = format!("{} {}, {}", channel.output, channel.name, words::band(from, to));
    for word in known {
        text.push_str(&format!(", {word}"));
    }
    if !channel.note.is_empty() {
        text.push_str(&format!(" ({})", channel.note));
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
    let (met, open): (Vec<&Condition>, Vec<&Condition>) = conditions.checklist.iter().partition(|it| it.met);
    let all: Vec<String> = met.iter().map(|line| noted(line)).collect();
    if !all.is_empty() {
        flow.entry("Ticked", 46.0, NOTE, &format!("{}.", all.join("; ")));
    }
    for line in open {
        let style = crate::flow::Style { ink: crate::ink::WARN, ..NOTE };
        flow.entry("not ticked", 46.0, style, &noted(line));
    }
    flow.paragraph(NOTE, &conditions.note);
}

fn noted(line: &Condition) -> String {
    let note = if line.note.is_empty() { String::new() } else { format!(" ({})", line.note) };
    format!("{}{note}", line.what)
}

/// What can hurt.
pub fn cautions(flow: &mut Flow<'_>, document: &Document) {
    flow.heading("Cautions", 40.0);
    for caution in &document.visit.conditions.cautions {
        flow.paragraph(NOTE, &format!("{}.", caution.what.trim_end_matches('.')));
        flow.y += 2.0;
    }
}
