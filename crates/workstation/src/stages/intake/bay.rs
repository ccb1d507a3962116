//! Is the bay quiet enough to measure in?

use eframe::egui::{Ui, vec2};
use garage::visit::CheckKind;

use crate::board::{Bar, Bars, show_bars};
use crate::commands::{Command, IntakeCommand};
use crate::state::State;
use crate::theme::GRID;
use crate::widgets::{action, card, hint, remark, verdict_words};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    card(ui, "Bay", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        let check = state.open.as_ref().and_then(|open| open.visit.latest_check(CheckKind::Noise));
        match check {
            None => hint(
                ui,
                "Noise by third-octave against the most that measuring allows. Nothing is played; ten seconds of quiet.",
            ),
            Some(check) => {
                let bars = bars(&check.figures);
                if !bars.bars.is_empty() {
                    show_bars(ui, &bars, vec2(ui.available_width(), 190.0));
                    hint(ui, "Bars: the noise found. Short lines: the most that measuring allows.");
                }
                let (shape, word) = verdict_words(check.verdict);
                if check.remarks.is_empty() {
                    remark(ui, shape, word);
                }
                for words in &check.remarks {
                    remark(ui, shape, words);
                }
            }
        }
        let ready = state.draft.sheet.rig.is_some() && !state.is_busy();
        action(ui, Command::Intake(IntakeCommand::Check(CheckKind::Noise)), ready, out);
    });
}

/// The bars of a bay check, from the figures kept with it.
fn bars(figures: &serde_json::Value) -> Bars {
    let number = |value: &serde_json::Value, key: &str| value.get(key).and_then(serde_json::Value::as_f64);
    let planned_db = number(figures, "planned_db");
    let list = figures.get("bands").and_then(|bands| bands.as_array()).cloned().unwrap_or_default();
    let bars = list
        .iter()
        .filter_map(|band| {
            Some(Bar {
                band_hz: number(band, "band_hz")?,
                level_db: number(band, "level_db")?,
                // The check says what a sweep would need to stand clear of the noise; what the planned sweep has more
                // or less than that, the noise may be louder or must be quieter.
                allowed_db: number(band, "level_db")? + planned_db? - number(band, "needed_db")?,
            })
        })
        .collect();
    let calibrated = figures.get("calibrated").and_then(serde_json::Value::as_bool).unwrap_or(false);
    Bars { bars, unit: if calibrated { "dB SPL" } else { "dBFS" } }
}
