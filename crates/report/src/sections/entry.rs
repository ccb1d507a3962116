//! The entry sheet: every setting, channel by channel, to type in and tick off.

use garage::entry::{EntryLine, gain_words, lines};

use crate::Document;
use crate::flow::{BODY, Flow, LABEL, Style};
use crate::ink;
use crate::letters::Weight;
use crate::page::{Area, Mark};
use crate::table;
use crate::words;

/// How the sheet is set.
pub struct Sheet {
    columns: usize,
    row: Style,
    /// From the left edge of the column to: words, frequency (start, mark, unit), value, Q.
    what: f32,
    frequency: (f32, f32, f32),
    value: (f32, f32, f32),
    q: (f32, f32, f32),
    /// "Band 3, peaking" or "3 peaking".
    bands_are_called_so: bool,
}

const ROW: Style = Style { size: 8.2, leading: 12.2, weight: Weight::Regular, ink: ink::TEXT };
/// As large as two columns allow.
pub const ROOMY: Sheet = Sheet {
    columns: 2,
    row: ROW,
    what: 13.0,
    frequency: (110.0, 131.0, 147.0),
    value: (166.0, 178.0, 195.0),
    q: (214.0, 228.0, 240.0),
    bands_are_called_so: true,
};
/// Small, for many channels.
pub const DENSE: Sheet = Sheet {
    columns: 3,
    row: Style { size: 7.2, leading: 8.9, ..ROW },
    what: 11.0,
    frequency: (68.0, 87.0, 101.0),
    value: (113.0, 124.0, 136.0),
    q: (152.0, 159.0, 167.0),
    bands_are_called_so: false,
};
/// The settings, or that there are none.
pub fn write(flow: &mut Flow<'_>, document: &Document, set: &Sheet) {
    flow.heading("Entry sheet", 160.0);
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
    let ticked = document.visit.entry.as_ref().filter(|entry| entry.tune == note.number);
    // Nothing is typed in for a channel that is dead.
    let dead = document.dead_channels();
    let is_dead = |line: &EntryLine| dead.iter().any(|it| it.name == line.channel);
    let sheet: Vec<EntryLine> = lines(tune).into_iter().filter(|line| !is_dead(line)).collect();
    flow.paragraph(
        BODY,
        &format!(
            "Tune {} \u{201C}{}\u{201D}{processor}, at {} Hz.{headroom} {}",
            note.number,
            note.title,
            tune.sample_rate_hz,
            entered(&sheet, ticked.map(|entry| &entry.ticked))
        ),
    );
    flow.space(2.0);
    let ticked = |line: &EntryLine| ticked.is_some_and(|entry| entry.ticked.contains(&line.key));
    flow.in_columns(set.columns, |flow| {
        for channel in sheet.chunk_by(|a, b| a.channel == b.channel) {
            block(flow, set, channel, ticked);
        }
    });
    for it in &dead {
        flow.space(4.0);
        flow.paragraph(BODY, &words::sentence_case(&it.words()));
    }
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

fn block(flow: &mut Flow<'_>, set: &Sheet, channel: &[EntryLine], ticked: impl Fn(&EntryLine) -> bool) {
    let Some(first) = channel.first() else { return };
    flow.space(7.0);
    flow.need(LABEL.leading + 3.0 * set.row.leading);
    head(flow, &first.channel, "");
    for line in channel {
        let short = line.what.strip_prefix("Band ").filter(|_| !set.bands_are_called_so);
        let what = short.map_or_else(|| line.what.clone(), |words| words.replacen(',', "", 1));
        let rows = flow.letters.wrap(&what, set.row.size, set.row.weight, set.room(line));
        if flow.need(set.row.leading * rows.len() as f32) {
            head(flow, &first.channel, ", continued");
        }
        row(flow, set, line, &rows, ticked(line));
    }
}

impl Sheet {
    /// As far as the words may reach before the figures begin.
    fn room(&self, line: &EntryLine) -> f32 {
        let until = if line.frequency.is_empty() { self.value.0 } else { self.frequency.0 };
        until - self.what - 2.0
    }
}

fn head(flow: &mut Flow<'_>, channel: &str, more: &str) {
    flow.paragraph(LABEL, &format!("{channel}{more}"));
    flow.hairline(flow.x(), flow.y, flow.width());
    flow.y += 1.5;
}

fn row(flow: &mut Flow<'_>, set: &Sheet, line: &EntryLine, rows: &[String], ticked: bool) {
    let style = set.row;
    let x = flow.x();
    let first = flow.y + 0.72 * style.leading;
    tick_box(flow, x, first - 6.2, ticked);
    for words in rows {
        flow.y += style.leading;
        flow.words_at(x + set.what, flow.y - 0.28 * style.leading, style, words);
    }
    let at = |(start, mark, unit): (f32, f32, f32)| (x + start, x + mark, x + unit);
    table::figure(flow, at(set.frequency), first, style, &line.frequency);
    let (_, unit) = line.value.split_once(' ').unwrap_or_default();
    let widest = flow.width() - set.value.2;
    if flow.letters.width(unit, style.size, style.weight) > widest {
        let right = x + flow.width();
        flow.words_ending_at(right, first, style, &line.value);
    } else {
        table::figure(flow, at(set.value), first, style, &line.value);
    }
    if !line.q.is_empty() {
        flow.words_ending_at(x + set.q.0 + 2.0, first, Style { ink: ink::QUIET, ..style }, "Q");
        table::figure(flow, at(set.q), first, style, &line.q);
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
