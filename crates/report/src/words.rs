//! The report's own sentences.

use dsp::verdict::Verdict;
use garage::proof::{Change, Distance, ProofErrors};

use crate::Document;

/// What a document, a page and a file manager call the report.
pub fn title(document: &Document) -> String {
    format!("{} · {}", document.car.name, document.visit.date)
}

/// `sentence` with a large first letter.
pub fn sentence_case(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// The large figure, and the sentence that says what may be concluded from it.
pub fn figure(errors: &ProofErrors) -> (String, String) {
    let before = errors.before;
    let Some(after) = errors.after else {
        return (
            format!("{:.1} dB off the target as it came", before.rms_error_db),
            "Not measured with the new settings yet, so nothing is claimed.".to_owned(),
        );
    };
    let gain = errors.gain().unwrap_or(after);
    let figure = format!(
        "from {:.1} to {:.1} dB off the target, ±{:.1}",
        before.rms_error_db, after.rms_error_db, gain.half_width_db
    );
    let gain = interval(Distance { rms_error_db: gain.rms_error_db.abs(), ..gain });
    let conclusion = match errors.change() {
        Change::Better => format!("Nearer to the target by {gain}."),
        Change::Worse => {
            format!("Further from the target by {gain}: the settings should be looked at again.")
        }
        Change::NotDistinguishable | Change::NotMeasured => {
            format!(
                "The difference of {gain} is within what the measurement can tell apart: not distinguishable."
            )
        }
    };
    (figure, conclusion)
}

/// The figures under a picture.
pub fn distances(errors: &ProofErrors) -> String {
    let mut parts = vec![format!("before {}", interval(errors.before))];
    parts.extend(errors.predicted.map(|it| format!("predicted {}", interval(it))));
    parts.push(
        errors.after.map_or("after: not measured yet".to_owned(), |it| format!("after {}", interval(it))),
    );
    parts.join(" · ")
}

fn interval(distance: Distance) -> String {
    format!("{:.1} ±{:.1} dB", distance.rms_error_db, distance.half_width_db)
}

/// A frequency for reading: `63 Hz`, `1.25 kHz`.
pub fn frequency(hz: f64) -> String {
    let three = |value: f64| {
        let digits = if value < 10.0 { 2 } else { usize::from(value < 100.0) };
        let text = format!("{value:.digits$}");
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
    };
    if hz < 1000.0 { format!("{} Hz", three(hz)) } else { format!("{} kHz", three(hz / 1000.0)) }
}

/// From one frequency to another: `40 Hz to 16 kHz`.
pub fn band(from_hz: f64, to_hz: f64) -> String {
    format!("{} to {}", frequency(from_hz), frequency(to_hz))
}

/// The number with its noun.
pub fn count(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// A verdict as a word.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Usable => "usable",
        Verdict::Retake => "retake",
    }
}
