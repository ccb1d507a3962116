//! FIR taps after the bands: on or off, how long they make a channel wait, how much they may ring ahead.

use dsp::limits::PreRinging;
use dsp::system::FEWEST_TAPS;
use dsp::tune::ChannelTune;
use eframe::egui::Ui;
use job::voicing::has_taps;

use crate::commands::{Command, IntakeCommand, SheetEdit, VoicingCommand};
use crate::state::State;
use crate::theme::{Size, plain, tokens};
use crate::widgets::figure;

/// One line, where the processor has taps.
pub fn show(ui: &mut Ui, state: &State, channel: &ChannelTune, out: &mut Vec<Command>) {
    let (Some(limits), Some(tune)) = (&state.draft.sheet.limits, &state.draft.tune) else { return };
    if limits.fir_taps < FEWEST_TAPS && !has_taps(tune) {
        return;
    }
    let t = tokens(ui);
    ui.horizontal_wrapped(|ui| {
        let mut on = has_taps(tune);
        let ready = !state.is_busy() && (on || state.curves.is_some());
        let tick = eframe::egui::Checkbox::new(&mut on, VoicingCommand::Taps(true).label());
        if ui.add_enabled(ready, tick).changed() {
            out.push(Command::Voicing(VoicingCommand::Taps(on)));
        }
        let words = words(channel, tune.sample_rate_hz, limits.fir_taps);
        ui.label(plain(words, Size::Small, t.quiet));
        ui.label(plain("Pre-ringing at most", Size::Body, t.quiet));
        let mut bound = limits.pre_ringing;
        figure(ui, "Longest pre-ringing", &mut bound.longest_ms, "ms", PreRinging::LONGEST_MS, 1, 92.0);
        figure(ui, "Loudest pre-ringing", &mut bound.loudest_db, "dB", PreRinging::LOUDEST_DB, 0, 92.0);
        if bound != limits.pre_ringing {
            out.push(Command::Intake(IntakeCommand::Edit(SheetEdit::PreRinging(bound))));
        }
    });
}

/// `1024 taps, no delay`, `1024 taps, 5.00 ms later like every channel`, `only waits 5.00 ms`, `1024 to fill`.
fn words(channel: &ChannelTune, rate_hz: f64, most: usize) -> String {
    let Some(taps) = &channel.fir else { return format!("{most} to fill") };
    let main = taps.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).map_or(0, |it| it.0);
    let ms = 1e3 * main as f64 / rate_hz;
    if channel.only_waits() {
        format!("only waits {ms:.2} ms")
    } else if main == 0 {
        format!("{} taps, no delay", taps.len())
    } else {
        format!("{} taps, {ms:.2} ms later like every channel", taps.len())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_channel_says_what_its_taps_do() {
        let of = |taps: Option<Vec<f64>>| {
            words(&ChannelTune { fir: taps, ..ChannelTune::default() }, 48_000.0, 1024)
        };
        let waiting = |tail: &[f64]| [vec![0.0; 240], vec![1.0], tail.to_vec()].concat();
        assert_eq!(of(None), "1024 to fill");
        assert_eq!(of(Some(vec![0.9, 0.1, -0.2])), "3 taps, no delay");
        assert_eq!(of(Some(waiting(&[]))), "only waits 5.00 ms");
        assert_eq!(of(Some(waiting(&[0.1]))), "242 taps, 5.00 ms later like every channel");
    }
}
