//! Kept tunes as numbered cards, and what changed between two: in numbers, and as a curve in the strip.

use eframe::egui::{Grid, ScrollArea, Ui, vec2};
use garage::tune_record::TuneRecord;

use super::{listed, strip_of};
use crate::board::Strip;
use crate::commands::{Command, VoicingCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, Size, bold, plain, tokens};
use crate::widgets::{Mark, action, card, hint, pair, pick_small, remark};

const CARD: f32 = 264.0;

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(open) = &state.open else { return };
    if open.voiced().next().is_none() {
        hint(
            ui,
            "No tune is kept yet: save one, and it stands here under its number. A tune is never changed again.",
        );
        return;
    }
    ScrollArea::horizontal().id_salt("kept").auto_shrink([false, true]).show(ui, |ui| {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = CARD_GAP;
            for saved in open.voiced().rev() {
                ui.allocate_ui(vec2(CARD, 0.0), |ui| ui.vertical(|ui| one(ui, state, saved, out)));
            }
        });
    });
    comparison(ui, state, out);
}

fn one(ui: &mut Ui, state: &State, saved: &TuneRecord, out: &mut Vec<Command>) {
    let number = saved.record.number;
    let here = state.voicing.in_processor == Some(number);
    card(ui, &format!("Tune {number}"), |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        if !saved.record.title.is_empty() {
            ui.label(plain(&saved.record.title, Size::Body, tokens(ui).ink));
        }
        let predicted = &saved.tune.predicted;
        if predicted.rms_error_db_before > 0.0 {
            let words =
                format!("{:.1} to {:.1}", predicted.rms_error_db_before, predicted.rms_error_db_after);
            pair(ui, "predicted", &words, "dB off");
        }
        if here {
            remark(ui, Mark::Done, "in the processor");
        }
        ui.horizontal(|ui| {
            action(ui, Command::Voicing(VoicingCommand::Enter(number)), !here && !state.is_busy(), out);
            action(ui, Command::Voicing(VoicingCommand::Open(number)), true, out);
        });
    });
}

/// Two tunes to choose, then every number that is not as it was.
fn comparison(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(open) = &state.open else { return };
    let t = tokens(ui);
    let page = &state.voicing.compared;
    let numbers: Vec<u32> = open.voiced().map(|saved| saved.record.number).collect();
    let kept: Vec<String> = numbers.iter().map(|n| format!("tune {n}")).collect();
    let word = |number: Option<u32>, other: &str| number.map_or(other.to_owned(), |n| format!("tune {n}"));
    ui.horizontal(|ui| {
        ui.label(plain("From", Size::Body, t.quiet));
        let older = pick_small(ui, "Compare from", &word(page.older, "choose"), &kept, 96.0);
        ui.label(plain("to", Size::Body, t.quiet));
        let newer: Vec<String> = kept.iter().cloned().chain(["what is here now".to_owned()]).collect();
        let picked = pick_small(ui, "Compare to", &word(page.newer, "what is here now"), &newer, 152.0);
        let older_number = older.and_then(|i| numbers.get(i).copied()).or(page.older);
        let newer_number = picked.map_or(page.newer, |i| numbers.get(i).copied());
        if older.is_some() || picked.is_some() {
            out.push(Command::Voicing(VoicingCommand::Compare(older_number, newer_number)));
        }
        if let Some(found) = &page.found {
            ui.label(plain(&found.sentence, Size::Body, t.ink));
        }
    });
    let Some(found) = page.found.as_ref().filter(|found| !found.lines.is_empty()) else { return };
    Grid::new("changes").num_columns(4).min_row_height(24.0).spacing(vec2(20.0, 2.0)).show(ui, |ui| {
        for head in ["Channel", "Setting", "was", "is"] {
            ui.label(plain(head, Size::Small, t.quiet));
        }
        ui.end_row();
        let mut channel = "";
        for line in &found.lines {
            let name = if line.channel == channel { "" } else { line.channel.as_str() };
            channel = &line.channel;
            ui.label(bold(name, Size::Body, t.ink));
            ui.label(plain(&line.what, Size::Body, t.quiet));
            ui.label(plain(signs(&line.was), Size::Body, t.before));
            ui.label(plain(signs(&line.is), Size::Body, t.after));
            ui.end_row();
        }
    });
}

/// A hyphen before a digit is a minus.
fn signs(words: &str) -> String {
    words
        .replace(" -", " −")
        .strip_prefix('-')
        .map_or_else(|| words.replace(" -", " −"), |rest| format!("−{rest}"))
}

/// What changed in the channel that is listed, newer less older.
pub fn strip(state: &State) -> Option<Strip> {
    let found = state.voicing.compared.found.as_ref()?;
    let listed = listed(state).map(|c| &c.name);
    let most = || found.curves.iter().max_by(|a, b| a.most_db.total_cmp(&b.most_db));
    let changed =
        found.curves.iter().find(|c| Some(&c.channel) == listed && c.most_db > 0.0).or_else(most)?;
    (changed.most_db > 0.0).then(|| strip_of(&format!("change, {}", changed.channel), changed.change.clone()))
}
