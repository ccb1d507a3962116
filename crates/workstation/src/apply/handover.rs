//! Proof and report.

use std::path::PathBuf;

use super::think;
use crate::commands::HandoverCommand;
use crate::state::{Notice, State, entry};
use crate::work::{DiskOrder, Order, Question, Think};

pub fn apply(command: HandoverCommand, state: &mut State) -> Vec<Order> {
    match command {
        HandoverCommand::Prove => {
            let latest = state.open.as_ref().and_then(|open| open.latest_tune()).map(|t| t.record.number);
            let Some(number) = state.handover.tune.or(latest) else {
                state.notice = Some(Notice::failed("no tune yet: save one in Voicing first"));
                return Vec::new();
            };
            think(state, Think::Prove(number), "Working out before and after")
        }
        HandoverCommand::Side(name) => {
            state.handover.side = Some(name);
            Vec::new()
        }
        HandoverCommand::TypeIn(typing) => {
            state.handover.typing = typing;
            Vec::new()
        }
        HandoverCommand::SheetOf(channel) => {
            state.handover.channel = Some(channel);
            Vec::new()
        }
        HandoverCommand::TickNext => {
            let Some(sheet) = entry(state) else { return Vec::new() };
            let next = sheet.channel(state.handover.channel.as_deref()).and_then(|name| sheet.next(name));
            next.map(|line| tick(state, line.key.clone(), true)).unwrap_or_default()
        }
        HandoverCommand::Tick(key, ticked) => tick(state, key, ticked),
        HandoverCommand::EditReport(words) => {
            state.handover.report = words;
            Vec::new()
        }
        HandoverCommand::Browse => vec![Order::Ask(Question::Report)],
        HandoverCommand::WriteReport => {
            let path = match state.handover.report.trim() {
                "" => match &state.open {
                    Some(open) => open.folder.join("report").join("report.pdf"),
                    None => return Vec::new(),
                },
                typed => PathBuf::from(typed),
            };
            think(state, Think::Report(path), "Writing the report")
        }
    }
}

fn tick(state: &State, key: String, ticked: bool) -> Vec<Order> {
    let Some(open) = &state.open else { return Vec::new() };
    let Some(tune) = open.latest_tune().map(|t| t.record.number) else { return Vec::new() };
    vec![Order::Disk(DiskOrder::Tick { visit: open.folder.clone(), tune, key, ticked })]
}
