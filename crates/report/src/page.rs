//! A page as a list of simple marks, so that layout can be tested without a document library.

use crate::ink::Ink;
use crate::letters::Weight;

/// A4, in points.
pub const WIDTH: f32 = 595.28;
/// A4, in points.
pub const HEIGHT: f32 = 841.89;
/// Left and right.
pub const MARGIN: f32 = 48.0;
/// Between the margins.
pub const TEXT_WIDTH: f32 = WIDTH - 2.0 * MARGIN;
/// Where the text begins, under the running head.
pub const TOP: f32 = 78.0;
/// Where the text ends, above the running foot.
pub const BOTTOM: f32 = HEIGHT - 52.0;

/// A rectangle in points from the upper left corner of the page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left edge.
    pub x: f32,
    /// Upper edge.
    pub y: f32,
    /// Width.
    pub w: f32,
    /// Height.
    pub h: f32,
}

/// Something painted.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// One line of text; `y` is its baseline.
    Words {
        /// Left end.
        x: f32,
        /// Baseline.
        y: f32,
        /// Letter size.
        size: f32,
        /// Weight.
        weight: Weight,
        /// Colour.
        ink: Ink,
        /// What it says.
        words: String,
    },
    /// A filled rectangle; hairlines are thin ones.
    Fill(Area, Ink),
    /// A picture as SVG.
    Picture(Area, String),
}

/// One page.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Page {
    /// In painting order.
    pub marks: Vec<Mark>,
}
