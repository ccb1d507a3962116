//! The invented cars that come with the program.

use super::{Scenario, ScenarioError};

const EMBEDDED: [(&str, &str); 5] = [
    ("plain-front", include_str!("../../../../assets/scenarios/plain-front.json")),
    ("active-two-way", include_str!("../../../../assets/scenarios/active-two-way.json")),
    ("wiring-faults", include_str!("../../../../assets/scenarios/wiring-faults.json")),
    ("active-three-way", include_str!("../../../../assets/scenarios/active-three-way.json")),
    ("split-factory", include_str!("../../../../assets/scenarios/split-factory.json")),
];

/// The names of the embedded scenarios, the simplest first.
pub fn names() -> Vec<&'static str> {
    EMBEDDED.iter().map(|(name, _)| *name).collect()
}

/// Every embedded scenario, in the order of [`names`].
///
/// # Errors
/// None in a released program: a test reads them all.
pub fn embedded() -> Result<Vec<Scenario>, ScenarioError> {
    EMBEDDED.iter().map(|(_, text)| Scenario::from_json(text)).collect()
}

pub(super) fn named(name: &str) -> Result<Scenario, ScenarioError> {
    match EMBEDDED.iter().find(|(known, _)| *known == name) {
        Some((_, text)) => Scenario::from_json(text),
        None => Err(ScenarioError::Unknown { name: name.to_owned(), known: names().join(", ") }),
    }
}
