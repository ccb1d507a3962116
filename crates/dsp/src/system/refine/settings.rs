//! What may move, from where to where, and how a tune is read and written setting by setting.

use super::Freedom;
use crate::filter::GENTLE_SHELF_Q;
use crate::limits::{Frequencies, Limits};
use crate::system::System;
use crate::tune::{Section, SectionKind, Tune};

/// Frequencies move no further than this, in octaves: a band stays where it was put and why.
const BAND_MOVES_OCTAVES: f64 = 0.5;

#[derive(Clone, Copy, PartialEq)]
pub(super) enum Setting {
    Gain(usize),
    Delay(usize),
    /// Channel, section, and which of ln f, gain, ln Q.
    Band(usize, usize, usize),
}

pub(super) fn settings_of(system: &System, tune: &Tune, limits: &Limits, freedom: &Freedom) -> Vec<Setting> {
    // A graphic equaliser's bands stay where they are.
    let bands_move = matches!(limits.frequency_hz, Frequencies::Span { .. });
    let mut settings = Vec::new();
    for (c, channel) in tune.channels.iter().enumerate() {
        if !freedom.of(system, tune, c) {
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
pub(super) fn get(tune: &Tune, setting: Setting) -> f64 {
    match setting {
        Setting::Gain(c) => tune.channels[c].gain_db,
        Setting::Delay(c) => tune.channels[c].delay_ms,
        Setting::Band(c, s, coordinate) => {
            let Section { frequency_hz, gain_db, q, .. } = tune.channels[c].sections[s];
            [frequency_hz.ln(), gain_db, q.ln()][coordinate]
        }
    }
}

pub(super) fn set(tune: &mut Tune, setting: Setting, value: f64) {
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

pub(super) fn with(tune: &Tune, settings: &[Setting], x: &[f64]) -> Tune {
    let mut moved = tune.clone();
    settings.iter().zip(x).for_each(|(setting, value)| set(&mut moved, *setting, *value));
    moved
}

pub(super) fn range(tune: &Tune, setting: Setting, limits: &Limits, freedom: &Freedom) -> (f64, f64) {
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
            let most = if shelf { limits.q_within(GENTLE_SHELF_Q) } else { limits.q.max };
            (limits.q.min.ln().min(value), most.ln().max(value))
        }
    }
}

pub(super) fn on_steps(mut tune: Tune, limits: &Limits) -> Tune {
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
