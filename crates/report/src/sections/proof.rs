//! The large figure and the curves behind it.

use dsp::verdict::Verdict;
use garage::proof::ProofSide;

use crate::Document;
use crate::flow::{BODY, DOUBT, Flow, LABEL, NOTE, Style};
use crate::ink;
use crate::letters::Weight;
use crate::picture::{curves_svg, proof_board};
use crate::words;

const LARGE: Style = Style { size: 23.0, leading: 30.0, weight: Weight::Bold, ink: ink::AFTER };
/// One or two pictures have room; three stand on one page with the figure above them.
fn picture_height(pictures: usize) -> f32 {
    if pictures < 3 { 176.0 } else { 110.0 }
}

/// From how far to how near, in figures, sentences and curves.
pub fn write(flow: &mut Flow<'_>, document: &Document) {
    let Some(proof) = &document.proof else {
        flow.heading("Before and after", 30.0);
        flow.paragraph(
            BODY,
            "No proof has been taken yet: both sides still have to be measured as the car came and with the new \
             settings. Until then nothing is claimed about the result.",
        );
        return;
    };
    match &proof.whole {
        Some(whole) => figure(flow, whole, false),
        None => proof.sides.iter().for_each(|side| figure(flow, side, proof.sides.len() > 1)),
    }
    flow.space(4.0);
    proof.sentences.iter().take(3).for_each(|sentence| flow.paragraph(BODY, sentence));
    let mut first = true;
    let height = picture_height(proof.parts().count());
    for side in proof.parts() {
        flow.space(5.0);
        flow.need(height + 26.0);
        let mut board = proof_board(side, &proof.target, proof.simulated);
        board.size = (f64::from(flow.width()), f64::from(height));
        let svg = curves_svg(&board);
        flow.picture(height, svg);
        let facts = format!(
            "{} · {} · {} at the seat",
            words::distances(&side.errors),
            words::band(side.band_hz.0, side.band_hz.1),
            words::count(side.positions as usize, "position")
        );
        flow.indented(30.0, NOTE, &facts);
        side.remarks.iter().for_each(|remark| flow.indented(30.0, Style { ink: ink::WARN, ..NOTE }, remark));
        if std::mem::take(&mut first) {
            flow.indented(30.0, NOTE, &reading(&proof.target.name, proof.target.tolerance_db));
        }
    }
    let style = if proof.verdict == Verdict::Good { BODY } else { DOUBT };
    proof.remarks.iter().for_each(|remark| flow.paragraph(style, remark));
}

fn figure(flow: &mut Flow<'_>, side: &ProofSide, named: bool) {
    let (figure, conclusion) = words::figure(&side.errors);
    flow.need(LARGE.leading + 2.0 * BODY.leading);
    if named {
        flow.paragraph(LABEL, &words::sentence_case(&side.name));
    }
    flow.paragraph(LARGE, &figure);
    flow.paragraph(BODY, &conclusion);
    flow.space(4.0);
}

fn reading(target: &str, tolerance_db: f64) -> String {
    format!(
        "How to read it: the closer a curve keeps to the green corridor ({target}, ±{tolerance_db} dB), the nearer it is \
         to what was aimed at. Figures are weighted rms distances from the target; \u{201C}±\u{201D} and the shaded ribbons are \
         95 % intervals. Hatched regions, marked with letters, were left alone; why is said below."
    )
}
