//! What changed from one tune to another, in numbers and as a curve.

use dsp::curve::Curve;
use dsp::filter::ChannelFilter;
use dsp::tune::{ChannelTune, Crossover, Pass, Polarity, Section, Tune};
use garage::entry::kind_word;
use serde::Serialize;

use super::predict::curve_grid_hz;
use crate::error::JobError;

/// One number that is not as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Changed {
    /// The channel.
    pub channel: String,
    /// Which setting: "level", "delay", "polarity", "high-pass", "band 3" and so on.
    pub what: String,
    /// As it was; a dash where there was none.
    pub was: String,
    /// As it is; a dash where there is none.
    pub is: String,
}

/// One channel's change as a curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangeCurve {
    /// The channel.
    pub channel: String,
    /// Newer less older, in dB.
    pub change: Curve,
    /// The largest change at any frequency.
    pub most_db: f64,
}

/// Two tunes side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TuneComparison {
    /// In the order of the newer tune, then what only the older has.
    pub lines: Vec<Changed>,
    /// One for each channel that both have.
    pub curves: Vec<ChangeCurve>,
    /// In a sentence.
    pub sentence: String,
}

const NONE: &str = "-";
/// Bands nearer than this are the same band, moved.
const SAME_BAND_OCTAVES: f64 = 1.0 / 3.0;

/// Compares two tunes of one car.
///
/// # Errors
/// A filter that cannot be, in either.
pub fn compare(older: &Tune, newer: &Tune) -> Result<TuneComparison, JobError> {
    let mut lines = Vec::new();
    let mut curves = Vec::new();
    let find = |tune: &Tune, name: &str| tune.channels.iter().find(|it| it.name == name).cloned();
    for is in &newer.channels {
        match find(older, &is.name) {
            Some(was) => {
                lines.extend(changes(&was, is));
                curves.push(curve(&was, older.sample_rate_hz, is, newer.sample_rate_hz)?);
            }
            None => lines.push(Changed {
                channel: is.name.clone(),
                what: "channel".into(),
                was: NONE.into(),
                is: "added".into(),
            }),
        }
    }
    for was in older.channels.iter().filter(|it| find(newer, &it.name).is_none()) {
        lines.push(Changed {
            channel: was.name.clone(),
            what: "channel".into(),
            was: "there".into(),
            is: NONE.into(),
        });
    }
    let most = curves.iter().max_by(|a, b| a.most_db.total_cmp(&b.most_db));
    let sentence = match (lines.len(), most) {
        (0, _) => "Nothing changed.".to_owned(),
        (count, Some(most)) => format!(
            "{count} setting{} changed; the response changes most in {}, by up to {:.1} dB.",
            if count == 1 { "" } else { "s" },
            most.channel,
            most.most_db
        ),
        (count, None) => format!("{count} settings changed; the tunes share no channel."),
    };
    Ok(TuneComparison { lines, curves, sentence })
}

fn changes(was: &ChannelTune, is: &ChannelTune) -> Vec<Changed> {
    let mut lines = Vec::new();
    let mut line = |what: String, was: String, now: String| {
        if was != now {
            lines.push(Changed { channel: is.name.clone(), what, was, is: now });
        }
    };
    line("level".into(), decibels(was.gain_db), decibels(is.gain_db));
    line("delay".into(), milliseconds(was.delay_ms), milliseconds(is.delay_ms));
    line("polarity".into(), polarity(was.polarity).into(), polarity(is.polarity).into());
    for (pass, name) in [(Pass::High, "high-pass"), (Pass::Low, "low-pass")] {
        let of = |channel: &ChannelTune| {
            let all: Vec<String> =
                channel.crossovers.iter().filter(|it| it.pass == pass).map(crossover).collect();
            if all.is_empty() { NONE.to_owned() } else { all.join(" + ") }
        };
        line(name.into(), of(was), of(is));
    }
    for (pass, name) in [(Pass::High, "high-pass slope"), (Pass::Low, "low-pass slope")] {
        let of = |channel: &ChannelTune| {
            channel.acoustic.iter().find(|it| it.pass == pass).map_or(NONE.to_owned(), crossover)
        };
        line(name.into(), of(was), of(is));
    }
    for (what, before, after) in bands(&was.sections, &is.sections) {
        let words = |section: Option<&Section>| section.map_or(NONE.to_owned(), band);
        line(what, words(before), words(after));
    }
    let taps = |channel: &ChannelTune| {
        channel.fir.as_ref().map_or(NONE.to_owned(), |it| format!("{} taps", it.len()))
    };
    line("taps".into(), taps(was), taps(is));
    if was.fir.is_some() && was.fir != is.fir && taps(was) == taps(is) {
        line("taps".into(), "others".into(), "changed".into());
    }
    lines
}

