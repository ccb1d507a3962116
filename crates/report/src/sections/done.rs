//! What was done and why; what was left alone and why.

use dsp::tune::LeftAlone;
use garage::Reason;

use crate::Document;
use crate::flow::{BODY, Flow, LABEL, NOTE, Style, TOLD};
use crate::ink;
use crate::picture::letter;
use crate::words;

/// In words a customer understands.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    flow.heading("What was done, and why", 30.0);
    match &document.tune {
        None => flow.paragraph(BODY, "No settings have been saved yet."),
        Some(saved) if saved.record.reasons.is_empty() => {
            flow.paragraph(BODY, "No reasons were written down; the settings are on the entry sheet.");
        }
        Some(saved) => {
            let dead = document.dead_channels();
            for it in &dead {
                let places = words::count(it.positions, "position");
                let told = format!(
                    "It is dead: nothing of it was heard at {places}. Nothing was set for it; check its amplifier, its wires and the speaker."
                );
                flow.entry(&words::sentence_case(&it.name), 92.0, Style { ink: ink::WARN, ..TOLD }, &told);
                flow.y += 2.0;
            }
            let told = by_subject(&saved.record.reasons).into_iter();
            for (subject, words) in told.filter(|(subject, _)| dead.iter().all(|it| it.name != *subject)) {
                flow.entry(&words::sentence_case(&subject), 92.0, TOLD, &words);
                flow.y += 2.0;
            }
        }
    }
    left_alone(flow, document);
}

/// What was said of one subject in one place, in the order in which subjects were first spoken of.
fn by_subject(reasons: &[Reason]) -> Vec<(String, String)> {
    let mut told: Vec<(String, String)> = Vec::new();
    for reason in reasons {
        match told.iter_mut().find(|(subject, _)| *subject == reason.subject) {
            Some((_, words)) => {
                words.push(' ');
                words.push_str(done(&reason.words));
            }
            None => told.push((reason.subject.clone(), done(&reason.words).to_owned())),
        }
    }
    told
}

/// What a speaker can do goes before what was done with it; here only that counts.
fn done(words: &str) -> &str {
    match words.split_once(". ") {
        Some((range, rest)) if range.starts_with("Usable from ") => rest,
        _ => words,
    }
}

fn left_alone(flow: &mut Flow<'_>, document: &Document) {
    let sides: Vec<(&str, &[LeftAlone])> = match (&document.proof, &document.tune) {
        (Some(proof), _) => {
            proof.parts().map(|side| (side.name.as_str(), side.left_alone.as_slice())).collect()
        }
        (None, Some(saved)) => vec![("", saved.tune.left_alone.as_slice())],
        (None, None) => return,
    };
    if sides.iter().all(|(_, regions)| regions.is_empty()) {
        flow.paragraph(NOTE, "No region was left alone.");
        return;
    }
    flow.heading("What was left alone, and why", 30.0);
    // The same regions on every side are told once.
    let alike = sides.windows(2).all(|pair| pair[0].1 == pair[1].1);
    let told = if alike { sides.get(..1).unwrap_or_default() } else { sides.as_slice() };
    for (side, regions) in told {
        if !alike && !side.is_empty() {
            flow.need(LABEL.leading + BODY.leading);
            flow.paragraph(LABEL, &words::sentence_case(side));
        }
        if regions.is_empty() {
            flow.paragraph(NOTE, "Nothing.");
        }
        for (i, region) in regions.iter().enumerate() {
            let place = format!("{}  {}", letter(i), words::band(region.from_hz, region.to_hz));
            flow.entry(&place, 124.0, BODY, &words::sentence_case(&region.reason));
        }
    }
}
