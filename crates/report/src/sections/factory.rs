//! What the factory did, and what we undid.

use dsp::verdict::Verdict;
use garage::entry::gain_words;
use garage::finding::Combine;

use crate::Document;
use crate::flow::{BODY, DOUBT, Flow, NOTE};
use crate::picture::{curves_svg, finding_board};
use crate::words;

const PICTURE_HEIGHT: f32 = 140.0;

/// Only for a visit that looked into it.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    let Some(finding) = &document.finding else { return };
    flow.heading("What the factory did, and what we undid", 40.0);
    for output in &finding.outputs {
        flow.entry(&words::sentence_case(&output.name), 92.0, BODY, &output.sentence);
    }
    if !finding.combine.is_empty() {
        let parts: Vec<String> = finding.combine.iter().map(part).collect();
        flow.paragraph(BODY, &format!("Joined to one full-range signal from {}.", parts.join("; ")));
    }
    if let Some(flatness) = finding.flatness {
        flow.paragraph(
            BODY,
            &format!(
                "The joined signal strays from flat by {:.1} dB (rms, {}) as it came, and by {:.1} dB with the undo.",
                flatness.rms_db_before,
                words::band(flatness.from_hz, flatness.to_hz),
                flatness.rms_db_after
            ),
        );
    }
    if let Some(number) = finding.tune {
        flow.paragraph(NOTE, &format!("The settings that undo it are tune {number} of the visit."));
    }
    if let Some(mut board) = finding_board(finding) {
        board.size = (f64::from(flow.width()), f64::from(PICTURE_HEIGHT));
        let svg = curves_svg(&board);
        flow.space(6.0);
        flow.picture(PICTURE_HEIGHT, svg);
    }
    let style = if finding.verdict == Verdict::Good { BODY } else { DOUBT };
    finding.remarks.iter().for_each(|remark| flow.paragraph(style, remark));
}

fn part(part: &Combine) -> String {
    let turned = if part.invert { ", turned over" } else { "" };
    format!(
        "{} ({}, {} ms{turned})",
        part.name,
        gain_words(part.gain_db),
        (part.delay_ms * 1000.0).round() / 1000.0
    )
}
