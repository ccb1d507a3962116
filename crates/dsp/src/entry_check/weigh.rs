//! Weighing the suspects of each channel, then comparing the channels with one another.

use super::evidence::{Evidence, Fit};
use super::suspects::{Slip, Suspect, suspects};
use super::{ChannelCheck, EntryCheck, EntryCheckError, Taken};
use crate::filter::ChannelFilter;
use crate::spectrum::Complex;
use crate::tune::{ChannelTune, Polarity, Tune};

/// A slip must explain this much more than the tune as it should be, in the fit's own units: five standard deviations.
const CLEAR: f64 = 25.0;
/// And this much more than any other slip, to be named.
const APART: f64 = 9.0;
/// A level that differs from the other channels' by less is not called wrong.
const LEVEL_DB: f64 = 0.3;
/// A delay that differs from the other channels' by less is not called wrong.
const DELAY_S: f64 = 10e-6;

struct Bench<'a> {
    taken: &'a Taken,
    settings: &'a ChannelTune,
    evidence: Evidence,
    flat: Fit,
    /// Ratio of the slip that stands, and the slip; nothing changed where none does.
    slip: Option<Slip>,
    rivals: Vec<Slip>,
    strange: bool,
    fit: Fit,
}

pub(super) fn weigh(tune: &Tune, takes: &[Taken]) -> Result<EntryCheck, EntryCheckError> {
    let mut benches = Vec::new();
    for taken in takes {
        let settings = settings_of(tune, &taken.name)?;
        let evidence = Evidence::new(taken, settings, tune.sample_rate_hz)?;
        benches.push(examine(tune, taken, settings, evidence)?);
    }
    let mut remarks = Vec::new();
    compare(&mut benches, &mut remarks);
    let channels = benches.iter().map(verdict).collect();
    Ok(EntryCheck { channels, remarks })
}

fn settings_of<'a>(tune: &'a Tune, name: &str) -> Result<&'a ChannelTune, EntryCheckError> {
    tune.channels.iter().find(|channel| channel.name == name).ok_or_else(|| EntryCheckError::NoSuchChannel {
        name: name.to_owned(),
        known: tune.channels.iter().map(|channel| channel.name.as_str()).collect::<Vec<_>>().join(", "),
    })
}

/// Finds the slip in one channel's filters, if there is one.
fn examine<'a>(
    tune: &Tune,
    taken: &'a Taken,
    settings: &'a ChannelTune,
    evidence: Evidence,
) -> Result<Bench<'a>, EntryCheckError> {
    let rate_hz = tune.sample_rate_hz;
    let flat = evidence.fit(&vec![Complex::new(1.0, 0.0); evidence.bins()]);
    let value = |ratio: &[Complex]| evidence.fit(ratio).chi_square;
    let mut all = suspects(settings, rate_hz, &evidence.frequency_hz, &value);
    all.extend(swaps(tune, settings, &evidence.frequency_hz)?);
    let freedom = evidence.bins() as f64 * if evidence.has_phase() { 2.0 } else { 1.0 };
    let weighed: Vec<(f64, Suspect)> = all.into_iter().map(|it| (value(&it.ratio), it)).collect();
    let least = weighed.iter().map(|(chi, _)| *chi).fold(flat.chi_square, f64::min);
    // What even the best cannot explain counts as uncertainty of the take; belief is counted in the same unit.
    let unit = (least / freedom).max(1.0);
    let mut ranked: Vec<(f64, Suspect)> =
        weighed.into_iter().map(|(chi, it)| (chi + unit * it.cost, it)).collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut bench =
        Bench { taken, settings, evidence, flat, slip: None, rivals: Vec::new(), strange: false, fit: flat };
    let Some((best, suspect)) = ranked.first() else { return Ok(bench) };
    bench.strange = flat.chi_square / freedom > 3.0;
    if (flat.chi_square - best) / unit < CLEAR {
        return Ok(bench);
    }
    bench.strange = true;
    bench.fit = bench.evidence.fit(&suspect.ratio);
    let near = ranked
        .iter()
        .skip(1)
        .filter(|(chi, _)| (chi - best) / unit < APART)
        .filter(|(_, other)| !same(&other.slip, &suspect.slip) && !covers(&suspect.slip, &other.slip));
    bench.rivals = near.map(|(_, other)| other.slip.clone()).collect();
    bench.slip = Some(suspect.slip.clone());
    Ok(bench)
}

/// Two names for one typed number: a decimal shift is also a wrong number.
fn same(one: &Slip, other: &Slip) -> bool {
    place(one).is_some() && place(one) == place(other)
}

