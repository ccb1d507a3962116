//! All settings of all channels refined together, on the sum as it is heard.
//!
//! Levels, delays and bands are moved by bounded Levenberg–Marquardt ([`crate::fit`]) with closed-form slopes: with
//! `S` the sum at a place and `H` one channel's share in it, a setting `x` of that channel moves the power by
//! `2 Re(S* H ∂ln g/∂x)`, so one pass over the places serves every setting of the channel. Then everything is put on
//! the processor's steps, levels and gains walking to where they help.

use std::f64::consts::{LN_10, TAU};

use nalgebra::{DMatrix, DVector};

use super::{Aim, System};
use crate::filter::{ChannelFilter, GENTLE_SHELF_Q};
use crate::fit::{Patience, Residuals, minimise};
use crate::limits::{Frequencies, Limits};
use crate::spectrum::Complex;
use crate::tune::{ChannelTune, Section, SectionKind, Tune};

/// How far the settings may move.
#[derive(Debug, Clone, PartialEq)]
pub struct Freedom {
    /// For each channel of the tune, whether any of its settings may move.
    pub free: Vec<bool>,
    /// For each channel of the tune, how far its delay may move either way; 0 holds it.
    pub delay_s: Vec<f64>,
    /// Steps of the search.
    pub iterations: usize,
    /// Take out bands that do next to nothing.
    pub prune: bool,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Refined {
    /// On the processor's steps; the tune that went in where nothing better was found.
    pub tune: Tune,
    /// Rms distance from the aim before.
    pub before_db: f64,
    /// The same after; never more.
    pub after_db: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum Setting {
    Gain(usize),
    Delay(usize),
    /// Channel, section, and which of ln f, gain, ln Q.
    Band(usize, usize, usize),
}

/// Frequencies move no further than this, in octaves: a band stays where it was put and why.
const BAND_MOVES_OCTAVES: f64 = 0.5;
/// Large gains for little are not wanted: a decibel of gain of one band weighs as much as this many decibels of rms.
const GAIN_WEIGHT: f64 = 0.012;
/// Bands of a channel are not to raise anything together by more than one of them may: a decibel beyond weighs as much
/// as this many decibels of rms. As much of a limit as it is where a channel is corrected by itself.
const EXCESS_WEIGHT: f64 = 0.5;
/// A band that gains less than this is not worth typing in.
const BAND_WORTH_DB: f64 = 0.01;
/// Bells of like width closer than this do one thing together, or undo each other.
const ONE_PLACE_OCTAVES: f64 = 0.1;
/// Two that undo each other by this or more are not left.
const OPPOSED_DB: f64 = 2.0;
/// Bells are of like width where the one's Q is no more than so many times the other's.
const LIKE_WIDTH: f64 = 2.0;

/// Refines `tune` within `limits`.
///
/// Channels of the tune that the system does not know stay as they are. Never worse than what went in.
pub fn refine(system: &System, aim: &Aim, tune: &Tune, limits: &Limits, freedom: &Freedom) -> Refined {
    let before_db = system.error_db(aim, tune);
    let mut best = descend(system, aim, tune, limits, freedom);
    if freedom.prune {
        best = without_idle_bands(system, aim, best, freedom);
        best = with_pairs_merged(system, aim, best, limits, freedom);
        best = descend(system, aim, &best, limits, freedom);
        // Bands have moved; what meets now is made one.
        best = with_pairs_merged(system, aim, best, limits, freedom);
    }
    best = on_steps(best, limits);
    let mut after_db = system.error_db(aim, &best);
    walk(system, aim, &mut best, limits, &settings_of(system, tune, limits, freedom), &mut after_db);
    if after_db < before_db {
        Refined { tune: best, before_db, after_db }
    } else {
        Refined { tune: tune.clone(), before_db, after_db: before_db }
    }
}

/// Down to the nearest minimum, every setting continuous.
fn descend(system: &System, aim: &Aim, tune: &Tune, limits: &Limits, freedom: &Freedom) -> Tune {
    let settings = settings_of(system, tune, limits, freedom);
    let mut x: Vec<f64> = settings.iter().map(|it| get(tune, *it)).collect();
    let (low, high): (Vec<f64>, Vec<f64>) =
        settings.iter().map(|it| range(tune, *it, limits, freedom)).unzip();
    let mut problem = Residuals::new(|x: &[f64], slopes: Option<&mut DMatrix<f64>>| {
        residuals(system, aim, &with(tune, &settings, x), &settings, limits.gain_db.max.max(0.0), slopes)
    });
    let patience = Patience { iterations: freedom.iterations, least_gain: 1e-3, ..Patience::default() };
    minimise(&mut problem, &mut x, &low, &high, patience);
    with(tune, &settings, &x)
}

/// The tune without the bands that do next to nothing.
fn without_idle_bands(system: &System, aim: &Aim, mut tune: Tune, freedom: &Freedom) -> Tune {
    let mut error_db = system.error_db(aim, &tune);
    for c in 0..tune.channels.len() {
        if !freedom.free.get(c).copied().unwrap_or(true) || system.speaker(&tune.channels[c].name).is_none() {
            continue;
        }
        let mut s = 0;
        while s < tune.channels[c].sections.len() {
            let mut without = tune.clone();
            let taken = without.channels[c].sections.remove(s);
            let without_db = system.error_db(aim, &without);
            if taken.kind.has_gain() && without_db < error_db + BAND_WORTH_DB {
                (tune, error_db) = (without, without_db);
            } else {
                s += 1;
            }
        }
    }
    tune
}

/// The tune with one bell where two of like width stood at nearly one frequency: always where they oppose each other by
/// decibels, as nobody would type them, and otherwise where it costs next to nothing.
fn with_pairs_merged(system: &System, aim: &Aim, mut tune: Tune, limits: &Limits, freedom: &Freedom) -> Tune {
    let mut error_db = system.error_db(aim, &tune);
    for c in 0..tune.channels.len() {
        if !freedom.free.get(c).copied().unwrap_or(true) || system.speaker(&tune.channels[c].name).is_none() {
            continue;
        }
        let (mut first, mut second) = (0, 1);
        while let Some(one) = tune.channels[c].sections.get(first).copied() {
            let Some(other) = tune.channels[c].sections.get(second).copied() else {
                (first, second) = (first + 1, first + 2);
                continue;
            };
            second += 1;
            let Some(both) = as_one(one, other, limits) else { continue };
            let mut merged = tune.clone();
            merged.channels[c].sections[first] = both;
            merged.channels[c].sections.remove(second - 1);
            let merged_db = system.error_db(aim, &merged);
            let opposed =
                one.gain_db * other.gain_db < 0.0 && one.gain_db.abs().min(other.gain_db.abs()) >= OPPOSED_DB;
            if opposed || merged_db < error_db + BAND_WORTH_DB {
                (tune, error_db) = (merged, merged_db);
                second = first + 1;
            }
        }
    }
    tune
}

/// One bell in place of two; `None` where they are apart or of unlike width.
fn as_one(one: Section, other: Section, limits: &Limits) -> Option<Section> {
    let bells = one.kind == SectionKind::Peaking && other.kind == one.kind;
    let apart = (one.frequency_hz / other.frequency_hz).log2().abs();
    if !bells || apart > ONE_PLACE_OCTAVES || one.q.max(other.q) > LIKE_WIDTH * one.q.min(other.q) {
        return None;
    }
    let share = one.gain_db.abs() / (one.gain_db.abs() + other.gain_db.abs()).max(f64::MIN_POSITIVE);
    let between = |a: f64, b: f64| a.powf(share) * b.powf(1.0 - share);
    let gain_db = (one.gain_db + other.gain_db).clamp(limits.gain_db.min, limits.gain_db.max);
    Some(if one.gain_db * other.gain_db > 0.0 {
        let frequency_hz = between(one.frequency_hz, other.frequency_hz);
        Section { frequency_hz, gain_db, q: between(one.q, other.q), ..one }
    } else {
        // What the stronger one does beyond the other.
        Section { gain_db, ..if share > 0.5 { one } else { other } }
    })
}

fn settings_of(system: &System, tune: &Tune, limits: &Limits, freedom: &Freedom) -> Vec<Setting> {
    // A graphic equaliser's bands stay where they are.
    let bands_move = matches!(limits.frequency_hz, Frequencies::Span { .. });
    let mut settings = Vec::new();
    for (c, channel) in tune.channels.iter().enumerate() {
        let free = freedom.free.get(c).copied().unwrap_or(true);
        if !free || system.speaker(&channel.name).is_none() {
            continue;
        }
        settings.push(Setting::Gain(c));
        if freedom.delay_s.get(c).is_some_and(|reach| *reach > 0.0) {
            settings.push(Setting::Delay(c));
        }
        // An all-pass belongs to the joint it was made for, and a pair has the same one on both sides: apart, left and
        // right would turn against each other.
        let bands = channel.sections.iter().enumerate().filter(|(_, it)| it.kind != SectionKind::AllPass);
        for (s, section) in bands {
            if bands_move {
                settings.push(Setting::Band(c, s, 0));
            }
            if section.gain_db != 0.0 {
                settings.push(Setting::Band(c, s, 1));
            }
            settings.push(Setting::Band(c, s, 2));
        }
    }
    settings
}

/// Delays are counted in milliseconds, as the tune has them.
fn get(tune: &Tune, setting: Setting) -> f64 {
    match setting {
        Setting::Gain(c) => tune.channels[c].gain_db,
        Setting::Delay(c) => tune.channels[c].delay_ms,
        Setting::Band(c, s, coordinate) => {
            let Section { frequency_hz, gain_db, q, .. } = tune.channels[c].sections[s];
            [frequency_hz.ln(), gain_db, q.ln()][coordinate]
        }
    }
}

fn set(tune: &mut Tune, setting: Setting, value: f64) {
    match setting {
        Setting::Gain(c) => tune.channels[c].gain_db = value,
        Setting::Delay(c) => tune.channels[c].delay_ms = value,
        Setting::Band(c, s, coordinate) => {
            let section = &mut tune.channels[c].sections[s];
            match coordinate {
                0 => section.frequency_hz = value.exp(),
                1 => section.gain_db = value,
                _ => section.q = value.exp(),
            }
        }
    }
}

fn with(tune: &Tune, settings: &[Setting], x: &[f64]) -> Tune {
    let mut moved = tune.clone();
    settings.iter().zip(x).for_each(|(setting, value)| set(&mut moved, *setting, *value));
    moved
}

fn range(tune: &Tune, setting: Setting, limits: &Limits, freedom: &Freedom) -> (f64, f64) {
    let value = get(tune, setting);
    match setting {
        // Trims only turn down, so that nothing clips that did not before.
        Setting::Gain(_) => (limits.gain_db.min.max(-40.0).min(value), 0.0_f64.max(value)),
        Setting::Delay(c) => {
            let reach_ms = 1e3 * freedom.delay_s.get(c).copied().unwrap_or(0.0);
            let most_ms = limits.delay_ms.map_or(f64::INFINITY, |it| it.max);
            ((value - reach_ms).max(0.0), (value + reach_ms).min(most_ms))
        }
        Setting::Band(_, _, 0) => {
            let reach = BAND_MOVES_OCTAVES * std::f64::consts::LN_2;
            let (low_hz, high_hz) = limits.frequency_hz.ends_hz();
            ((value - reach).max(low_hz.ln()).min(value), (value + reach).min(high_hz.ln()).max(value))
        }
        Setting::Band(_, _, 1) => (limits.gain_db.min.min(value), limits.gain_db.max.max(value)),
        Setting::Band(c, s, _) => {
            let shelf = tune.channels[c].sections[s].kind.is_shelf();
            // A shelf is for a step: steeper, it would overshoot on both sides of it.
            let most = if shelf { limits.q.max.min(GENTLE_SHELF_Q.max(limits.q.min)) } else { limits.q.max };
            (limits.q.min.ln().min(value), most.ln().max(value))
        }
    }
}

fn on_steps(mut tune: Tune, limits: &Limits) -> Tune {
    for channel in &mut tune.channels {
        channel.gain_db = limits.gain_db.on_step(channel.gain_db);
        channel.delay_ms = limits.delay_on_step_ms(channel.delay_ms);
        for section in &mut channel.sections {
            *section = limits.on_steps(section);
        }
        channel.sections.retain(|it| it.gain_db != 0.0 || !it.kind.has_gain());
    }
    tune
}

/// One step at a time, levels and gains of bands walk to where they help.
fn walk(
    system: &System,
    aim: &Aim,
    tune: &mut Tune,
    limits: &Limits,
    settings: &[Setting],
    error_db: &mut f64,
) {
    let step_db = limits.gain_db.step.filter(|step| *step > 0.0).unwrap_or(0.1);
    for c in 0..tune.channels.len() {
        if !settings.contains(&Setting::Gain(c)) {
            continue;
        }
        for step_db in [step_db, -step_db] {
            let gain_db = limits.gain_db.on_step(tune.channels[c].gain_db + step_db);
            if gain_db > 0.0 {
                continue;
            }
            let mut moved = tune.clone();
            moved.channels[c].gain_db = gain_db;
            let moved_db = system.error_db(aim, &moved);
            if moved_db < *error_db {
                (*tune, *error_db) = (moved, moved_db);
            }
        }
    }
}

/// Residuals in decibels, one for each scene and frequency of the aim, each scaled so that their squares add up to the
/// mean square; then a little for each gain, and what each channel's bands raise beyond `most_boost_db`.
fn residuals(
    system: &System,
    aim: &Aim,
    tune: &Tune,
    settings: &[Setting],
    most_boost_db: f64,
    slopes: Option<&mut DMatrix<f64>>,
) -> DVector<f64> {
    let Some(gains) = system.gains(tune) else {
        // A setting that makes no filter: as bad as can be, so that it is not taken.
        return DVector::from_element(1, 1e9);
    };
    let sums = system.sums(&gains);
    let points = aim.frequency_hz.len();
    let count = system.scenes.len() * points;
    let bands = settings.iter().filter(|it| matches!(it, Setting::Band(_, _, 1))).count();
    let excess = excess_db(tune, aim, most_boost_db);
    let mut residual = DVector::zeros(count + bands + excess.len());
    let mut smooth = Vec::with_capacity(system.scenes.len());
    for (scene, places) in sums.iter().enumerate() {
        let power = system.smooth(&system.mean_power(places), &aim.frequency_hz);
        for (i, p) in power.iter().enumerate() {
            residual[scene * points + i] = 10.0 * p.max(1e-30).log10() - aim.level_db[i];
        }
        smooth.push(power);
    }
    let weights = aim.weights(&system.scenes);
    let centre = |column: &mut [f64]| {
        system.centre(column, &weights);
        column.iter_mut().zip(&weights).for_each(|(r, w)| *r *= w.sqrt());
    };
    centre(&mut residual.as_mut_slice()[..count]);
    let gain_rows = settings
        .iter()
        .enumerate()
        .filter(|(_, it)| matches!(it, Setting::Band(_, _, 1)))
        .map(|(column, it)| (column, get(tune, *it)));
    for (row, (_, gain_db)) in gain_rows.clone().enumerate() {
        residual[count + row] = GAIN_WEIGHT * gain_db;
    }
    for (row, (_, excess_db)) in excess.iter().enumerate() {
        residual[count + bands + row] = EXCESS_WEIGHT * excess_db;
    }
    let Some(slopes) = slopes else { return residual };

    *slopes = DMatrix::zeros(residual.len(), settings.len());
    for (column, setting) in settings.iter().enumerate() {
        if let Setting::Band(c, s, coordinate) = *setting
            && let Some((at_hz, _)) = excess.get(c).filter(|it| it.1 > 0.0)
        {
            let by = tune.channels[c].sections[s].log_jacobian(*at_hz, tune.sample_rate_hz)[coordinate];
            slopes[(count + bands + c, column)] = EXCESS_WEIGHT * 20.0 / LN_10 * by.re;
        }
    }
    for (row, (column, _)) in gain_rows.enumerate() {
        slopes[(count + row, column)] = GAIN_WEIGHT;
    }
    let shares = system.shares(&sums, &gains);
    let mut moved = vec![0.0; system.frequency_hz.len()];
    let mut section_slopes = SectionSlopes { of: None, slopes: Vec::new() };
    for (column, setting) in settings.iter().enumerate() {
        let (channel, by) = section_slopes.log_slope(system, tune, *setting);
        let Some(speaker) = system.speaker(&tune.channels[channel].name) else { continue };
        for scene in 0..system.scenes.len() {
            let share = &shares[scene][speaker];
            if share.is_empty() {
                continue;
            }
            for ((moved, share), by) in moved.iter_mut().zip(share).zip(&by) {
                *moved = 2.0 * (share * by).re;
            }
            let change = system.smooth(&moved, &aim.frequency_hz);
            for (i, (change, power)) in change.iter().zip(&smooth[scene]).enumerate() {
                slopes[(scene * points + i, column)] = 10.0 / LN_10 * change / power.max(1e-30);
            }
        }
        centre(&mut slopes.column_mut(column).as_mut_slice()[..count]);
    }
    residual
}

/// For each channel, where its bands together raise most, and by how much more than `most_boost_db`; 0 where they do not.
fn excess_db(tune: &Tune, aim: &Aim, most_boost_db: f64) -> Vec<(f64, f64)> {
    // A band of Q 6 is four of these points wide.
    let hz: Vec<f64> = aim.frequency_hz.iter().copied().step_by(2).collect();
    let of = |channel: &ChannelTune| {
        let bands = ChannelTune { sections: channel.sections.clone(), ..ChannelTune::default() };
        let levels = ChannelFilter::new(&bands, tune.sample_rate_hz).map(|filter| filter.levels_db(&hz));
        let most = hz.iter().copied().zip(levels.unwrap_or_default()).max_by(|a, b| a.1.total_cmp(&b.1));
        most.map_or((0.0, 0.0), |(at_hz, db)| (at_hz, (db - most_boost_db).max(0.0)))
    };
    tune.channels.iter().map(of).collect()
}

/// The slopes of one section, which come three together.
struct SectionSlopes {
    of: Option<(usize, usize)>,
    slopes: Vec<[Complex; 3]>,
}

impl SectionSlopes {
    /// The slope of a channel's logarithm over one of its settings, at the system's frequencies.
    fn log_slope(&mut self, system: &System, tune: &Tune, setting: Setting) -> (usize, Vec<Complex>) {
        let hz = &system.frequency_hz;
        match setting {
            Setting::Gain(c) => (c, vec![Complex::new(LN_10 / 20.0, 0.0); hz.len()]),
            Setting::Delay(c) => (c, hz.iter().map(|f| Complex::new(0.0, -1e-3 * TAU * f)).collect()),
            Setting::Band(c, s, coordinate) => {
                if self.of != Some((c, s)) {
                    let section = tune.channels[c].sections[s];
                    let slopes = |f: &f64| section.log_jacobian(*f, tune.sample_rate_hz);
                    (self.of, self.slopes) = (Some((c, s)), hz.iter().map(slopes).collect());
                }
                (c, self.slopes.iter().map(|it| it[coordinate]).collect())
            }
        }
    }
}

/// The filters of the channels that the system knows, at its frequencies; `None` where a setting makes no filter.
pub(super) fn gains(system: &System, tune: &Tune) -> Option<Vec<Vec<Complex>>> {
    system
        .speakers
        .iter()
        .map(|speaker| match tune.channels.iter().find(|it| it.name == speaker.name) {
            Some(channel) => {
                Some(ChannelFilter::new(channel, tune.sample_rate_hz).ok()?.responses(&system.frequency_hz))
            }
            None => Some(vec![Complex::new(1.0, 0.0); system.frequency_hz.len()]),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::log_grid_hz;
    use crate::limits::{DelayRange, Range};
    use crate::spectrum::Bins;
    use crate::system::{Scene, Speaker};
    use crate::tune::{Crossover, CrossoverFamily, Pass};

    fn limits() -> Limits {
        Limits {
            sample_rate_hz: 48_000.0,
            bands: 10,
            kinds: vec![SectionKind::Peaking],
            gain_db: Range { min: -15.0, max: 6.0, step: Some(0.1) },
            q: Range { min: 0.3, max: 10.0, step: Some(0.01) },
            frequency_hz: Frequencies::Span { min: 20.0, max: 20_000.0, per_octave: None },
            delay_ms: Some(DelayRange { max: 20.0, step: Some(0.01) }),
            fir_taps: 0,
            pre_ringing: crate::limits::PreRinging::default(),
            crossovers: Vec::new(),
            crossovers_take_bands: false,
        }
    }

    fn peak(frequency_hz: f64, gain_db: f64, q: f64) -> Section {
        Section { kind: SectionKind::Peaking, frequency_hz, gain_db, q }
    }

    fn tune(sections: [Vec<Section>; 2], gain_db: [f64; 2], delay_ms: [f64; 2]) -> Tune {
        let crossover =
            |pass| Crossover { pass, family: CrossoverFamily::LinkwitzRiley, order: 4, frequency_hz: 400.0 };
        let passes = [Pass::Low, Pass::High];
        let channels = sections
            .into_iter()
            .enumerate()
            .map(|(c, sections)| ChannelTune {
                name: ["low", "high"][c].into(),
                crossovers: vec![crossover(passes[c])],
                gain_db: gain_db[c],
                delay_ms: delay_ms[c],
                sections,
                ..ChannelTune::default()
            })
            .collect();
        Tune { sample_rate_hz: 48_000.0, channels, ..Tune::default() }
    }

    /// Two speakers that are bent the opposite way of a known tune, heard at two places 3 dB apart: the tune makes the
    /// sum flat.
    fn system(known: &Tune) -> (System, Aim) {
        let hz = Bins::standard().frequency_hz.clone();
        let bare = |c: usize| ChannelTune { crossovers: Vec::new(), ..known.channels[c].clone() };
        let speakers = [0, 1]
            .map(|c| {
                let filter = ChannelFilter::new(&bare(c), 48_000.0).unwrap();
                let at = |gain: f64| hz.iter().map(|f| gain / filter.response(*f)).collect::<Vec<Complex>>();
                Speaker { name: known.channels[c].name.clone(), heard: vec![vec![at(1.0), at(0.7)]] }
            })
            .to_vec();
        let system = System {
            frequency_hz: hz,
            speakers,
            scenes: vec![Scene { places: 2, weight: 1.0, level: 0 }],
            smoothing_per_octave: 12.0,
        };
        let frequency_hz = log_grid_hz(30.0, 16_000.0, 24.0);
        let level_db = vec![0.0; frequency_hz.len()];
        (system, Aim { frequency_hz, level_db, spans_hz: Vec::new() })
    }

    #[test]
    fn the_slopes_are_those_of_the_residuals() {
        let known =
            tune([vec![peak(150.0, -5.0, 1.4)], vec![peak(2000.0, 3.0, 2.0)]], [-2.0, 0.0], [0.3, 0.0]);
        let (system, aim) = system(&known);
        let start =
            tune([vec![peak(180.0, -3.0, 1.0)], vec![peak(1700.0, 2.0, 1.5)]], [0.0, 0.0], [0.1, 0.0]);
        let freedom =
            Freedom { free: vec![true; 2], delay_s: vec![0.5e-3, 0.0], iterations: 1, prune: false };
        let settings = settings_of(&system, &start, &limits(), &freedom);
        let x: Vec<f64> = settings.iter().map(|it| get(&start, *it)).collect();
        let mut slopes = DMatrix::zeros(0, 0);
        let at = residuals(&system, &aim, &start, &settings, 1.0, Some(&mut slopes));
        for (column, setting) in settings.iter().enumerate() {
            let mut moved = x.clone();
            moved[column] += 1e-5;
            let there = residuals(&system, &aim, &with(&start, &settings, &moved), &settings, 1.0, None);
            let found = (there - &at) / 1e-5;
            let away = (found - slopes.column(column)).norm() / slopes.column(column).norm();
            assert!(
                away < 1e-3,
                "{}: {away}",
                ["gain", "delay", "band"][match setting {
                    Setting::Gain(_) => 0,
                    Setting::Delay(_) => 1,
                    Setting::Band(..) => 2,
                }]
            );
        }
    }

    /// Two bells that undo each other at nearly one frequency become one; a broad one with a narrow one in it stays.
    #[test]
    fn bells_at_one_frequency_become_one() {
        let limits = limits();
        let one = as_one(peak(1000.0, 6.0, 6.0), peak(1050.0, -5.0, 5.0), &limits);
        assert_eq!(one, Some(peak(1000.0, 1.0, 6.0)));
        let twins = as_one(peak(1000.0, 5.0, 4.0), peak(1000.0, 5.0, 4.0), &limits).unwrap();
        assert!((twins.q - 4.0).abs() < 1e-9 && twins.gain_db == 6.0, "{twins:?}");
        assert_eq!(as_one(peak(1000.0, 6.0, 6.0), peak(1050.0, -5.0, 0.7), &limits), None);
        assert_eq!(as_one(peak(1000.0, 6.0, 6.0), peak(1200.0, -5.0, 6.0), &limits), None);
        let known = tune([vec![peak(150.0, -5.0, 1.4)], Vec::new()], [-2.0, 0.0], [0.3, 0.0]);
        let (system, aim) = system(&known);
        let start =
            tune([vec![peak(150.0, -9.0, 1.4), peak(156.0, 4.0, 1.6)], Vec::new()], [-1.0, 0.0], [0.3, 0.0]);
        let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.0; 2], iterations: 60, prune: true };
        let found = refine(&system, &aim, &start, &limits, &freedom);
        assert!(found.after_db < 0.1 && found.tune.channels[0].sections.len() == 1, "{found:?}");
    }

    /// A shelf is no steeper than one that rises all the way, unless a hand made it so.
    #[test]
    fn shelves_stay_gentle() {
        let known = tune([vec![peak(150.0, -5.0, 1.4)], Vec::new()], [-2.0, 0.0], [0.3, 0.0]);
        let (system, aim) = system(&known);
        let shelf = |q| Section { kind: SectionKind::LowShelf, ..peak(180.0, -3.0, q) };
        let freedom = Freedom { free: vec![true; 2], delay_s: vec![0.0; 2], iterations: 60, prune: false };
        for (q, most) in [(0.5, GENTLE_SHELF_Q + 0.01), (2.0, 2.0)] {
            let start = tune([vec![shelf(q)], Vec::new()], [0.0, 0.0], [0.3, 0.0]);
            let found = refine(&system, &aim, &start, &limits(), &freedom);
            assert!(found.tune.channels[0].sections.iter().all(|it| it.q <= most), "{q}: {found:?}");
        }
    }

    #[test]
    fn an_all_pass_stays_as_its_joint_made_it() {
        let known = tune([vec![peak(150.0, -5.0, 1.4)], Vec::new()], [-2.0, 0.0], [0.3, 0.0]);
        let (system, aim) = system(&known);
        let all_pass = Section { kind: SectionKind::AllPass, frequency_hz: 500.0, gain_db: 0.0, q: 1.0 };
        let start = tune([vec![peak(180.0, -3.0, 1.0), all_pass], vec![all_pass]], [0.0, 0.0], [0.1, 0.0]);
        let freedom =
            Freedom { free: vec![true; 2], delay_s: vec![0.5e-3, 0.0], iterations: 60, prune: true };
        let found = refine(&system, &aim, &start, &limits(), &freedom);
        assert!(found.after_db < found.before_db - 0.5, "{found:?}");
        let kept = |c: usize| found.tune.channels[c].sections.iter().find(|it| it.kind == all_pass.kind);
        assert_eq!((kept(0), kept(1)), (Some(&all_pass), Some(&all_pass)));
    }

    #[test]
    fn a_known_tune_is_found_from_a_poor_start() {
        let known =
            tune([vec![peak(150.0, -5.0, 1.4)], vec![peak(2000.0, 3.0, 2.0)]], [-2.0, 0.0], [0.3, 0.0]);
        let (system, aim) = system(&known);
        let start =
            tune([vec![peak(180.0, -3.0, 1.0)], vec![peak(1700.0, 2.0, 1.5)]], [0.0, -1.0], [0.1, 0.0]);
        let freedom =
            Freedom { free: vec![true; 2], delay_s: vec![0.5e-3, 0.0], iterations: 60, prune: true };
        let found = refine(&system, &aim, &start, &limits(), &freedom);
        assert!(found.before_db > 1.0 && found.after_db < 0.1, "{found:?}");
        let again = refine(&system, &aim, &found.tune, &limits(), &freedom);
        assert!(again.after_db <= again.before_db);
    }
}
