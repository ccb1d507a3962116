//! Two front seats with a weight between them: what each gains and pays, side by side.

use eframe::egui::{
    Align2, Label, Rect, Sense, Stroke, StrokeKind, TextEdit, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use job::voicing::SeatShare;

use crate::board::signed;
use crate::commands::{Command, VoicingCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, LEAST_TARGET, Size, Tokens, plain, tokens};
use crate::widgets::{action, card, chip, figure, hint};

const CARD: f32 = 360.0;
const ROW: f32 = 26.0;
const NAME: f32 = 168.0;
const FIGURE: f32 = 92.0;

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let page = &state.voicing.seats;
    others(ui, state, out);
    ui.horizontal(|ui| {
        ui.label(plain("Weight of this seat", Size::Body, tokens(ui).quiet));
        let mut percent = 100.0 * page.weight;
        if figure(ui, "Weight of this seat", &mut percent, "%", 0.0..=100.0, 0, 92.0).changed() {
            out.push(Command::Voicing(VoicingCommand::Weight(percent / 100.0)));
        }
        let ready = !page.other.trim().is_empty() && !state.cabin.channels.is_empty() && !state.is_busy();
        action(ui, Command::Voicing(VoicingCommand::ShareSeats), ready, out);
        hint(ui, "Delays are those of the seat that weighs more: a voice stands in the middle for one listener only.");
    });
    let Some((first, second)) = page.found else { return };
    let most =
        [first, second].iter().flat_map(|it| [it.own_db, it.other_db, it.shared_db]).fold(1.0, f64::max);
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = CARD_GAP;
        for (name, share) in [("This seat", first), ("The other seat", second)] {
            ui.allocate_ui(vec2(CARD, 0.0), |ui| {
                ui.vertical(|ui| card(ui, name, |ui| seat(ui, name, share, most)));
            });
        }
    });
}

/// The car's other visits to choose from, and a path for any.
fn others(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let here = state.open.as_ref().map(|open| &open.folder);
    let car = state.garage.cars.iter().find(|car| car.visits.iter().any(|it| Some(&it.folder) == here));
    let visits = car.map_or(&[][..], |car| car.visits.as_slice());
    let other = &state.voicing.seats.other;
    let rest: Vec<_> = visits.iter().filter(|it| Some(&it.folder) != here).collect();
    ui.horizontal(|ui| {
        ui.label(plain("Other seat's visit", Size::Body, tokens(ui).quiet));
        for visit in &rest {
            let path = visit.folder.display().to_string();
            let command = Command::Voicing(VoicingCommand::OtherSeat(path.clone()));
            chip(ui, &visit.words, None, *other == path, command, out)
                .accessible_name(format!("The other seat is in visit {}", visit.words));
        }
        let mut path = other.clone();
        let edit = TextEdit::singleline(&mut path)
            .hint_text("the folder of a visit of its own, with the same channels")
            .desired_width(ui.available_width())
            .min_size(vec2(0.0, LEAST_TARGET))
            .align(Align2::LEFT_CENTER);
        if ui.add(edit).accessible_name("Visit with the other seat's takes").changed() {
            out.push(Command::Voicing(VoicingCommand::OtherSeat(path)));
        }
    });
}

/// The three figures as bars on one scale, and what the seat gains and pays in words.
fn seat(ui: &mut Ui, name: &str, share: SeatShare, most_db: f64) {
    let t = tokens(ui);
    let rows = [
        ("with the other seat's tune", (share.other_db, share.other_half_width_95), t.before),
        ("shared", (share.shared_db, share.shared_half_width_95), t.after),
        ("with a tune of its own", (share.own_db, share.own_half_width_95), t.quiet),
    ];
    let height = ROW * rows.len() as f32;
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let words = share.words();
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("{name}: {words}")));
    for (index, (what, db, ink)) in rows.into_iter().enumerate() {
        let y = rect.top() + ROW * index as f32;
        let row = Rect::from_min_size(pos2(rect.left(), y), vec2(rect.width(), ROW));
        bar(ui, row, (what, db, most_db), ink, t);
    }
    ui.add_space(GRID);
    ui.add(Label::new(plain(format!("Expected: {words}."), Size::Body, t.ink)).wrap());
}

/// Its name, the bar, the figure.
fn bar(
    ui: &Ui,
    row: Rect,
    (what, (db, half_db), most_db): (&str, (f64, Option<f64>), f64),
    ink: eframe::egui::Color32,
    t: &Tokens,
) {
    let painter = ui.painter();
    let middle = row.center().y;
    painter.text(pos2(row.left(), middle), Align2::LEFT_CENTER, what, Size::Small.regular(), t.ink);
    let room = (row.width() - NAME - FIGURE).max(0.0);
    let full = Rect::from_min_size(
        row.min + vec2(NAME, 5.0),
        vec2(room * (db / most_db) as f32, row.height() - 10.0),
    );
    painter.rect(full, 2, Tokens::wash(ink), Stroke::new(1.0, ink), StrokeKind::Inside);
    let interval = half_db.map_or_else(String::new, |half| format!(" \u{b1}{half:.1}"));
    let words = format!("{}{interval} dB", signed(db, 1));
    painter.text(pos2(row.right(), middle), Align2::RIGHT_CENTER, words, Size::Small.bold(), t.ink);
}
