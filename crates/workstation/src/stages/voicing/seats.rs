//! Two front seats with a weight between them: what each gains and pays, side by side.

use eframe::egui::{
    Align2, Label, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use job::voicing::SeatShare;

use crate::board::signed;
use crate::commands::{Command, VoicingCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, Size, Tokens, plain, tokens};
use crate::widgets::{action, card, chip, figure, hint, line};

const CARD: f32 = 360.0;

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
        hint(ui, "Delays stay those of this seat: a voice stands in the middle for one listener only.");
    });
    let Some((first, second)) = page.found else { return };
    let most = [first, second].iter().flat_map(|it| [it.alone_db, it.shared_db]).fold(1.0, f64::max);
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = CARD_GAP;
        let cards = [
            ("This seat", "tuned for this seat alone", first),
            // Never its own: the tune it is held against was made for this visit's seat.
            ("The other seat", "tuned for the first seat alone", second),
        ];
        for (name, alone, share) in cards {
            ui.allocate_ui(vec2(CARD, 0.0), |ui| {
                ui.vertical(|ui| card(ui, name, |ui| seat(ui, name, alone, share, most)));
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
    if !rest.is_empty() {
        ui.horizontal_wrapped(|ui| {
            for visit in rest {
                let path = visit.folder.display().to_string();
                let command = Command::Voicing(VoicingCommand::OtherSeat(path.clone()));
                chip(ui, &visit.words, None, *other == path, command, out)
                    .accessible_name(format!("The other seat is in visit {}", visit.words));
            }
        });
    }
    let mut path = other.clone();
    if line(
        ui,
        "Visit with the other seat's takes",
        &mut path,
        "the folder of a visit of its own, with the same channels",
    )
    .changed()
    {
        out.push(Command::Voicing(VoicingCommand::OtherSeat(path)));
    }
}

/// Both figures as bars on one scale, and the difference in words.
fn seat(ui: &mut Ui, name: &str, alone: &str, share: SeatShare, most_db: f64) {
    let t = tokens(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 60.0), Sense::hover());
    let words = change_words(share);
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, format!("{name}: {words}")));
    let rows = [(alone, share.alone_db, t.before), ("shared", share.shared_db, t.after)];
    for (index, (what, db, ink)) in rows.into_iter().enumerate() {
        let y = rect.top() + 30.0 * index as f32;
        bar(
            ui,
            Rect::from_min_size(pos2(rect.left(), y), vec2(rect.width(), 28.0)),
            (what, db, most_db),
            ink,
            t,
        );
    }
    ui.add_space(GRID);
    ui.add(Label::new(plain(words, Size::Body, t.ink)).wrap());
}

fn bar(ui: &Ui, row: Rect, (what, db, most_db): (&str, f64, f64), ink: eframe::egui::Color32, t: &Tokens) {
    let room = row.width() - 60.0;
    let full =
        Rect::from_min_size(row.min + vec2(0.0, 2.0), vec2(room * (db / most_db) as f32, row.height() - 6.0));
    let painter = ui.painter();
    painter.rect(full, 2, Tokens::wash(ink), Stroke::new(1.0, ink), StrokeKind::Inside);
    let middle = full.center().y;
    painter.text(pos2(row.left() + 8.0, middle), Align2::LEFT_CENTER, what, Size::Small.regular(), t.ink);
    let words = format!("{} dB", signed(db, 1));
    painter.text(pos2(row.right(), middle), Align2::RIGHT_CENTER, words, Size::Small.bold(), t.ink);
}

/// `gains 0.9 dB: 2.2 instead of 3.1 dB off the target`.
fn change_words(share: SeatShare) -> String {
    let change_db = share.shared_db - share.alone_db;
    let verb = if change_db <= 0.0 { "gains" } else { "pays" };
    format!(
        "{verb} {:.1} dB: {:.1} instead of {:.1} dB off the target",
        change_db.abs(),
        share.shared_db,
        share.alone_db
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seat_gains_or_pays() {
        let words = |alone_db, shared_db| change_words(SeatShare { alone_db, shared_db });
        assert_eq!(words(3.1, 2.2), "gains 0.9 dB: 2.2 instead of 3.1 dB off the target");
        assert_eq!(words(1.6, 1.9), "pays 0.3 dB: 1.9 instead of 1.6 dB off the target");
    }
}
