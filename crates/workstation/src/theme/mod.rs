//! How everything looks: the one place for colours, type and space.

mod colours;
mod install;
mod space;

pub use colours::Tokens;
pub use install::install;
pub use space::{CARD_GAP, CARD_INSET, CORNER, EDGE, GRID, LEAST_TARGET, Size};

use eframe::egui::{Color32, RichText, Ui};

/// The colours in force in `ui`.
pub fn tokens(ui: &Ui) -> &'static Tokens {
    Tokens::of(ui.visuals().dark_mode)
}

/// Words in the regular weight.
pub fn plain(words: impl Into<String>, size: Size, ink: Color32) -> RichText {
    RichText::new(words).font(size.regular()).color(ink)
}

/// Words in the bold weight.
pub fn bold(words: impl Into<String>, size: Size, ink: Color32) -> RichText {
    RichText::new(words).font(size.bold()).color(ink)
}
