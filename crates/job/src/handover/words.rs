//! What the customer is told: at most three plain sentences.

use garage::proof::ProofSide;

use super::changes::Change;

/// Sentences told at most.
const MOST: usize = 3;

/// The largest changes that can be told apart, one for each region; the distances themselves stand beside them.
pub fn sentences(sides: &[ProofSide], told: &[Vec<Change>]) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut largest: Vec<(&ProofSide, &Change)> = sides
        .iter()
        .zip(told)
        .flat_map(|(side, changes)| changes.iter().map(move |change| (side, change)))
        .filter(|(_, change)| change.distinguishable)
        .collect();
    let by = |change: &Change| (change.before_db.abs() - change.after_db.abs()).abs();
    largest.sort_by(|a, b| by(b.1).total_cmp(&by(a.1)));
    let mut regions: Vec<&str> = Vec::new();
    for (side, change) in largest {
        if words.len() >= MOST {
            break;
        }
        if !regions.contains(&change.region.as_str()) {
            regions.push(&change.region);
            words.push(format!("On the {}: {}", side.name, lower_first(&change.sentence)));
        }
    }
    words
}

fn lower_first(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}
