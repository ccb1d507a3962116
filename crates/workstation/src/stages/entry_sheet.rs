//! The entry sheet: one channel's settings in figures that are read from an arm's length, ticked off line by line.

use eframe::egui::{
    Align2, FontId, Label, Rect, ScrollArea, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role,
    pos2, vec2,
};
use garage::entry::{EntryLine, gain_words};

use crate::commands::{Command, HandoverCommand};
use crate::state::{Entry, State, entry};
use crate::theme::{CARD_INSET, CORNER, GRID, Size, Tokens, bold, tokens};
use crate::widgets::{Mark, action, card, chip, focus_ring, hint, remark};

const ROW: f32 = 46.0;
const BOX: f32 = 22.0;
/// From a row's left edge to its words.
const WORDS: f32 = CARD_INSET + BOX + CARD_INSET;
/// Right ends of frequency, value and Q, as shares of what is beyond the words.
const COLUMNS: [f32; 3] = [0.55, 0.8, 1.0];
/// A row is no wider: figures far from their words are read with the wrong line.
const WIDEST: f32 = 900.0;

/// How far the typing is, and the way to the sheet and back.
pub fn summary(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(entry) = entry(state) else { return };
    card(ui, &format!("Entry sheet, tune {}", entry.tune), |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        hint(ui, &format!("{} of {} lines ticked", entry.done(), entry.lines.len()));
        action(ui, Command::Handover(HandoverCommand::TypeIn(!state.handover.typing)), true, out);
    });
}

/// The sheet in place of the curves.
pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(entry) = entry(state) else { return };
    let Some(channel) = entry.channel(state.handover.channel.as_deref()) else { return };
    let t = tokens(ui);
    ui.horizontal_wrapped(|ui| {
        for (name, mark) in entry.channels() {
            let word = match mark {
                Mark::Done => "typed in",
                Mark::Begun => "begun",
                _ => "open",
            };
            let command = Command::Handover(HandoverCommand::SheetOf(name.to_owned()));
            chip(ui, name, Some((mark, word)), name == channel, command, out);
        }
    });
    let words = format!("Tune {}, {channel}", entry.tune);
    ui.add(Label::new(bold(words, Size::Title, t.ink)).wrap());
    if entry.headroom_db >= 0.005 {
        let down = gain_words(entry.headroom_db);
        let down = down.trim_start_matches('+');
        hint(ui, &format!("Turn the processor's input down by {down}, so that no band can overload."));
    }
    for it in &entry.dead {
        remark(ui, Mark::Doubt, &it.words());
    }
    let next = entry.next(channel).map(|line| line.key.as_str());
    ScrollArea::vertical().id_salt("entry").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        for line in entry.lines.iter().filter(|line| line.channel == channel) {
            row(ui, &entry, line, Some(line.key.as_str()) == next, out);
        }
    });
}

fn row(ui: &mut Ui, entry: &Entry, line: &EntryLine, is_next: bool, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let ticked = entry.is_ticked(line);
    let size = vec2(ui.available_width().min(WIDEST), ROW);
    let (rect, response) = ui.allocate_exact_size(size, Sense::click());
    let parts = [&line.what, &line.frequency, &line.value].map(String::as_str);
    let mut spoken = parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ");
    if !line.q.is_empty() {
        spoken.push_str(&format!(", Q {}", line.q));
    }
    let spoken = format!("{}: {spoken}", line.channel);
    response.widget_info(|| WidgetInfo::selected(Role::CheckBox, ui.is_enabled(), ticked, spoken.as_str()));
    let fill = if is_next { Tokens::wash(t.focus) } else { t.card };
    ui.painter().rect(rect, CORNER, fill, Stroke::new(1.0, t.line), StrokeKind::Inside);
    if response.has_focus() {
        focus_ring(ui, &response, t);
    }
    tick_box(ui, pos2(rect.left() + CARD_INSET, rect.center().y - BOX / 2.0), ticked, t);
    let ink = if ticked { t.quiet } else { t.ink };
    let write = |x: f32, align: Align2, words: &str, font: FontId| {
        ui.painter().text(pos2(x, rect.center().y), align, words, font, ink);
    };
    write(rect.left() + WORDS, Align2::LEFT_CENTER, &line.what, Size::Title.regular());
    let q = if line.q.is_empty() { String::new() } else { format!("Q {}", line.q) };
    let room = rect.width() - WORDS - CARD_INSET;
    for (words, share) in [&line.frequency, &line.value, &q].into_iter().zip(COLUMNS) {
        write(rect.left() + WORDS + share * room, Align2::RIGHT_CENTER, words, Size::Large.bold());
    }
    if response.clicked() {
        out.push(Command::Handover(HandoverCommand::Tick(line.key.clone(), !ticked)));
    }
    if is_next && !ui.is_rect_visible(rect) {
        response.scroll_to_me(None);
    }
}

/// A box; with a tick inside when its line was typed in.
fn tick_box(ui: &Ui, at: eframe::egui::Pos2, ticked: bool, t: &Tokens) {
    let square = Rect::from_min_size(at, vec2(BOX, BOX));
    ui.painter().rect_stroke(square, 4.0, Stroke::new(1.5, t.quiet), StrokeKind::Inside);
    if ticked {
        let from = |x: f32, y: f32| square.min + vec2(x * BOX, y * BOX);
        let tick = vec![from(0.22, 0.52), from(0.42, 0.72), from(0.78, 0.28)];
        ui.painter().line(tick, Stroke::new(2.5, t.corridor));
    }
}
