//! What the customer is told: at most three plain sentences.

use garage::proof::{Change as Judgement, ProofSide};

use super::changes::Change;

/// Sentences told at most.
const MOST: usize = 3;

/// The figure first, then the largest changes that can be told apart, one for each region.
pub fn sentences(sides: &[ProofSide], told: &[Vec<Change>]) -> Vec<String> {
    let mut words: Vec<String> = overall(sides).into_iter().collect();
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

fn overall(sides: &[ProofSide]) -> Option<String> {
    let judged: Vec<String> = sides.iter().filter_map(side_words).collect();
    (!judged.is_empty()).then(|| format!("{}.", judged.join("; ")))
}

fn side_words(side: &ProofSide) -> Option<String> {
    let (before, after) = (side.errors.before, side.errors.after?);
    let figures = format!(
        "from {:.1} to {:.1} dB off the target (±{:.1})",
        before.rms_error_db, after.rms_error_db, after.half_width_db
    );
    Some(match side.errors.change() {
        Judgement::Better => format!("The {} side went {figures}", side.name),
        Judgement::Worse => format!("The {} side went {figures}, which is further away", side.name),
        _ => format!("The {} side went {figures}, a difference the measurement cannot tell apart", side.name),
    })
}

fn lower_first(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}
