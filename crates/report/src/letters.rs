//! The typeface: its files, how wide words are, where lines break.

use ttf_parser::Face;

use crate::ReportError;

/// Regular weight, as embedded.
pub const REGULAR: &[u8] = include_bytes!("../../../assets/fonts/B612-Regular.otf");
/// Bold weight, as embedded.
pub const BOLD: &[u8] = include_bytes!("../../../assets/fonts/B612-Bold.otf");

/// One of the two weights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// For reading.
    Regular,
    /// For finding.
    Bold,
}

/// Both weights, ready to measure with.
pub struct Letters {
    regular: Face<'static>,
    bold: Face<'static>,
}

/// What stands for a letter that the typeface does not have.
const UNKNOWN: char = '?';

impl Letters {
    /// The faces that are built into the program.
    pub fn built_in() -> Result<Self, ReportError> {
        let face = |name, bytes| Face::parse(bytes, 0).map_err(|_| ReportError::Typeface(name));
        Ok(Self { regular: face("B612 Regular", REGULAR)?, bold: face("B612 Bold", BOLD)? })
    }

    fn face(&self, weight: Weight) -> &Face<'static> {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// `words` on one line, as far as the typeface can show them.
    pub fn showable(&self, words: &str) -> String {
        let known = |c: char| if self.regular.glyph_index(c).is_some() { c } else { UNKNOWN };
        words.split_whitespace().collect::<Vec<_>>().join(" ").chars().map(known).collect()
    }

    /// True when a letter of `words` is missing from the typeface.
    pub fn lacks_some(&self, words: &str) -> bool {
        words.chars().any(|c| !c.is_whitespace() && self.regular.glyph_index(c).is_none())
    }

    /// Width of `words` at `size`, in the unit of `size`.
    pub fn width(&self, words: &str, size: f32, weight: Weight) -> f32 {
        let face = self.face(weight);
        let advance = |c| face.glyph_hor_advance(face.glyph_index(c)?);
        let units: u32 = words.chars().filter_map(advance).map(u32::from).sum();
        units as f32 * size / f32::from(face.units_per_em())
    }

    /// `words` broken into lines no wider than `width`; a word that is wider alone is broken inside.
    pub fn wrap(&self, words: &str, size: f32, weight: Weight, width: f32) -> Vec<String> {
        let fits = |line: &str| self.width(line, size, weight) <= width;
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in self.showable(words).split(' ') {
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if fits(&longer) {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for letter in word.chars() {
                line.push(letter);
                if line.chars().count() > 1 && !fits(&line) {
                    line.pop();
                    lines.push(std::mem::replace(&mut line, letter.to_string()));
                }
            }
        }
        lines.push(line);
        lines
    }
}
