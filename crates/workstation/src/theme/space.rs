//! Distances and type sizes.

use eframe::egui::{FontFamily, FontId};

/// The grid that distances are multiples of.
pub const GRID: f32 = 4.0;
/// Inside a card.
pub const CARD_INSET: f32 = 12.0;
/// Between cards.
pub const CARD_GAP: f32 = 16.0;
/// At the window's edge.
pub const EDGE: f32 = 24.0;
/// Corner radius.
pub const CORNER: u8 = 6;
/// Least height of anything that is pressed.
pub const LEAST_TARGET: f32 = 36.0;

/// The five type sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Size {
    /// Axis ticks, units, hints.
    Small,
    /// Running text, buttons, figures in lists.
    Body,
    /// Titles of cards, the next step.
    Title,
    /// Titles of screens.
    Large,
    /// The one figure.
    Figure,
}

impl Size {
    /// In points.
    pub fn points(self) -> f32 {
        match self {
            Self::Small => 13.0,
            Self::Body => 15.0,
            Self::Title => 18.0,
            Self::Large => 24.0,
            Self::Figure => 40.0,
        }
    }

    /// This size in the regular weight.
    pub fn regular(self) -> FontId {
        FontId::new(self.points(), FontFamily::Proportional)
    }

    /// This size in the bold weight.
    pub fn bold(self) -> FontId {
        FontId::new(self.points(), FontFamily::Name(super::install::BOLD.into()))
    }
}
