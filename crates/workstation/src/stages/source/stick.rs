//! What the head unit's own player is given to play.

use audio::wav::IntegerBits;
use eframe::egui::{Label, Ui};

use crate::commands::{Command, SourceCommand};
use crate::state::{Probing, State};
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{Mark, action, card, hint, line, pick_small, remark};

const RATES_HZ: [u32; 2] = [44_100, 48_000];
const BITS: [(IntegerBits, &str); 2] =
    [(IntegerBits::Sixteen, "16 bit"), (IntegerBits::TwentyFour, "24 bit")];

pub fn show(ui: &mut Ui, state: &State, now: &mut Probing, out: &mut Vec<Command>) {
    card(ui, "What the head unit plays", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let saved = state.open.as_ref().and_then(|open| open.visit.head_unit_stimulus.as_ref());
        if let Some(saved) = saved {
            let seconds = saved.frames() as f64 / f64::from(saved.rate_hz);
            let words = format!(
                "Saved: a sweep of {seconds:.0} s at {} kHz, and two tones. Play that very file.",
                f64::from(saved.rate_hz) / 1000.0
            );
            remark(ui, Mark::Done, &words);
        } else {
            ui.add(
                Label::new(plain("Nothing is saved for this visit yet.", Size::Body, tokens(ui).ink)).wrap(),
            );
        }
        ui.horizontal(|ui| {
            let rates = RATES_HZ.map(|hz| format!("{} kHz", f64::from(hz) / 1000.0));
            let shown = format!("{} kHz", f64::from(now.format.rate_hz) / 1000.0);
            if let Some(index) = pick_small(ui, "Sample rate of the files", &shown, &rates, 104.0) {
                now.format.rate_hz = RATES_HZ[index];
            }
            let words = BITS.map(|(_, words)| words.to_owned());
            let shown = BITS.iter().find(|(bits, _)| *bits == now.format.bits).map_or("", |it| it.1);
            if let Some(index) = pick_small(ui, "Word length of the files", shown, &words, 88.0) {
                now.format.bits = BITS[index].0;
            }
        });
        line(ui, "Folder for the files", &mut now.folder, "the stick, or a folder to burn from");
        let ready = !now.folder.trim().is_empty();
        action(ui, Command::Source(SourceCommand::SaveStick), ready, out);
        hint(
            ui,
            "Head units are picky: 44.1 kHz with 16 bit plays nearly everywhere. No link with loss of data if there is a choice.",
        );
    });
}
