//! Edits of the job card, checks of rig and bay.

use garage::channels::Place;
use garage::visit::CheckKind;
use garage::{Channel, Role, Side};

use super::{remember, save_sheet, sound};
use crate::commands::{ChannelEdit, IntakeCommand, RigEdit, SheetEdit};
use crate::house;
use crate::stages::usual_rig;
use crate::state::{Sheet, State};
use crate::work::{DiskOrder, Order, Question, Sound};

pub fn apply(command: IntakeCommand, state: &mut State) -> Vec<Order> {
    match command {
        IntakeCommand::Edit(edit) => {
            remember(state, edit.field());
            change(&mut state.draft.sheet, edit);
            super::predict::again(state);
            save_sheet(state)
        }
        IntakeCommand::ListDevices => vec![Order::Disk(DiskOrder::Devices)],
        IntakeCommand::LoadCalibration(path) => vec![Order::Disk(DiskOrder::ReadCalibration(path))],
        IntakeCommand::BrowseCalibration => vec![Order::Ask(Question::Calibration)],
        IntakeCommand::LoadLimits(path) => vec![Order::Disk(DiskOrder::ReadLimits(path))],
        IntakeCommand::LoadTarget(path) => vec![Order::Disk(DiskOrder::ReadTarget(path))],
        IntakeCommand::Check(kind) => {
            let words = if kind == CheckKind::Noise { "Listening to the bay" } else { "Checking the rig" };
            sound(state, Sound::Check(kind), words.into(), kind != CheckKind::Noise)
        }
    }
}

fn change(sheet: &mut Sheet, edit: SheetEdit) {
    match edit {
        SheetEdit::Name(words) => sheet.name = words,
        SheetEdit::Description(words) => sheet.description = words,
        SheetEdit::Wishes(words) => sheet.wishes = words,
        SheetEdit::Tuner(words) => sheet.tuner = words,
        SheetEdit::Seat(words) => sheet.seat = words,
        SheetEdit::Processor(words) => sheet.processor = words,
        SheetEdit::Microphone(words) => sheet.microphone.get_or_insert_default().name = words,
        SheetEdit::FullScale(level) => sheet.microphone.get_or_insert_default().full_scale_db_spl = level,
        SheetEdit::Rig(edit) => change_rig(sheet, edit),
        SheetEdit::Channel(index, edit) => {
            if let Some(channel) = sheet.channels.channels.get_mut(index) {
                change_channel(channel, edit);
            }
        }
        SheetEdit::AddChannel => sheet.channels.channels.push(next_channel(&sheet.channels.channels)),
        SheetEdit::RemoveChannel(index) => {
            if index < sheet.channels.channels.len() {
                sheet.channels.channels.remove(index);
            }
        }
        SheetEdit::Check(index, met) => {
            if let Some(line) = sheet.conditions.checklist.get_mut(index) {
                line.met = met;
            }
        }
        SheetEdit::Caution(index, met) => {
            if let Some(line) = sheet.conditions.cautions.get_mut(index) {
                line.met = met;
            }
        }
        SheetEdit::Temperature(celsius) => sheet.conditions.temperature_c = celsius,
        SheetEdit::Target(index) => {
            if let Some(target) = house::targets().into_iter().nth(index) {
                sheet.target = Some(target);
            }
        }
        SheetEdit::PreRinging(bound) => {
            if let Some(limits) = &mut sheet.limits {
                limits.pre_ringing = bound;
            }
        }
        SheetEdit::Limits(index) => {
            if let Some((_, limits)) = house::limits().into_iter().nth(index) {
                sheet.limits = Some(limits);
            }
        }
    }
}

fn change_rig(sheet: &mut Sheet, edit: RigEdit) {
    let rig = sheet.rig.get_or_insert_with(usual_rig);
    match edit {
        RigEdit::Output(name) => rig.output = name,
        RigEdit::Input(name) => rig.input = name,
        RigEdit::Rate(rate_hz) => rig.rate_hz = rate_hz,
        RigEdit::MicrophoneInput(input) => rig.microphone_input = input,
        RigEdit::ReferenceInput(input) => rig.reference_input = input,
        RigEdit::Level(level_dbfs) => rig.level_dbfs = level_dbfs,
        RigEdit::Ceiling(ceiling_dbfs) => rig.ceiling_dbfs = ceiling_dbfs,
    }
}

fn change_channel(channel: &mut Channel, edit: ChannelEdit) {
    match edit {
        ChannelEdit::Name(words) => channel.name = words,
        ChannelEdit::Output(output) => channel.output = output,
        ChannelEdit::Role(role) => {
            channel.role = role;
            (channel.safe_band_hz, channel.safe_frequency_hz) = usual_band(role);
        }
        ChannelEdit::Side(side) => channel.side = side,
        ChannelEdit::Place(place) => channel.place = place,
        ChannelEdit::SafeBand(from_hz, to_hz) => channel.safe_band_hz = (from_hz, to_hz.max(from_hz * 1.1)),
        ChannelEdit::SafeFrequency(hz) => channel.safe_frequency_hz = hz,
    }
}

/// A careful band to start from, by speaker (common practice, no source); the maker's figures go before these.
fn usual_band(role: Role) -> ((f64, f64), Option<f64>) {
    match role {
        Role::FullRange => ((50.0, 20_000.0), None),
        Role::Tweeter => ((3000.0, 20_000.0), Some(2500.0)),
        Role::Midrange => ((200.0, 8000.0), None),
        Role::Woofer => ((50.0, 5000.0), None),
        Role::Subwoofer => ((20.0, 300.0), None),
    }
}

fn next_channel(channels: &[Channel]) -> Channel {
    let output = channels.iter().map(|c| c.output).max().unwrap_or(0) + 1;
    let (safe_band_hz, safe_frequency_hz) = usual_band(Role::FullRange);
    Channel {
        name: format!("channel {output}"),
        output,
        role: Role::FullRange,
        side: if output % 2 == 1 { Side::Left } else { Side::Right },
        place: Place::Front,
        safe_band_hz,
        safe_frequency_hz,
        note: String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::commands::Command;

    #[test]
    fn a_tweeter_is_protected_as_soon_as_it_is_called_one() {
        let mut state = State::default();
        let edit = |edit| Command::Intake(IntakeCommand::Edit(edit));
        super::super::apply(edit(SheetEdit::AddChannel), &mut state);
        super::super::apply(edit(SheetEdit::Channel(0, ChannelEdit::Role(Role::Tweeter))), &mut state);
        let channel = &state.draft.sheet.channels.channels[0];
        assert_eq!(channel.safe_frequency_hz, Some(2500.0));
        assert!(channel.safe_band_hz.0 >= 2500.0);
    }

    #[test]
    fn a_run_of_typing_is_one_step_to_undo() {
        let mut state = State::default();
        for words in ["C", "Co", "Cor"] {
            super::super::apply(
                Command::Intake(IntakeCommand::Edit(SheetEdit::Name(words.into()))),
                &mut state,
            );
        }
        super::super::apply(
            Command::Intake(IntakeCommand::Edit(SheetEdit::Wishes("louder".into()))),
            &mut state,
        );
        super::super::apply(Command::Undo, &mut state);
        assert_eq!((state.draft.sheet.name.as_str(), state.draft.sheet.wishes.as_str()), ("Cor", ""));
        super::super::apply(Command::Undo, &mut state);
        assert_eq!(state.draft.sheet.name, "");
        super::super::apply(Command::Redo, &mut state);
        assert_eq!(state.draft.sheet.name, "Cor");
    }
}
