//! What to do next, in one sentence, and the button that does it.

use eframe::egui::{Label, ProgressBar, Ui};

use crate::commands::{CabinCommand, Command};
use crate::state::{State, next_step, seat_plan};
use crate::theme::{LEAST_TARGET, Size, plain, tokens};
use crate::widgets::{card, hint, primary};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    card(ui, "What to do next", |ui| {
        if let Some(running) = &state.running {
            ui.add(Label::new(plain(format!("{}…", running.what), Size::Title, t.ink)).wrap());
            let share = running.watch.progress() as f32;
            let bar = ProgressBar::new(share).desired_height(8.0).fill(t.after).corner_radius(4);
            ui.add(bar);
            if running.sounding {
                hint(ui, "Esc stops the sound.");
            } else {
                hint(ui, "You can go on working meanwhile.");
            }
            return;
        }
        let step = next_step(state);
        ui.add(Label::new(plain(&step.words, Size::Title, t.ink)).wrap());
        if let Some(command) = step.command {
            ui.add_space(4.0);
            let label = take_label(state, &command);
            primary(ui, command, label.as_deref(), LEAST_TARGET + 8.0, out);
        }
    });
}

/// "Take P4" instead of "Take".
fn take_label(state: &State, command: &Command) -> Option<String> {
    let Command::Cabin(CabinCommand::Take) = command else { return None };
    Some(format!("Take {}", seat_plan::next_position(state)?.position))
}
