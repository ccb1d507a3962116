//! Text that runs down columns and over pages.

use crate::ink::{self, Ink};
use crate::letters::{Letters, Weight};
use crate::page::{Area, BOTTOM, MARGIN, Mark, Page, TEXT_WIDTH, TOP};

/// How a run of text looks.
#[derive(Debug, Clone, Copy)]
pub struct Style {
    /// Letter size.
    pub size: f32,
    /// From line to line.
    pub leading: f32,
    /// Weight.
    pub weight: Weight,
    /// Colour.
    pub ink: Ink,
}

/// Text for reading.
pub const BODY: Style = Style { size: 8.8, leading: 12.6, weight: Weight::Regular, ink: ink::TEXT };
/// Long lists.
pub const TOLD: Style = Style { size: 8.2, leading: 10.4, weight: Weight::Regular, ink: ink::TEXT };
/// Asides.
pub const NOTE: Style = Style { size: 7.6, leading: 10.6, weight: Weight::Regular, ink: ink::QUIET };
/// Inside a section.
pub const LABEL: Style = Style { size: 8.8, leading: 12.6, weight: Weight::Bold, ink: ink::TEXT };
/// A section's name.
pub const HEADING: Style = Style { size: 12.0, leading: 17.0, weight: Weight::Bold, ink: ink::TEXT };
/// Doubts.
pub const DOUBT: Style = Style { ink: ink::WARN, ..BODY };

/// Between two columns.
const GUTTER: f32 = 23.0;
/// A column that is shorter than this is not begun.
const SHORTEST: f32 = 110.0;
/// More than any block that is kept together in a column, so that balanced columns hold all of it.
const SLACK: f32 = 52.0;

/// Where the next line goes.
pub struct Flow<'a> {
    /// To measure with.
    pub letters: &'a Letters,
    pages: Vec<Page>,
    /// The next free height.
    pub y: f32,
    columns: usize,
    column: usize,
    top: f32,
    bottom: f32,
    lowest: f32,
    /// What the columns still hold beyond this page, laid end to end.
    beyond: f32,
}

impl<'a> Flow<'a> {
    /// At the top of the first page, in one column.
    pub fn new(letters: &'a Letters) -> Self {
        Self {
            letters,
            pages: vec![Page::default()],
            y: TOP,
            columns: 1,
            column: 0,
            top: TOP,
            bottom: BOTTOM,
            lowest: TOP,
            beyond: 0.0,
        }
    }

    /// The pages that came of it.
    pub fn finish(self) -> Vec<Page> {
        self.pages
    }

    /// Left edge of the column.
    pub fn x(&self) -> f32 {
        MARGIN + self.column as f32 * (self.width() + GUTTER)
    }

    /// Width of the column.
    pub fn width(&self) -> f32 {
        (TEXT_WIDTH - GUTTER * (self.columns - 1) as f32) / self.columns as f32
    }

    /// Goes to the next column or page unless `height` is free. Returns true when it went on.
    pub fn need(&mut self, height: f32) -> bool {
        let at_top = self.y <= self.top;
        if self.y + height <= self.bottom || at_top {
            return false;
        }
        self.lowest = self.lowest.max(self.y);
        if self.column + 1 < self.columns {
            self.column += 1;
        } else {
            self.pages.push(Page::default());
            let balanced = TOP + self.beyond / self.columns as f32 + SLACK;
            let bottom = if self.columns > 1 { BOTTOM.min(balanced) } else { BOTTOM };
            self.beyond = (self.beyond - (BOTTOM - TOP) * self.columns as f32).max(0.0);
            (self.column, self.top, self.bottom, self.lowest) = (0, TOP, bottom, TOP);
        }
        self.y = self.top;
        true
    }

    /// Leaves room, unless at the top of a column.
    pub fn space(&mut self, height: f32) {
        if self.y > self.top {
            self.y += height;
        }
    }

    /// Paints on the page at hand.
    pub fn mark(&mut self, mark: Mark) {
        if let Some(page) = self.pages.last_mut() {
            page.marks.push(mark);
        }
    }

    /// One line of text with its baseline on `y`, wherever that is.
    pub fn words_at(&mut self, x: f32, y: f32, style: Style, words: &str) {
        let words = self.letters.showable(words);
        if !words.is_empty() {
            self.mark(Mark::Words { x, y, size: style.size, weight: style.weight, ink: style.ink, words });
        }
    }

    /// As [`Flow::words_at`], ending at `right`.
    pub fn words_ending_at(&mut self, right: f32, y: f32, style: Style, words: &str) {
        let width = self.letters.width(&self.letters.showable(words), style.size, style.weight);
        self.words_at(right - width, y, style, words);
    }

