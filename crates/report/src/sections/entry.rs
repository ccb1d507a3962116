//! The entry sheet: every setting, channel by channel, to type in and tick off.

use garage::entry::{EntryLine, gain_words, lines};

use crate::Document;
use crate::flow::{BODY, Flow, LABEL, NOTE, Style};
use crate::ink;
use crate::letters::Weight;
use crate::page::{Area, Mark};
use crate::table;

const ROW: Style = Style { size: 8.2, leading: 12.2, weight: Weight::Regular, ink: ink::TEXT };
/// From the left edge of the column to: words, frequency (start, mark, unit), value, Q.
const WHAT: f32 = 13.0;
const FREQUENCY: (f32, f32, f32) = (110.0, 131.0, 147.0);
const VALUE: (f32, f32, f32) = (166.0, 178.0, 195.0);
const Q: (f32, f32, f32) = (214.0, 228.0, 240.0);

/// The settings, or that there are none.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    flow.heading("Entry sheet", 90.0);
    let Some(saved) = &document.tune else {
        flow.paragraph(BODY, "There are no settings to type in yet.");
        return;
    };
    let (note, tune) = (&saved.record, &saved.tune);
    let processor = match document.visit.processor.as_str() {
        "" => String::new(),
        name => format!(" for {name}"),
    };
    let headroom = match gain_words(tune.headroom_db.abs()).trim_start_matches('+') {
        "0 dB" => String::new(),
        down => format!(" Turn the input down by {down}, so that no band can overload."),
    };
    flow.paragraph(
        BODY,
        &format!(
            "Tune {} \u{201C}{}\u{201D}{processor}, at {} Hz.{headroom}",
            note.number, note.title, tune.sample_rate_hz,
        ),
    );
    let ticked = document.visit.entry.as_ref().filter(|entry| entry.tune == note.number);
    let sheet = lines(tune);
    flow.paragraph(NOTE, &entered(&sheet, ticked.map(|entry| &entry.ticked)));
    flow.space(6.0);
    let ticked = |line: &EntryLine| ticked.is_some_and(|entry| entry.ticked.contains(&line.key));
    flow.in_columns(2, |flow| {
        for channel in sheet.chunk_by(|a, b| a.channel == b.channel) {
            block(flow, channel, ticked);
        }
    });
}

fn entered(sheet: &[EntryLine], ticked: Option<&std::collections::BTreeSet<String>>) -> String {
    match ticked {
        None => "A box for each line, to tick off once it is typed in.".to_owned(),
        Some(keys) => {
            let done = sheet.iter().filter(|line| keys.contains(&line.key)).count();
            format!("{done} of {} lines were ticked off as typed in.", sheet.len())
        }
    }
}

fn block(flow: &mut Flow<'_>, channel: &[EntryLine], ticked: impl Fn(&EntryLine) -> bool) {
    let Some(first) = channel.first() else { return };
    flow.space(7.0);
    flow.need(LABEL.leading + 3.0 * ROW.leading);
    head(flow, &first.channel, "");
    for line in channel {
        let rows = flow.letters.wrap(&line.what, ROW.size, ROW.weight, room(line));
        if flow.need(ROW.leading * rows.len() as f32) {
            head(flow, &first.channel, ", continued");
        }
        row(flow, line, &rows, ticked(line));
    }
}

/// As far as the words may reach before the figures begin.
fn room(line: &EntryLine) -> f32 {
    let until = if line.frequency.is_empty() { VALUE.0 } else { FREQUENCY.0 };
    until - WHAT - 2.0
}

fn head(flow: &mut Flow<'_>, channel: &str, more: &str) {
    flow.paragraph(LABEL, &format!("{channel}{more}"));
    flow.hairline(flow.x(), flow.y, flow.width());
    flow.y += 1.5;
}

fn row(flow: &mut Flow<'_>, line: &EntryLine, rows: &[String], ticked: bool) {
    let x = flow.x();
    let first = flow.y + 0.72 * ROW.leading;
    tick_box(flow, x, first - 6.2, ticked);
    for words in rows {
        flow.y += ROW.leading;
        flow.words_at(x + WHAT, flow.y - 0.28 * ROW.leading, ROW, words);
    }
    let at = |(start, mark, unit): (f32, f32, f32)| (x + start, x + mark, x + unit);
    table::figure(flow, at(FREQUENCY), first, ROW, &line.frequency);
    let (_, unit) = line.value.split_once(' ').unwrap_or_default();
    let widest = flow.width() - VALUE.2;
    if flow.letters.width(unit, ROW.size, ROW.weight) > widest {
        let right = x + flow.width();
        flow.words_ending_at(right, first, ROW, &line.value);
    } else {
        table::figure(flow, at(VALUE), first, ROW, &line.value);
    }
    if !line.q.is_empty() {
        flow.words_ending_at(x + Q.0 + 2.0, first, Style { ink: ink::QUIET, ..ROW }, "Q");
        table::figure(flow, at(Q), first, ROW, &line.q);
    }
}

/// A square; filled inside when the line was ticked off.
fn tick_box(flow: &mut Flow<'_>, x: f32, y: f32, ticked: bool) {
    let side = 6.5;
    let edge = 0.6;
    let bars = [
        (0.0, 0.0, side, edge),
        (0.0, side - edge, side, edge),
        (0.0, 0.0, edge, side),
        (side - edge, 0.0, edge, side),
    ];
    for (dx, dy, w, h) in bars {
        flow.mark(Mark::Fill(Area { x: x + dx, y: y + dy, w, h }, ink::QUIET));
    }
    if ticked {
        let inside = Area { x: x + 1.6, y: y + 1.6, w: side - 3.2, h: side - 3.2 };
        flow.mark(Mark::Fill(inside, ink::TEXT));
    }
}
