//! The slope that speaker and filter are to have together at a crossover, chosen apart from the filter.

use dsp::tune::{ChannelTune, Crossover, CrossoverFamily, Pass};
use eframe::egui::{Label, Ui};

use super::crossovers::{every_order, slope_words};
use crate::commands::{Command, TuneEdit, VoicingCommand};
use crate::state::State;
use crate::theme::{Size, plain, tokens};
use crate::widgets::{figure, pick_small};

const AS_THE_FILTER: &str = "as the filter";

/// One line under its crossover: family, order and frequency of the slope, and how far the speaker is from it.
pub fn show(ui: &mut Ui, state: &State, channel: &ChannelTune, pass: Pass, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let name = &channel.name;
    let chosen = channel.acoustic.iter().find(|it| it.pass == pass).copied();
    let Some(filter) = channel.slope(pass).copied() else { return };
    let word = if pass == Pass::High { "high-pass" } else { "low-pass" };
    let of = |what: &str| format!("{what} together of {word} of {name}");
    let mut new = chosen;
    ui.horizontal(|ui| {
        ui.add_sized([76.0, 20.0], Label::new(plain("together", Size::Small, t.quiet)));
        if let Some(slope) = &mut new {
            figure(ui, &of("Frequency"), &mut slope.frequency_hz, "Hz", 20.0..=20_000.0, 0, 120.0);
        } else {
            ui.add_space(120.0 + ui.spacing().item_spacing.x);
        }
        let words: Vec<String> =
            CrossoverFamily::ALL.iter().map(ToString::to_string).chain([AS_THE_FILTER.to_owned()]).collect();
        let now = chosen.map_or(AS_THE_FILTER.to_owned(), |it| it.family.to_string());
        if let Some(picked) = pick_small(ui, &of("Shape"), &now, &words, 136.0) {
            new = CrossoverFamily::ALL.get(picked).map(|&family| of_family(filter, family));
        }
        if let Some(slope) = &mut new {
            let orders = every_order(slope.family);
            let words: Vec<String> = orders.iter().map(|order| slope_words(*order)).collect();
            let picked = pick_small(ui, &of("Slope"), &slope_words(slope.order), &words, 112.0);
            slope.order = picked.and_then(|i| orders.get(i)).copied().unwrap_or(slope.order);
        }
        let away = away_words(state, channel, pass);
        ui.label(plain(away, Size::Small, t.quiet));
    });
    if new != chosen {
        // What is chosen on one side of a crossover holds on all of them, or they would not add up.
        let edges = job::voicing::sharing(&state.draft.sheet.channels, name, pass);
        out.push(Command::Voicing(VoicingCommand::Edit(TuneEdit::Slope(edges, new))));
    }
}

/// The same slope in another family, at the nearest order it has.
fn of_family(slope: Crossover, family: CrossoverFamily) -> Crossover {
    let nearest = every_order(family).into_iter().min_by_key(|order| order.abs_diff(slope.order));
    Crossover { family, order: nearest.unwrap_or(slope.order), ..slope }
}

fn away_words(state: &State, channel: &ChannelTune, pass: Pass) -> String {
    let away = || {
        let target = state.draft.sheet.target.as_ref()?;
        let rate_hz = state.draft.tune.as_ref()?.sample_rate_hz;
        job::voicing::away_from_slope(state.curves.as_deref()?, channel, pass, target, rate_hz)
    };
    away().map_or_else(String::new, |it| format!("{:.1} dB off it", it.rms_db))
}
