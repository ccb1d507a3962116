//! The latest tune as a list to type in, and how far that is.

use std::collections::BTreeSet;

use garage::entry::{DeadChannel, EntryLine, dead_channels, lines};

use super::State;
use crate::widgets::Mark;

/// The lines of the latest tune.
pub struct Entry {
    /// The tune's number.
    pub tune: u32,
    /// In the order in which a person types.
    pub lines: Vec<EntryLine>,
    /// Channels that are on no line, because nothing was heard of them.
    pub dead: Vec<DeadChannel>,
    /// How far the input goes down so that no band can overload.
    pub headroom_db: f64,
    ticked: BTreeSet<String>,
}

/// The entry sheet of the visit that is open; `None` before there is a tune.
pub fn entry(state: &State) -> Option<Entry> {
    let open = state.open.as_ref()?;
    let saved = open.latest_tune()?;
    let tune = saved.record.number;
    let ticked = open.visit.entry.as_ref().filter(|entry| entry.tune == tune);
    let dead = dead_channels(&open.car.channel_map, open.takes.iter());
    let is_dead = |line: &EntryLine| dead.iter().any(|it| it.name == line.channel);
    Some(Entry {
        tune,
        lines: lines(&saved.tune).into_iter().filter(|line| !is_dead(line)).collect(),
        dead,
        headroom_db: saved.tune.headroom_db,
        ticked: ticked.map(|entry| entry.ticked.clone()).unwrap_or_default(),
    })
}

impl Entry {
    /// True when the line was typed in.
    pub fn is_ticked(&self, line: &EntryLine) -> bool {
        self.ticked.contains(&line.key)
    }

    /// Lines that were typed in.
    pub fn done(&self) -> usize {
        self.lines.iter().filter(|line| self.is_ticked(line)).count()
    }

    /// The channels in order, with how far each is.
    pub fn channels(&self) -> Vec<(&str, Mark)> {
        self.lines
            .chunk_by(|a, b| a.channel == b.channel)
            .filter_map(|of| {
                let done = of.iter().filter(|line| self.is_ticked(line)).count();
                let mark = match done {
                    0 => Mark::Open,
                    done if done == of.len() => Mark::Done,
                    _ => Mark::Begun,
                };
                of.first().map(|line| (line.channel.as_str(), mark))
            })
            .collect()
    }

    /// The channel on the sheet: the one that was chosen, or the first that is not all typed in.
    pub fn channel<'a>(&'a self, chosen: Option<&'a str>) -> Option<&'a str> {
        let channels = self.channels();
        let named = channels.iter().find(|(name, _)| Some(*name) == chosen);
        let open = || channels.iter().find(|(_, mark)| *mark != Mark::Done);
        named.or_else(open).or(channels.first()).map(|(name, _)| *name)
    }

    /// The next line to type in on the sheet of `channel`.
    pub fn next(&self, channel: &str) -> Option<&EntryLine> {
        self.lines.iter().find(|line| line.channel == channel && !self.is_ticked(line))
    }
}
