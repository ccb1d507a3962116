//! The colours. No other file makes one.

use eframe::egui::Color32;

/// One theme's colours, named by use. Every ink has at least 4.5 : 1 on paper and on card (a test measures it).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tokens {
    /// The ground.
    pub paper: Color32,
    /// Cards and menus.
    pub card: Color32,
    /// Text and axes.
    pub ink: Color32,
    /// Units, hints.
    pub quiet: Color32,
    /// Hairlines and grid.
    pub line: Color32,
    /// What was there before; dashed.
    pub before: Color32,
    /// What we did; solid measured, dotted predicted.
    pub after: Color32,
    /// The target's corridor.
    pub corridor: Color32,
    /// Doubts; always with a word.
    pub warn: Color32,
    /// Stop and retake; always with a word.
    pub stop: Color32,
    /// Keyboard focus and selection.
    pub focus: Color32,
}

const LIGHT: Tokens = Tokens {
    paper: Color32::from_rgb(0xF7, 0xF4, 0xED),
    card: Color32::from_rgb(0xFF, 0xFD, 0xF8),
    ink: Color32::from_rgb(0x1E, 0x23, 0x27),
    quiet: Color32::from_rgb(0x5A, 0x61, 0x68),
    line: Color32::from_rgb(0xD9, 0xD3, 0xC7),
    before: Color32::from_rgb(0x0B, 0x6A, 0xA8),
    after: Color32::from_rgb(0xB8, 0x4A, 0x00),
    corridor: Color32::from_rgb(0x0F, 0x7F, 0x5F),
    warn: Color32::from_rgb(0x8A, 0x5A, 0x00),
    stop: Color32::from_rgb(0xB3, 0x26, 0x1E),
    focus: Color32::from_rgb(0x5B, 0x3F, 0xBF),
};

const DARK: Tokens = Tokens {
    paper: Color32::from_rgb(0x12, 0x16, 0x19),
    card: Color32::from_rgb(0x1A, 0x20, 0x24),
    ink: Color32::from_rgb(0xEC, 0xE8, 0xDF),
    quiet: Color32::from_rgb(0xA3, 0xAB, 0xB2),
    line: Color32::from_rgb(0x33, 0x3B, 0x41),
    before: Color32::from_rgb(0x63, 0xB4, 0xF0),
    after: Color32::from_rgb(0xFF, 0x96, 0x57),
    corridor: Color32::from_rgb(0x4C, 0xC7, 0x9C),
    warn: Color32::from_rgb(0xE8, 0xB3, 0x3A),
    stop: Color32::from_rgb(0xFF, 0x6B, 0x61),
    focus: Color32::from_rgb(0xB6, 0xA2, 0xFF),
};

impl Tokens {
    /// The light or the dark set.
    pub fn of(dark: bool) -> &'static Self {
        if dark { &DARK } else { &LIGHT }
    }

    /// `ink` thinned for ribbons: 18 % of the curve's ink.
    pub fn ribbon(ink: Color32) -> Color32 {
        ink.gamma_multiply(0.18)
    }

    /// `ink` thinned for fills of areas: 14 %.
    pub fn wash(ink: Color32) -> Color32 {
        ink.gamma_multiply(0.14)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.2, "relative luminance" and "contrast ratio".
    fn contrast(a: Color32, b: Color32) -> f64 {
        let linear = |byte: u8| {
            let c = f64::from(byte) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        let luminance = |c: Color32| 0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b());
        let (la, lb) = (luminance(a), luminance(b));
        (la.max(lb) + 0.05) / (la.min(lb) + 0.05)
    }

    #[test]
    fn every_ink_can_be_read_on_paper_and_on_a_card() {
        // 4.5 : 1 is WCAG 2.2 level AA for text of normal size.
        for dark in [false, true] {
            let t = Tokens::of(dark);
            for (name, ink) in [
                ("ink", t.ink),
                ("quiet", t.quiet),
                ("before", t.before),
                ("after", t.after),
                ("corridor", t.corridor),
                ("warn", t.warn),
                ("stop", t.stop),
                ("focus", t.focus),
            ] {
                for (ground, colour) in [("paper", t.paper), ("card", t.card)] {
                    let found = contrast(ink, colour);
                    assert!(found >= 4.5, "{name} on {ground}, dark {dark}: {found:.2}");
                }
            }
        }
    }
}