/// Bands of the newer with the nearest of the older, then those that are gone.
fn bands<'a>(
    was: &'a [Section],
    is: &'a [Section],
) -> Vec<(String, Option<&'a Section>, Option<&'a Section>)> {
    let mut left: Vec<&Section> = was.iter().collect();
    let mut pairs = Vec::new();
    let apart = |a: &Section, b: &Section| (a.frequency_hz / b.frequency_hz).log2().abs();
    for (i, now) in is.iter().enumerate() {
        let nearest = left
            .iter()
            .enumerate()
            .filter(|(_, before)| before.kind == now.kind && apart(before, now) < SAME_BAND_OCTAVES)
            .min_by(|a, b| apart(a.1, now).total_cmp(&apart(b.1, now)))
            .map(|(at, _)| at);
        pairs.push((format!("band {}", i + 1), nearest.map(|at| left.remove(at)), Some(now)));
    }
    pairs.extend(left.into_iter().map(|gone| ("band gone".to_owned(), Some(gone), None)));
    pairs
}

fn curve(was: &ChannelTune, was_hz: f64, is: &ChannelTune, is_hz: f64) -> Result<ChangeCurve, JobError> {
    let grid: Vec<f64> = curve_grid_hz().into_iter().filter(|f| *f < 0.45 * was_hz.min(is_hz)).collect();
    let levels = |channel: &ChannelTune, rate_hz: f64| {
        ChannelFilter::new(channel, rate_hz)
            .map(|filter| filter.levels_db(&grid))
            .map_err(|error| JobError::Input(format!("channel \"{}\": {error}", channel.name)))
    };
    let change: Vec<f64> =
        levels(is, is_hz)?.iter().zip(levels(was, was_hz)?).map(|(is, was)| is - was).collect();
    let most_db = change.iter().fold(0.0, |most: f64, db| most.max(db.abs()));
    Ok(ChangeCurve { channel: is.name.clone(), change: Curve::of_levels(grid, change), most_db })
}

fn decibels(value: f64) -> String {
    format!("{value:+.2} dB")
}

fn milliseconds(value: f64) -> String {
    format!("{value:.3} ms")
}

fn polarity(value: Polarity) -> &'static str {
    match value {
        Polarity::Normal => "normal",
        Polarity::Inverted => "inverted",
    }
}

fn crossover(it: &Crossover) -> String {
    format!("{} Hz, {} {} dB/oct", number(it.frequency_hz), it.family, 6 * u32::from(it.order))
}

fn band(it: &Section) -> String {
    let kind = kind_word(it.kind);
    let gain = if it.kind.has_gain() { format!(" {:+} dB", it.gain_db) } else { String::new() };
    format!("{kind} {} Hz{gain} Q {}", number(it.frequency_hz), number(it.q))
}

/// Up to two decimals, none that say nothing.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use dsp::tune::SectionKind;

    fn peak(frequency_hz: f64, gain_db: f64) -> Section {
        Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q: 1.41 }
    }

    fn tune(channel: ChannelTune) -> Tune {
        Tune { sample_rate_hz: 48_000.0, channels: vec![channel], ..Tune::default() }
    }

    #[test]
    fn every_change_is_one_line_and_the_curve_is_the_difference() {
        let was = ChannelTune {
            name: "left".into(),
            sections: vec![peak(100.0, -3.0), peak(1000.0, 2.0)],
            ..ChannelTune::default()
        };
        let is = ChannelTune {
            gain_db: -2.0,
            delay_ms: 1.5,
            polarity: Polarity::Inverted,
            sections: vec![peak(110.0, -3.0), peak(5000.0, -4.0)],
            ..was.clone()
        };
        let found = compare(&tune(was.clone()), &tune(is)).unwrap();
        let what: Vec<&str> = found.lines.iter().map(|it| it.what.as_str()).collect();
        assert_eq!(what, ["level", "delay", "polarity", "band 1", "band 2", "band gone"]);
        assert_eq!(found.lines[3].was, "peaking 100 Hz -3 dB Q 1.41");
        assert_eq!(found.lines[4].was, "-");
        let at_5k = found.curves[0].change.level_at_db(5000.0).unwrap();
        // The band and the level; the others are octaves away.
        assert!((at_5k + 6.0).abs() < 0.1, "{at_5k}");
        assert_eq!(compare(&tune(was.clone()), &tune(was)).unwrap().sentence, "Nothing changed.");
    }
}
