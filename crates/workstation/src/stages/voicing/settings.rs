//! The settings of one channel, every number editable by keyboard.

use dsp::limits::Limits;
use dsp::tune::{ChannelTune, Polarity, Section, SectionKind};
use eframe::egui::{Grid, Ui, vec2};
use garage::entry::kind_word;

use crate::commands::{Command, TuneEdit, VoicingCommand};
use crate::state::State;
use crate::theme::{GRID, Size, bold, plain, tokens};
use crate::widgets::{action, figure, hint, pick_small};

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = 2.0 * GRID;
    let Some(channel) = super::listed(state) else { return };
    whole(ui, state, channel, out);
    super::taps::show(ui, state, channel, out);
    filters(ui, state, channel, out);
}

fn push(out: &mut Vec<Command>, edit: TuneEdit) {
    out.push(Command::Voicing(VoicingCommand::Edit(edit)));
}

/// Level, delay, polarity, crossovers.
fn whole(ui: &mut Ui, state: &State, channel: &ChannelTune, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let name = &channel.name;
    let longest = state.draft.sheet.limits.as_ref().and_then(|l| l.delay_ms).map_or(50.0, |d| d.max);
    ui.horizontal_wrapped(|ui| {
        ui.label(plain("Level", Size::Body, t.quiet));
        let mut gain = channel.gain_db;
        if figure(ui, &format!("Level of {name}"), &mut gain, "dB", -60.0..=12.0, 1, 92.0).changed() {
            push(out, TuneEdit::Gain(name.clone(), gain));
        }
        ui.label(plain("Delay", Size::Body, t.quiet));
        let mut delay = channel.delay_ms;
        if figure(ui, &format!("Delay of {name}"), &mut delay, "ms", 0.0..=longest, 2, 100.0).changed() {
            push(out, TuneEdit::Delay(name.clone(), delay));
        }
        let mut inverted = channel.polarity == Polarity::Inverted;
        if ui.checkbox(&mut inverted, "Inverted").accessible_name(format!("{name} inverted")).changed() {
            let polarity = if inverted { Polarity::Inverted } else { Polarity::Normal };
            push(out, TuneEdit::Polarity(name.clone(), polarity));
        }
        let ready = !state.cabin.channels.is_empty() && !state.is_busy();
        action(ui, Command::Voicing(VoicingCommand::Align), ready, out);
        for crossover in &channel.crossovers {
            ui.label(plain(crossover_words(crossover), Size::Small, t.quiet));
        }
    });
}

fn crossover_words(crossover: &dsp::tune::Crossover) -> String {
    let hz = crate::board::frequency_words(crossover.frequency_hz);
    let pass = match crossover.pass {
        dsp::tune::Pass::Low => "low-pass",
        dsp::tune::Pass::High => "high-pass",
    };
    format!("{pass} {hz}, {} dB/oct", 6 * u32::from(crossover.order))
}

fn filters(ui: &mut Ui, state: &State, channel: &ChannelTune, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let name = &channel.name;
    let limits = state.draft.sheet.limits.as_ref();
    ui.horizontal(|ui| {
        let room = limits.is_none_or(|limits| limits.bands_left(channel) > 0);
        let add = TuneEdit::AddSection(name.clone());
        action(ui, Command::Voicing(VoicingCommand::Edit(add)), room, out);
        let clear = TuneEdit::Clear(name.clone());
        action(ui, Command::Voicing(VoicingCommand::Edit(clear)), !channel.sections.is_empty(), out);
        if let Some(limits) = limits {
            ui.label(plain(used_words(limits, channel), Size::Small, t.quiet));
        }
    });
    if channel.sections.is_empty() {
        hint(ui, "No filters yet. Propose a correction, or add one by hand.");
    } else {
        Grid::new(("filters", name)).num_columns(6).min_row_height(20.0).spacing(vec2(12.0, 4.0)).show(
            ui,
            |ui| {
                for head in ["", "Kind", "Frequency", "Gain", "Q", ""] {
                    ui.label(plain(head, Size::Small, t.quiet));
                }
                ui.end_row();
                for (index, section) in channel.sections.iter().enumerate() {
                    filter(ui, state, name, index, section, out);
                    ui.end_row();
                }
            },
        );
    }
}

/// `7 of 10 bands used, 4 of them by its crossovers`.
fn used_words(limits: &Limits, channel: &ChannelTune) -> String {
    let crossovers = limits.bands_of_crossovers(&channel.crossovers);
    let used = channel.sections.len() + crossovers;
    let by = if crossovers > 0 { format!(", {crossovers} of them by its crossovers") } else { String::new() };
    format!("{used} of {} bands used{by}", limits.bands)
}

fn filter(ui: &mut Ui, state: &State, name: &str, index: usize, section: &Section, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let of = |what: &str| format!("{what} of filter {} of {name}", index + 1);
    let mut new = *section;
    ui.label(bold((index + 1).to_string(), Size::Body, t.ink));
    let kinds: Vec<SectionKind> = state.draft.sheet.limits.as_ref().map_or_else(
        || vec![SectionKind::Peaking, SectionKind::LowShelf, SectionKind::HighShelf],
        |limits| limits.kinds.clone(),
    );
    let words: Vec<String> = kinds.iter().map(|kind| kind_word(*kind).to_owned()).collect();
    if let Some(kind) =
        pick_small(ui, &of("Kind"), kind_word(section.kind), &words, 120.0).and_then(|i| kinds.get(i))
    {
        new.kind = *kind;
    }
    let limits = state.draft.sheet.limits.as_ref();
    let gain = limits.map_or(-24.0..=12.0, |l| l.gain_db.min..=l.gain_db.max);
    let q = limits.map_or(0.1..=20.0, |l| l.q.min..=l.q.max);
    let decimals = if section.frequency_hz < 100.0 { 1 } else { 0 };
    figure(ui, &of("Frequency"), &mut new.frequency_hz, "Hz", 10.0..=20_000.0, decimals, 116.0);
    figure(ui, &of("Gain"), &mut new.gain_db, "dB", gain, 1, 96.0);
    figure(ui, &of("Q"), &mut new.q, "", q, 2, 76.0);
    if new != *section {
        push(out, TuneEdit::Section(name.to_owned(), index, new));
    }
    let remove = TuneEdit::RemoveSection(name.to_owned(), index);
    action(ui, Command::Voicing(VoicingCommand::Edit(remove)), true, out)
        .accessible_name(format!("Remove filter {} of {name}", index + 1));
}
