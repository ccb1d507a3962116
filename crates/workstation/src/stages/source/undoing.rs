//! The undoing: by which means, and as a list to type in.

use eframe::egui::{Label, Ui};
use garage::entry::joining_file;
use garage::finding::{Figures, Finding, Way};
use job::factory::weigh;

use super::finding;
use crate::commands::{Command, SourceCommand};
use crate::state::State;
use crate::theme::{GRID, Size, plain, tokens};
use crate::widgets::{card, chip, hint, pair};

/// Bands alone beside bands and taps, where the processor has taps that change anything.
pub fn ways(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let Some(finding) = finding(state) else { return };
    let Some(weighed) = weigh(finding) else { return };
    card(ui, "How it is undone", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        for (way, figures) in [(Way::Bands, weighed.bands), (Way::Taps, weighed.taps)] {
            let command = Command::Source(SourceCommand::Undo(way));
            chip(ui, &command.label(), None, finding.way == way, command, out);
            let Figures { off_db, lost_between_db, delay_ms } = figures;
            pair(ui, "Off flat", &format!("{off_db:.2}"), "dB rms");
            if finding.lost_between_db.is_some() {
                pair(ui, "Lost between the sides", &format!("{lost_between_db:.2}"), "dB rms");
            }
            match delay_ms {
                ms if ms > 0.0 => pair(ui, "Delay", &format!("{ms:.1}"), "ms"),
                _ => pair(ui, "Delay", "none", ""),
            }
        }
        hint(ui, &weighed.reason);
        if finding.lost_between_db.is_some() {
            hint(ui, "Between the sides: what they carry alike and do not turn alike.");
        }
    });
}

/// For a processor that a hand types into: the taps of outputs that are joined, then every line of the undoing.
pub fn list(ui: &mut Ui, state: &State) {
    let Some(finding) = finding(state) else { return };
    let number = finding.tune;
    let tunes = state.open.as_ref().map(|open| &open.tunes);
    let Some(saved) = tunes.and_then(|tunes| tunes.iter().find(|it| Some(it.record.number) == number)) else {
        return;
    };
    card(ui, "Undoing, to type into the inputs", |ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let entry = |ui: &mut Ui, words: String| {
            ui.add(Label::new(plain(words, Size::Body, tokens(ui).ink)).wrap());
        };
        for words in taps_of_parts(finding) {
            entry(ui, words);
        }
        let several = saved.tune.channels.len() > 1;
        let mut named = None;
        for line in garage::entry::lines(&saved.tune) {
            if several && named.as_ref() != Some(&line.channel) {
                hint(ui, &format!("On the signal {}", line.channel));
                named = Some(line.channel.clone());
            }
            let parts = [&line.what, &line.frequency, &line.value];
            let mut words: Vec<String> = parts.into_iter().filter(|it| !it.is_empty()).cloned().collect();
            if !line.q.is_empty() {
                words.push(format!("Q {}", line.q));
            }
            entry(ui, words.join("  \u{b7}  "));
        }
        let has_files = finding.tapped_parts().next().is_some() || job::voicing::has_taps(&saved.tune);
        if let (true, Some(number)) = (has_files, number) {
            hint(
                ui,
                &format!("The files are in the visit's report folder, their names begin with tune-{number}."),
            );
        }
    });
}

/// `front right midrange, into right  ·  FIR  ·  load joining-1.wav`.
fn taps_of_parts(finding: &Finding) -> Vec<String> {
    let words = |(i, (sum, part, _)): (usize, (&str, &garage::finding::Combine, &dsp::factory::Taps))| {
        format!("{}, into {sum}  \u{b7}  FIR  \u{b7}  load {}", part.name, joining_file(i + 1))
    };
    finding.tapped_parts().enumerate().map(words).collect()
}
