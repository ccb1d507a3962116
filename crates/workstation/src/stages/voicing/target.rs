//! The target's shape: rings on the board, and the same as numbers.

use dsp::curve::{Curve, log_grid_hz};
use dsp::target::Target;
use eframe::egui::{Button, Checkbox, Ui, vec2};

use crate::board::Handle;
use crate::commands::{Command, TargetEdit, VoicingCommand};
use crate::state::State;
use crate::theme::{LEAST_TARGET, Size, plain, tokens};
use crate::widgets::{figure, hint};

/// Room for one point in a line.
const POINT: f32 = 304.0;

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
    ui.horizontal_wrapped(|ui| {
        for (index, &(hz, db)) in target.points.iter().enumerate() {
            // A point stays whole where the line breaks.
            ui.allocate_ui(vec2(POINT, LEAST_TARGET), |ui| {
                ui.horizontal(|ui| point(ui, index, (hz, db), target.points.len() > 2, &mut push));
            });
        }
    });
}

/// Frequency and level of a point, one more after it, and away with it.
fn point(
    ui: &mut Ui,
    index: usize,
    (hz, db): (f64, f64),
    removable: bool,
    push: &mut impl FnMut(TargetEdit),
) {
    let (mut new_hz, mut new_db) = (hz, db);
    let number = index + 1;
    let decimals = usize::from(hz < 100.0);
    let frequency = format!("Frequency of point {number}");
    figure(ui, &frequency, &mut new_hz, "Hz", 10.0..=24_000.0, decimals, 104.0);
    figure(ui, &format!("Level of point {number}"), &mut new_db, "dB", -30.0..=30.0, 1, 88.0);
    if (new_hz, new_db) != (hz, db) {
        push(TargetEdit::Point(index, new_hz, new_db));
    }
    if ui.button("+").accessible_name(format!("Add point after {number}")).clicked() {
        push(TargetEdit::AddAfter(index));
    }
    let remove = ui.add_enabled(removable, Button::new("−"));
    if remove.accessible_name(format!("Remove point {number}")).clicked() {
        push(TargetEdit::Remove(index));
    }
}
