//! Bands that nobody would type: idle ones, and two where one does.

use super::Freedom;
use crate::limits::Limits;
use crate::system::{Aim, System};
use crate::tune::{Section, SectionKind, Tune};

/// A band that gains less than this is not worth typing in.
const BAND_WORTH_DB: f64 = 0.01;
/// Bells of like width closer than this do one thing together, or undo each other.
const ONE_PLACE_OCTAVES: f64 = 0.1;
/// Two that undo each other by this or more are not left.
const OPPOSED_DB: f64 = 2.0;
/// Bells are of like width where the one's Q is no more than so many times the other's.
const LIKE_WIDTH: f64 = 2.0;

/// The tune without the bands that do next to nothing.
pub(super) fn without_idle_bands(system: &System, aim: &Aim, mut tune: Tune, freedom: &Freedom) -> Tune {
    let mut error_db = system.error_db(aim, &tune);
    for c in 0..tune.channels.len() {
        if !freedom.of(system, &tune, c) {
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
pub(super) fn with_pairs_merged(
    system: &System,
    aim: &Aim,
    mut tune: Tune,
    limits: &Limits,
    freedom: &Freedom,
) -> Tune {
    let mut error_db = system.error_db(aim, &tune);
    for c in 0..tune.channels.len() {
        if !freedom.of(system, &tune, c) {
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
pub(super) fn as_one(one: Section, other: Section, limits: &Limits) -> Option<Section> {
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
