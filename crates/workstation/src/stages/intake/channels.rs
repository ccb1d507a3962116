//! Every processor output, the speaker on it, and what it may be played.

use eframe::egui::{Grid, TextEdit, Ui, vec2};
use garage::channels::Place;
use garage::{Channel, Role, Side};

use super::edit;
use crate::commands::{ChannelEdit, Command, IntakeCommand, SheetEdit};
use crate::state::{State, side_word};
use crate::theme::{GRID, LEAST_TARGET, Size, plain, tokens};
use crate::widgets::{action, card, caution, figure, pick_small};

const ROLES: [Role; 5] = [Role::FullRange, Role::Tweeter, Role::Midrange, Role::Woofer, Role::Subwoofer];
const SIDES: [Side; 3] = [Side::Left, Side::Right, Side::Both];
const PLACES: [(Place, &str); 4] =
    [(Place::Front, "front"), (Place::Rear, "rear"), (Place::Seat, "under a seat"), (Place::Boot, "boot")];

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    card(ui, "Channels", |ui| {
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        let channels = &state.draft.sheet.channels.channels;
        if !channels.is_empty() {
            eframe::egui::ScrollArea::horizontal().show(ui, |ui| {
                Grid::new("channels").num_columns(9).spacing(vec2(8.0, 4.0)).show(ui, |ui| {
                    for head in
                        ["Name", "Output", "Speaker", "Side", "Place", "Safe from", "to", "Nothing below", ""]
                    {
                        ui.label(plain(head, Size::Small, t.quiet));
                    }
                    ui.end_row();
                    for (index, channel) in channels.iter().enumerate() {
                        row(ui, index, channel, out);
                        ui.end_row();
                    }
                });
            });
        }
        action(ui, Command::Intake(IntakeCommand::Edit(SheetEdit::AddChannel)), true, out);
        caution(
            ui,
            "a tweeter never gets energy below its safe frequency, in any stimulus; check its channel before the first sweep.",
        );
    });
}

fn row(ui: &mut Ui, index: usize, channel: &Channel, out: &mut Vec<Command>) {
    let of = |what: &str| format!("{what} of {}", channel.name);
    let mut push = |change| edit(out, SheetEdit::Channel(index, change));
    let mut name = channel.name.clone();
    let field = TextEdit::singleline(&mut name).align(eframe::egui::Align2::LEFT_CENTER);
    if ui
        .add_sized(vec2(168.0, LEAST_TARGET), field)
        .accessible_name(format!("Name of channel {}", index + 1))
        .changed()
    {
        push(ChannelEdit::Name(name));
    }
    let mut output = f64::from(channel.output);
    if figure(ui, &of("Output"), &mut output, "", 1.0..=64.0, 0, 52.0).changed() {
        push(ChannelEdit::Output(output as u16));
    }
    let roles = ROLES.map(|role| role.word().to_owned());
    if let Some(role) =
        pick_small(ui, &of("Speaker"), channel.role.word(), &roles, 110.0).and_then(|i| ROLES.get(i))
    {
        push(ChannelEdit::Role(*role));
    }
    let sides = SIDES.map(|side| side_word(side).to_owned());
    if let Some(side) =
        pick_small(ui, &of("Side"), side_word(channel.side), &sides, 76.0).and_then(|i| SIDES.get(i))
    {
        push(ChannelEdit::Side(*side));
    }
    let places = PLACES.map(|(_, word)| word.to_owned());
    let place = PLACES.iter().find(|(place, _)| *place == channel.place).map_or("front", |(_, word)| word);
    if let Some((place, _)) = pick_small(ui, &of("Place"), place, &places, 104.0).and_then(|i| PLACES.get(i))
    {
        push(ChannelEdit::Place(*place));
    }
    let (mut from, mut to) = channel.safe_band_hz;
    let from_changed = figure(ui, &of("Safe from"), &mut from, "Hz", 5.0..=20_000.0, 0, 92.0).changed();
    let to_changed = figure(ui, &of("Safe to"), &mut to, "Hz", 10.0..=40_000.0, 0, 98.0).changed();
    if from_changed || to_changed {
        push(ChannelEdit::SafeBand(from, to));
    }
    ui.horizontal(|ui| {
        let mut protected = channel.safe_frequency_hz.is_some();
        if ui.checkbox(&mut protected, "").accessible_name(of("Protect")).changed() {
            push(ChannelEdit::SafeFrequency(protected.then_some(from.max(2000.0))));
        }
        if let Some(mut hz) = channel.safe_frequency_hz
            && figure(ui, &of("Nothing below, for"), &mut hz, "Hz", 5.0..=20_000.0, 0, 92.0).changed()
        {
            push(ChannelEdit::SafeFrequency(Some(hz)));
        }
    });
    let remove = Command::Intake(IntakeCommand::Edit(SheetEdit::RemoveChannel(index)));
    action(ui, remove, true, out).accessible_name(of("Remove"));
}
