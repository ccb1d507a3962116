//! The state the car and the bay must be in, and the cautions that belong to it.

use serde::Serialize;

/// One line of the conditions checklist.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Condition {
    /// Key under which the visit keeps the tick.
    pub key: &'static str,
    /// What to make sure of.
    pub question: &'static str,
    /// Why it matters, or who can be hurt.
    pub caution: &'static str,
}

/// The checklist, in the order it is walked through; common practice, no source, except where a source is named.
pub const CONDITIONS: [Condition; 9] = [
    Condition {
        key: "parked",
        question: "The car is parked, handbrake on, engine off.",
        caution: "Never measure while driving, and never run an engine in a closed bay: exhaust gas kills.",
    },
    Condition {
        key: "supply",
        question: "The battery is held up by a charger meant for it.",
        caution: "Batteries give off gas that can explode, and a falling supply changes the amplifiers. Follow the vehicle \
                  maker's instructions and local codes; leave work on the supply to a qualified technician.",
    },
    Condition {
        key: "wiring",
        question: "No probe or plug bridges two speaker wires or touches ground.",
        caution: "Speaker-level outputs are bridge-tied: never ground either side; use an isolating, attenuating probe. \
                  Keep away from airbag wiring (usually yellow). Fusing, wire gauge, airbags and trim: the vehicle maker's \
                  instructions, local codes, a qualified technician.",
    },
    Condition {
        key: "closed",
        question: "Doors and windows are closed, seats and mirrors as the customer drives.",
        caution: "An open window changes the bass by several decibels.",
    },
    Condition {
        key: "ventilation",
        question: "Ventilation is off, or its setting is written into the take's conditions.",
        caution: "Fan noise hides the bass. Do not stay in a closed car in heat.",
    },
    Condition {
        key: "people",
        question: "The seats that will be occupied while listening are occupied the same way for every take.",
        caution: "A person absorbs and shadows as much as a seat does.",
    },
    Condition {
        key: "ears",
        question: "Nobody has an ear close to a speaker; hearing protection is at hand.",
        caution: "Above 85 dB(A) the safe time halves with every 3 dB (NIOSH recommended exposure limit, 8 h at 85 dB(A)). \
                  Start low; the stop key is Esc.",
    },
    Condition {
        key: "tweeters",
        question: "Every channel with a protected speaker has its lowest safe frequency in the channel map.",
        caution: "A tweeter without its high-pass is destroyed by a single bass sweep.",
    },
    Condition {
        key: "source_flat",
        question: "Tone, balance, fader, surround and speed volume of the head unit are off, its volume is written down.",
        caution: "What is changed here after the measurement is changed in the result.",
    },
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_key_is_there_once() {
        let mut keys: Vec<_> = CONDITIONS.iter().map(|c| c.key).collect();
        keys.sort_unstable();
        keys.dedup();
        assert_eq!(keys.len(), CONDITIONS.len());
    }
}