    /// A hairline from `x` on.
    pub fn hairline(&mut self, x: f32, y: f32, w: f32) {
        self.mark(Mark::Fill(Area { x, y, w, h: 0.6 }, ink::LINE));
    }

    /// Text in as many lines as it needs.
    pub fn paragraph(&mut self, style: Style, words: &str) {
        self.indented(0.0, style, words);
    }

    /// Text that begins `indent` into the column.
    pub fn indented(&mut self, indent: f32, style: Style, words: &str) {
        if words.trim().is_empty() {
            return;
        }
        for line in self.letters.wrap(words, style.size, style.weight, self.width() - indent) {
            self.need(style.leading);
            self.y += style.leading;
            self.words_at(self.x() + indent, self.y - 0.28 * style.leading, style, &line);
        }
    }

    /// A label in a column of its own with text beside it.
    pub fn entry(&mut self, label: &str, label_width: f32, style: Style, words: &str) {
        let quiet = Style { ink: ink::QUIET, ..style };
        let labels = self.letters.wrap(label, quiet.size, quiet.weight, label_width - 8.0);
        let lines = self.letters.wrap(words, style.size, style.weight, self.width() - label_width);
        for i in 0..labels.len().max(lines.len()) {
            self.need(style.leading);
            self.y += style.leading;
            let baseline = self.y - 0.28 * style.leading;
            self.words_at(self.x(), baseline, quiet, labels.get(i).map_or("", String::as_str));
            self.words_at(self.x() + label_width, baseline, style, lines.get(i).map_or("", String::as_str));
        }
    }

    /// The name of a section, kept with `following` points of what comes after.
    pub fn heading(&mut self, words: &str, following: f32) {
        self.space(14.0);
        let lines = self.letters.wrap(words, HEADING.size, HEADING.weight, self.width());
        self.need(HEADING.leading * lines.len() as f32 + 6.0 + following);
        self.paragraph(HEADING, words);
        self.hairline(self.x(), self.y + 1.0, self.width());
        self.y += 6.0;
    }

    /// A picture over the whole column.
    pub fn picture(&mut self, height: f32, svg: String) {
        self.need(height);
        let area = Area { x: self.x(), y: self.y, w: self.width(), h: height };
        self.mark(Mark::Picture(area, svg));
        self.y += height;
    }

    /// Height of what `write` writes in one of `columns` columns without an end.
    fn height(&self, columns: usize, write: impl Fn(&mut Flow<'_>)) -> f32 {
        let mut trial = Flow { columns, bottom: f32::INFINITY, ..Flow::new(self.letters) };
        write(&mut trial);
        trial.y - TOP
    }

    /// Goes to the next page where only a few lines of what [`Flow::in_columns`] is about to lay out would stand there.
    pub fn leave_no_rest(&mut self, columns: usize, write: impl Fn(&mut Flow<'_>)) {
        let share = self.height(columns, write) / columns as f32;
        let rest = share - (BOTTOM - self.y);
        if (0.0..SHORTEST).contains(&rest) && share + SLACK <= BOTTOM - TOP {
            self.need(f32::INFINITY);
        }
    }

    /// Lays `write` out in `columns` columns of like height.
    pub fn in_columns(&mut self, columns: usize, write: impl Fn(&mut Flow<'_>)) {
        let whole = self.height(columns, &write);
        let share = whole / columns as f32 + SLACK;
        if BOTTOM - self.y < SHORTEST.min(whole / columns as f32) {
            self.need(f32::INFINITY);
        }
        (self.columns, self.column, self.top, self.lowest) = (columns, 0, self.y, self.y);
        self.bottom = BOTTOM.min(self.y + share);
        self.beyond = (whole - (BOTTOM - self.y) * columns as f32).max(0.0);
        write(self);
        self.y = self.y.max(self.lowest);
        (self.columns, self.column, self.top, self.bottom, self.beyond) = (1, 0, TOP, BOTTOM, 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_rest_takes_the_whole_to_the_next_page() {
        let letters = Letters::built_in().unwrap();
        let thirty = |flow: &mut Flow<'_>| (0..30).for_each(|_| flow.paragraph(BODY, "line"));
        let pages_from = |y: f32| {
            let mut flow = Flow { y, ..Flow::new(&letters) };
            flow.leave_no_rest(3, thirty);
            flow.finish().len()
        };
        let share = 10.0 * BODY.leading;
        assert_eq!(pages_from(BOTTOM - share - 5.0), 1, "all of it fits");
        assert_eq!(pages_from(BOTTOM - share + 5.0), 2, "a line would stand alone");
        assert_eq!(pages_from(BOTTOM - 10.0), 1, "it hardly begins here; the columns themselves go on");
    }
}
