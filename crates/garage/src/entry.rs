//! The entry sheet: a tune as lines to type in and tick off.

use dsp::tune::{ChannelTune, Pass, Polarity, Section, SectionKind, Tune};
use dsp::verdict::Verdict;

use crate::channels::ChannelMap;
use crate::take::{TakeKind, TakeRecord};

/// One setting to type in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EntryLine {
    /// Stays the same for the same setting of the same tune; what is ticked off.
    pub key: String,
    /// The channel.
    pub channel: String,
    /// What to set, such as "Band 3, peaking".
    pub what: String,
    /// Frequency with its unit, empty where there is none.
    pub frequency: String,
    /// Gain, delay or polarity with its unit.
    pub value: String,
    /// Q, empty where there is none.
    pub q: String,
}

/// Every line of a tune, channel by channel: level, polarity, delay, bands, taps.
pub fn lines(tune: &Tune) -> Vec<EntryLine> {
    tune.channels.iter().enumerate().flat_map(|(i, channel)| channel_lines(i + 1, channel)).collect()
}

/// A channel of which nothing was heard wherever it was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeadChannel {
    /// Its name.
    pub name: String,
    /// Positions at which it was taken.
    pub positions: usize,
}

impl DeadChannel {
    /// Why there is nothing to type in for it.
    pub fn words(&self) -> String {
        let places = match self.positions {
            1 => "the one position where it was taken".to_owned(),
            many => format!("all {many} positions"),
        };
        format!(
            "{} is dead: nothing of it was heard at {places}, so nothing is set for it; check its amplifier, its wires and the speaker.",
            self.name
        )
    }
}

/// The channels of `map` of which nothing was heard in any take that counts.
pub fn dead_channels<'a>(
    map: &ChannelMap,
    takes: impl IntoIterator<Item = &'a TakeRecord> + Clone,
) -> Vec<DeadChannel> {
    let of = |name: &str| {
        let takes =
            takes.clone().into_iter().filter(|take| take.kind == TakeKind::Cabin && take.is_current());
        takes.filter(|take| take.subject.as_deref() == Some(name)).collect::<Vec<_>>()
    };
    let all = map.channels.iter().map(|channel| (channel.name.clone(), of(&channel.name)));
    all.filter(|(_, takes)| !takes.is_empty() && takes.iter().all(|take| take.verdict == Verdict::Retake))
        .map(|(name, takes)| DeadChannel { name, positions: takes.len() })
        .collect()
}

/// The trade's word for a kind of filter.
pub fn kind_word(kind: SectionKind) -> &'static str {
    match kind {
        SectionKind::Peaking => "peaking",
        SectionKind::LowShelf => "low shelf",
        SectionKind::HighShelf => "high shelf",
        SectionKind::LowPass => "low-pass",
        SectionKind::HighPass => "high-pass",
        SectionKind::AllPass => "all-pass",
    }
}

/// A frequency as it is typed in: `63 Hz`, `1250 Hz`, `31.5 Hz`.
pub fn frequency_words(hz: f64) -> String {
    format!("{} Hz", trimmed(hz, if hz < 100.0 { 2 } else { 1 }))
}

/// A gain as it is typed in: `+1.5 dB`, `−6 dB`, `0 dB`.
pub fn gain_words(db: f64) -> String {
    let figure = trimmed(db.abs(), 2);
    let sign = match figure.as_str() {
        "0" => "",
        _ if db < 0.0 => "\u{2212}",
        _ => "+",
    };
    format!("{sign}{figure} dB")
}

/// What the name of a file with the taps of a tune's channel ends in; channels are counted from 1.
pub fn taps_file(number: usize) -> String {
    format!("taps-{number}.wav")
}

/// What the name of a file with the taps of an output that is joined ends in, counted from 1 as
/// [`crate::finding::Finding::tapped_parts`] gives them.
pub fn joining_file(number: usize) -> String {
    format!("joining-{number}.wav")
}

fn channel_lines(number: usize, channel: &ChannelTune) -> Vec<EntryLine> {
    let line = |key: String, what: String| EntryLine {
        key: format!("{}/{key}", channel.name),
        channel: channel.name.clone(),
        what,
        frequency: String::new(),
        value: String::new(),
        q: String::new(),
    };
    let polarity = match channel.polarity {
        Polarity::Normal => "normal",
        Polarity::Inverted => "inverted",
    };
    let mut lines = vec![
        EntryLine { value: gain_words(channel.gain_db), ..line("level".into(), "Level".into()) },
        EntryLine { value: polarity.to_owned(), ..line("polarity".into(), "Polarity".into()) },
        EntryLine {
            value: format!("{} ms", trimmed(channel.delay_ms, 3)),
            ..line("delay".into(), "Delay".into())
        },
    ];
    lines.extend(channel.crossovers.iter().enumerate().map(|(i, crossover)| {
        let pass = match crossover.pass {
            Pass::Low => "Low-pass",
            Pass::High => "High-pass",
        };
        EntryLine {
            frequency: frequency_words(crossover.frequency_hz),
            value: format!("{} dB/oct", 6 * u32::from(crossover.order)),
            ..line(format!("crossover {}", i + 1), format!("{pass}, {}", crossover.family))
        }
    }));
    lines.extend(channel.sections.iter().enumerate().map(|(i, section)| EntryLine {
        frequency: frequency_words(section.frequency_hz),
        value: section_gain(section),
        q: trimmed(section.q, 3),
        ..line(format!("band {}", i + 1), format!("Band {}, {}", i + 1, kind_word(section.kind)))
    }));
    if channel.fir.is_some() {
        let what = if channel.only_waits() { "FIR, only waits" } else { "FIR" };
        lines.push(EntryLine {
            value: format!("load {}", taps_file(number)),
            ..line("fir".into(), what.into())
        });
    }
    lines
}

fn section_gain(section: &Section) -> String {
    match section.kind {
        SectionKind::Peaking | SectionKind::LowShelf | SectionKind::HighShelf => gain_words(section.gain_db),
        _ => String::new(),
    }
}

/// At most `digits` decimals, without zeros at the end.
fn trimmed(number: f64, digits: usize) -> String {
    let text = format!("{number:.digits$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}
