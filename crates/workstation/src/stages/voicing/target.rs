//! The target's shape: rings on the board, and the same as numbers.

use dsp::curve::{Curve, log_grid_hz};
use dsp::target::Target;
use eframe::egui::{Checkbox, Grid, Ui, vec2};

use crate::board::Handle;
use crate::commands::{Command, TargetEdit, VoicingCommand};
use crate::state::State;
use crate::theme::{Size, plain, tokens};
use crate::widgets::{figure, hint};

/// The target as a curve on the board.
pub fn corridor(target: &Target) -> Curve {
    let grid = log_grid_hz(20.0, 20_000.0, 12.0);
    let levels = grid.iter().map(|hz| target.level_at_db(*hz)).collect();
    Curve::of_levels(grid, levels)
}

/// A ring for each point.
pub fn handles(target: &Target) -> Vec<Handle> {
    target.points.iter().map(|&(hz, db)| Handle { frequency_hz: hz, level_db: db }).collect()
}

/// The target's points as numbers; the same as the handles on the board.
pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(target) = &state.draft.sheet.target else { return };
    ui.horizontal(|ui| {
        let mut follows = !state.voicing.still;
        let words = plain(VoicingCommand::Follow(true).label(), Size::Body, tokens(ui).ink);
        if ui.add(Checkbox::new(&mut follows, words)).changed() {
            out.push(Command::Voicing(VoicingCommand::Follow(follows)));
        }
        ui.add_space(16.0);
        ui.label(plain("Corridor, plus and minus", Size::Body, tokens(ui).quiet));
        let mut tolerance = target.tolerance_db;
        if figure(ui, "Corridor", &mut tolerance, "dB", 0.5..=12.0, 1, 84.0).changed() {
            out.push(Command::Voicing(VoicingCommand::Target(TargetEdit::Tolerance(tolerance))));
        }
        hint(ui, "Drag the rings on the board, or type. Only the shape counts: the level is fitted.");
    });
    let mut push = |edit| out.push(Command::Voicing(VoicingCommand::Target(edit)));
    Grid::new("target").num_columns(3).spacing(vec2(8.0, 4.0)).show(ui, |ui| {
        for (index, &(hz, db)) in target.points.iter().enumerate() {
            let (mut new_hz, mut new_db) = (hz, db);
            let decimals = usize::from(hz < 100.0);
            figure(
                ui,
                &format!("Frequency of point {}", index + 1),
                &mut new_hz,
                "Hz",
                10.0..=24_000.0,
                decimals,
                104.0,
            );
            figure(ui, &format!("Level of point {}", index + 1), &mut new_db, "dB", -30.0..=30.0, 1, 88.0);
            if (new_hz, new_db) != (hz, db) {
                push(TargetEdit::Point(index, new_hz, new_db));
            }
            ui.horizontal(|ui| {
                if ui.button("+").accessible_name(format!("Add point after {}", index + 1)).clicked() {
                    push(TargetEdit::AddAfter(index));
                }
                let removable = target.points.len() > 2;
                let remove = ui.add_enabled(removable, eframe::egui::Button::new("−"));
                if remove.accessible_name(format!("Remove point {}", index + 1)).clicked() {
                    push(TargetEdit::Remove(index));
                }
            });
            ui.end_row();
        }
    });
}
