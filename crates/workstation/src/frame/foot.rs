//! The latest message, at the foot of the window.

use eframe::egui::{Align, Frame, Label, Layout, Margin, Panel, Sense, Ui, vec2};

use crate::commands::Command;
use crate::state::{State, Tone};
use crate::theme::{EDGE, Size, plain, tokens};
use crate::widgets::{Mark, mark, quiet};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(notice) = &state.notice else { return };
    let t = tokens(ui);
    let shape = match notice.tone {
        Tone::Done => Mark::Done,
        Tone::Doubt => Mark::Doubt,
        Tone::Failed => Mark::Again,
    };
    let frame = Frame::new().fill(t.card).inner_margin(Margin::symmetric(EDGE as i8, 6));
    Panel::bottom("message").frame(frame).resizable(false).show(ui, |ui| {
        ui.horizontal(|ui| {
            let (rect, _) = ui.allocate_exact_size(vec2(14.0, 20.0), Sense::hover());
            mark(ui.painter(), rect.center(), shape, t);
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                quiet(ui, Command::Dismiss, true, out);
                ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                    ui.add(Label::new(plain(&notice.words, Size::Body, t.ink)).wrap());
                });
            });
        });
    });
}