/// A missing band may also stand where the channel plays nothing; its sentence says so.
fn covers(slip: &Slip, other: &Slip) -> bool {
    matches!(slip, Slip::MissingBand { band } if place(other) == Some((*band, "frequency")))
}

fn place(slip: &Slip) -> Option<(usize, &'static str)> {
    match slip {
        Slip::WrongSign { band } | Slip::WrongGain { band, .. } => Some((*band, "gain")),
        Slip::ShiftedDecimal { band, number, .. } => Some((*band, number)),
        Slip::WrongQ { band, .. } => Some((*band, "Q")),
        Slip::WrongFrequency { band, .. } => Some((*band, "frequency")),
        Slip::WrongCrossoverFrequency { crossover, .. } => Some((*crossover, "crossover")),
        _ => None,
    }
}

/// The settings of every other channel as suspects.
fn swaps(tune: &Tune, settings: &ChannelTune, frequency_hz: &[f64]) -> Result<Vec<Suspect>, EntryCheckError> {
    let responses = |channel: &ChannelTune| {
        // Level, delay and polarity are compared between channels, not here.
        let bare = ChannelTune { gain_db: 0.0, delay_ms: 0.0, polarity: Polarity::Normal, ..channel.clone() };
        ChannelFilter::new(&bare, tune.sample_rate_hz)
            .map(|filter| filter.responses(frequency_hz))
            .map_err(|cause| EntryCheckError::Filter { name: channel.name.clone(), cause })
    };
    let right = responses(settings)?;
    let mut found = Vec::new();
    for other in tune.channels.iter().filter(|other| other.name != settings.name) {
        if (&other.sections, &other.crossovers, &other.fir)
            == (&settings.sections, &settings.crossovers, &settings.fir)
        {
            continue;
        }
        let ratio = responses(other)?.iter().zip(&right).map(|(typed, right)| typed / right).collect();
        found.push(Suspect { slip: Slip::SwappedWith { other: other.name.clone() }, ratio, cost: 0.0 });
    }
    Ok(found)
}

/// Level, delay and polarity, which only make sense between channels or against a take without the tune.
fn compare(benches: &mut [Bench<'_>], remarks: &mut Vec<String>) {
    let absolute = benches.iter().all(|bench| bench.taken.before.is_some());
    if benches.len() < 3 && !absolute {
        remarks.push(
            "Level and delay were not checked: that takes three channels or more, or a take of each without the tune."
                .into(),
        );
    }
    if benches.iter().any(|bench| !bench.evidence.has_phase()) {
        remarks.push("Polarity and delay were not checked: that takes curves with phase.".into());
    }
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        let half = values.len() / 2;
        if values.len().is_multiple_of(2) { 0.5 * (values[half - 1] + values[half]) } else { values[half] }
    };
    let base = |values: Vec<f64>| match values.len() {
        0..=2 if absolute => Some(0.0),
        0..=2 => None,
        _ => Some(middle(values)),
    };
    let level_db = base(benches.iter().map(|bench| bench.fit.level_db).collect());
    let delays: Vec<f64> = benches.iter().filter_map(|bench| Some(bench.fit.delay_s?.0)).collect();
    let delay_s = if delays.len() == benches.len() { base(delays) } else { None };
    // A recording chain that turns everything over is no slip of the tune.
    let inverted = benches.iter().filter(|bench| bench.fit.inverted).count();
    let all_inverted = benches.len() > 1 && inverted * 2 > benches.len();
    for bench in benches.iter_mut().filter(|bench| bench.slip.is_none()) {
        if bench.evidence.has_phase() && bench.fit.inverted != all_inverted && !crowded(bench) {
            bench.slip = Some(Slip::WrongPolarity);
            continue;
        }
        if let (Some(base_s), Some((at_s, sigma_s))) = (delay_s, bench.fit.delay_s) {
            let off_s = at_s - base_s;
            if off_s.abs() > DELAY_S.max(6.0 * sigma_s) {
                bench.slip = Some(Slip::WrongDelay { typed_ms: bench.settings.delay_ms + 1e3 * off_s });
                continue;
            }
        }
        if let Some(base_db) = level_db {
            let off_db = bench.fit.level_db - base_db;
            if off_db.abs() > LEVEL_DB {
                bench.slip = Some(Slip::WrongLevel { typed_db: bench.settings.gain_db + off_db });
            }
        }
    }
}

/// The phase of a take that nothing explains says nothing about polarity.
fn crowded(bench: &Bench<'_>) -> bool {
    bench.strange && bench.slip.is_none()
}

