//! The opening, the running head and foot, and remarks about the document itself.

use crate::Document;
use crate::flow::{BODY, DOUBT, Flow, NOTE, Style};
use crate::ink;
use crate::letters::{Letters, Weight};
use crate::page::{Area, HEIGHT, MARGIN, Mark, Page, TEXT_WIDTH, WIDTH};
use crate::words;

const TITLE: Style = Style { size: 22.0, leading: 27.0, weight: Weight::Bold, ink: ink::TEXT };
const BANNER: Style = Style { size: 8.8, leading: 12.0, weight: Weight::Bold, ink: ink::WARN };
const BASELINE: f32 = 34.0;

/// The car, the visit, the wishes.
pub fn opening(flow: &mut Flow<'_>, document: &Document) {
    let (car, visit) = (&document.car, &document.visit);
    flow.paragraph(TITLE, &car.name);
    flow.paragraph(BODY, &car.description);
    let mut facts = vec![format!("Visit of {}", visit.date)];
    if visit.number > 1 {
        facts.push(format!("number {} of that day", visit.number));
    }
    if !visit.seat.is_empty() {
        facts.push(format!("tuned for the seat: {}", visit.seat));
    }
    if !visit.tuner.is_empty() {
        facts.push(format!("by {}", visit.tuner));
    }
    flow.paragraph(Style { ink: ink::QUIET, ..BODY }, &facts.join(" · "));
    if !car.wishes.is_empty() {
        flow.paragraph(BODY, &format!("Wished for: {}", car.wishes));
    }
    flow.space(8.0);
}

/// What could not be read, and letters that could not be shown.
pub fn remarks(flow: &mut Flow<'_>, document: &Document) {
    let names = [&document.car.name, &document.car.description, &document.car.wishes, &document.visit.tuner];
    let unshown = names.iter().any(|words| flow.letters.lacks_some(words));
    let visit = &document.visit.remarks;
    if document.remarks.is_empty() && visit.is_empty() && !unshown {
        return;
    }
    flow.heading("Remarks", 24.0);
    visit.iter().for_each(|words| flow.paragraph(BODY, words));
    document.remarks.iter().for_each(|words| flow.paragraph(DOUBT, words));
    if unshown {
        flow.paragraph(
            NOTE,
            "Letters that the typeface of this document lacks are shown as a question mark.",
        );
    }
}

/// Head and foot on every page.
pub fn run_around(pages: Vec<Page>, document: &Document, letters: &Letters) -> Vec<Page> {
    let total = pages.len();
    let simulated = document.simulated();
    pages
        .into_iter()
        .enumerate()
        .map(|(i, page)| around(page, (i + 1, total), simulated, document, letters))
        .collect()
}

fn around(
    page: Page,
    (number, total): (usize, usize),
    simulated: bool,
    document: &Document,
    letters: &Letters,
) -> Page {
    let mut frame = Flow::new(letters);
    let right = WIDTH - MARGIN;
    frame.words_at(MARGIN, BASELINE, Style { weight: Weight::Bold, ..NOTE }, "Cabinwright");
    let kind = if document.proof.is_some() { "Report of a tune" } else { "Report of work in progress" };
    frame.words_ending_at(right, BASELINE, NOTE, kind);
    if simulated {
        let y = BASELINE + 8.0;
        frame.mark(Mark::Fill(Area { x: MARGIN, y, w: TEXT_WIDTH, h: 0.8 }, ink::WARN));
        let words = "SIMULATED: made with a virtual car; nothing here was measured in a real one";
        frame.words_at(MARGIN, y + 12.5, BANNER, words);
        frame.mark(Mark::Fill(Area { x: MARGIN, y: y + 17.0, w: TEXT_WIDTH, h: 0.8 }, ink::WARN));
    } else {
        frame.hairline(MARGIN, BASELINE + 8.0, TEXT_WIDTH);
    }
    let foot = HEIGHT - 28.0;
    let place = format!("{number} of {total}");
    let room = TEXT_WIDTH - letters.width(&place, NOTE.size, NOTE.weight) - 20.0;
    // A name of any length stays on its line and clear of the number.
    let title = letters.wrap(&words::title(document), NOTE.size, NOTE.weight, room);
    let date = document.visit.date.to_string();
    let first = match title.as_slice() {
        [whole] => whole.clone(),
        _ => {
            let date = format!("… · {date}");
            let room = room - letters.width(&date, NOTE.size, NOTE.weight);
            let cut = letters.wrap(&document.car.name, NOTE.size, NOTE.weight, room);
            format!("{}{date}", cut.first().map_or("", String::as_str))
        }
    };
    frame.hairline(MARGIN, foot - 14.0, TEXT_WIDTH);
    frame.words_at(MARGIN, foot, NOTE, &first);
    frame.words_ending_at(right, foot, NOTE, &place);
    let mut marks: Vec<Mark> = frame.finish().into_iter().flat_map(|page| page.marks).collect();
    marks.extend(page.marks);
    Page { marks }
}