fn verdict(bench: &Bench<'_>) -> ChannelCheck {
    let (rms_db, expected_db) = bench.evidence.rms_db();
    let name = bench.taken.name.clone();
    let (slip, sentence) = match (&bench.slip, bench.strange) {
        (Some(slip), _) if bench.rivals.is_empty() => (Some(slip.clone()), sentence(bench, slip)),
        (Some(slip), _) => {
            let mut words = sentence(bench, slip);
            let others: Vec<String> =
                bench.rivals.iter().take(2).map(|it| phrase(bench.settings, it)).collect();
            words.push_str(&format!(" It could also be: {}. Look at these lines.", others.join("; ")));
            (None, words)
        }
        (None, true) => {
            let (from_hz, to_hz) = bench.evidence.worst_band_hz();
            let words = format!(
                "{name}: the take differs from the prediction between {from_hz:.0} and {to_hz:.0} Hz in a way that no single \
                 slip explains. Read the channel's lines once more, or take it again."
            );
            (None, words)
        }
        (None, false) => {
            (None, format!("{name}: as the tune says, within {expected_db:.2} dB of the take's own noise."))
        }
    };
    let as_typed = bench.slip.is_none() && !bench.strange;
    debug_assert!(bench.flat.chi_square.is_finite());
    ChannelCheck { name, as_typed, rms_db, expected_db, slip, sentence }
}

fn sentence(bench: &Bench<'_>, slip: &Slip) -> String {
    format!("{}: {}.", bench.taken.name, phrase(bench.settings, slip))
}

/// A slip in words, with what the tune asks for.
fn phrase(settings: &ChannelTune, slip: &Slip) -> String {
    let asked = |band: usize, number: &str| {
        let section = settings.sections.get(band.wrapping_sub(1));
        section.map_or(String::new(), |it| match number {
            "gain" => format!("{:+} dB", it.gain_db),
            "frequency" => format!("{} Hz", it.frequency_hz),
            _ => format!("{}", it.q),
        })
    };
    match slip {
        Slip::WrongSign { band } => {
            format!("the gain of band {band} has the wrong sign; the tune says {}", asked(*band, "gain"))
        }
        Slip::ShiftedDecimal { band, number, typed } => format!(
            "the decimal point in the {number} of band {band} has slipped: {} where the tune says {}",
            short(*typed),
            asked(*band, number)
        ),
        Slip::MissingBand { band } => {
            // Where the channel does not play, a band is as good as missing.
            format!(
                "band {band} ({}) is missing or bypassed, or stands where this channel plays nothing",
                asked(*band, "frequency")
            )
        }
        Slip::WrongQ { band, typed } => {
            format!(
                "the Q of band {band} is about {} where the tune says {}",
                short(*typed),
                asked(*band, "Q")
            )
        }
        Slip::WrongGain { band, typed } => {
            format!(
                "the gain of band {band} is about {typed:+.1} dB where the tune says {}",
                asked(*band, "gain")
            )
        }
        Slip::WrongFrequency { band, typed } => format!(
            "the frequency of band {band} is about {} Hz where the tune says {}",
            short(*typed),
            asked(*band, "frequency")
        ),
        Slip::WrongSlope { crossover, typed_db_per_octave } => format!(
            "crossover {crossover} falls {typed_db_per_octave} dB per octave where the tune says {}",
            settings.crossovers.get(crossover.wrapping_sub(1)).map_or(0, |it| 6 * u32::from(it.order))
        ),
        Slip::WrongFamily { crossover, typed } => format!(
            "crossover {crossover} is {typed} where the tune says {}",
            settings
                .crossovers
                .get(crossover.wrapping_sub(1))
                .map_or(String::new(), |it| it.family.to_string())
        ),
        Slip::WrongCrossoverFrequency { crossover, typed } => format!(
            "crossover {crossover} is at about {} Hz where the tune says {} Hz",
            short(*typed),
            settings.crossovers.get(crossover.wrapping_sub(1)).map_or(0.0, |it| it.frequency_hz)
        ),
        Slip::MissingCrossover { crossover } => format!("crossover {crossover} is missing or bypassed"),
        Slip::MissingTaps => "the FIR taps are not loaded".into(),
        Slip::SwappedWith { other } => format!("it holds the settings of {other}"),
        Slip::WrongPolarity => "the polarity switch is the wrong way".into(),
        Slip::WrongDelay { typed_ms } => {
            format!("the delay is about {typed_ms:.2} ms where the tune says {} ms", settings.delay_ms)
        }
        Slip::WrongLevel { typed_db } => {
            format!("the level is about {typed_db:+.1} dB where the tune says {:+} dB", settings.gain_db)
        }
    }
}

/// A number with three figures.
fn short(value: f64) -> String {
    let digits = (2.0 - value.abs().max(1e-9).log10().floor()).clamp(0.0, 4.0) as usize;
    format!("{value:.digits$}")
}
