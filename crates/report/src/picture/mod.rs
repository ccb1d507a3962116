//! Pictures of curves as SVG, drawn by hand: log-frequency ticks a tuner expects, ribbons, dashes, hatching, and names
//! at the ends of the curves.

mod axes;
mod curves;
mod names;

use dsp::curve::Curve;
use dsp::target::Target;
use dsp::tune::LeftAlone;
use garage::Finding;
use garage::finding::Sum;
use garage::proof::ProofSide;

use crate::ink::{self, Ink};
use axes::Axes;

/// How a curve is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// What was measured last.
    Solid,
    /// What was there before.
    Dashed,
    /// What is predicted.
    Dotted,
}

/// One curve of a picture.
#[derive(Debug, Clone)]
pub struct Line<'a> {
    /// Stands at its right end.
    pub name: &'a str,
    /// Levels; the ribbon is its `spread_db`.
    pub curve: &'a Curve,
    /// Colour of curve, ribbon and name.
    pub ink: Ink,
    /// How it is drawn.
    pub stroke: Stroke,
}

/// A picture of curves.
#[derive(Debug, Clone)]
pub struct Board<'a> {
    /// Above the picture; may be empty.
    pub title: &'a str,
    /// Painted in this order.
    pub lines: Vec<Line<'a>>,
    /// The target; the corridor is its tolerance either way.
    pub corridor: Option<&'a Target>,
    /// Where the figures hold; curves and corridor are drawn there.
    pub band_hz: (f64, f64),
    /// Hatched, each marked with its [`letter`].
    pub left_alone: &'a [LeftAlone],
    /// The level axis is at least this tall, so that a flat curve looks flat.
    pub least_span_db: f64,
    /// Says SIMULATED in the picture.
    pub simulated: bool,
    /// Width and height.
    pub size: (f64, f64),
}

/// Size of a picture that stands alone.
pub const ALONE: (f64, f64) = (720.0, 300.0);

/// One side before, as predicted, and after, against the corridor.
pub fn proof_svg(side: &ProofSide, target: &Target, simulated: bool) -> String {
    curves_svg(&proof_board(side, target, simulated))
}

pub(crate) fn proof_board<'a>(side: &'a ProofSide, target: &'a Target, simulated: bool) -> Board<'a> {
    let mut lines =
        vec![Line { name: "before", curve: &side.before, ink: ink::BEFORE, stroke: Stroke::Dashed }];
    if let Some(curve) = &side.predicted {
        lines.push(Line { name: "predicted", curve, ink: ink::AFTER, stroke: Stroke::Dotted });
    }
    if let Some(curve) = &side.after {
        lines.push(Line { name: "after", curve, ink: ink::AFTER, stroke: Stroke::Solid });
    }
    Board {
        title: &side.name,
        lines,
        corridor: Some(target),
        band_hz: side.band_hz,
        left_alone: &side.left_alone,
        least_span_db: axes::LEAST_SPAN_DB,
        simulated,
        size: ALONE,
    }
}

/// The factory's first full-range signal as it came and undone; none when there is none.
pub fn finding_svg(finding: &Finding) -> Option<String> {
    finding.sums.first().map(|sum| curves_svg(&sum_board(sum, finding.simulated)))
}

/// A line's curves stray by less than those of a cabin.
const LINE_SPAN_DB: f64 = 15.0;

pub(crate) fn sum_board(sum: &Sum, simulated: bool) -> Board<'_> {
    let mut lines =
        vec![Line { name: "as it came", curve: &sum.before, ink: ink::BEFORE, stroke: Stroke::Dashed }];
    if let Some(curve) = &sum.predicted {
        lines.push(Line { name: "expected", curve, ink: ink::AFTER, stroke: Stroke::Dotted });
    }
    if let Some(curve) = &sum.measured {
        lines.push(Line { name: "undone", curve, ink: ink::AFTER, stroke: Stroke::Solid });
    }
    Board {
        title: &sum.name,
        lines,
        corridor: None,
        band_hz: sum.flatness.map_or((axes::LOW_HZ, axes::HIGH_HZ), |it| (it.from_hz, it.to_hz)),
        left_alone: &[],
        least_span_db: LINE_SPAN_DB,
        simulated,
        size: ALONE,
    }
}

/// The mark of the `index`th region left alone: a … z, then aa and so on.
pub fn letter(index: usize) -> String {
    let last = char::from(b'a' + (index % 26) as u8);
    match index / 26 {
        0 => last.to_string(),
        rest => format!("{}{last}", letter(rest - 1)),
    }
}

/// The picture as an SVG document.
pub fn curves_svg(board: &Board<'_>) -> String {
    let axes = Axes::around(board);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" \
         font-family=\"B612, sans-serif\" font-size=\"9\">\n<rect width=\"{w}\" height=\"{h}\" fill=\"#FFFFFF\"/>\n",
        w = board.size.0,
        h = board.size.1
    );
    axes.draw(&mut svg);
    curves::corridor(board, &axes, &mut svg);
    curves::left_alone(board, &axes, &mut svg);
    board.lines.iter().for_each(|line| curves::ribbon(line, board.band_hz, &axes, &mut svg));
    board.lines.iter().for_each(|line| curves::line(line, board.band_hz, &axes, &mut svg));
    names::at_the_ends(board, &axes, &mut svg);
    names::title(board, &axes, &mut svg);
    svg.push_str("</svg>\n");
    svg
}

/// Text in a picture; `anchor` is start, middle or end.
fn text(svg: &mut String, (x, y): (f64, f64), anchor: &str, ink: Ink, bold: bool, words: &str) {
    let weight = if bold { " font-weight=\"bold\"" } else { "" };
    let words = words.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    let words: String = words.chars().filter(|c| !c.is_control()).collect();
    svg.push_str(&format!(
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" fill=\"{}\"{weight}>{words}</text>\n",
        ink.hex()
    ));
}

/// A straight line.
fn stroke(svg: &mut String, from: (f64, f64), to: (f64, f64), ink: Ink, width: f64) {
    svg.push_str(&format!(
        "<path d=\"M{:.2} {:.2}L{:.2} {:.2}\" stroke=\"{}\" stroke-width=\"{width}\"/>\n",
        from.0,
        from.1,
        to.0,
        to.1,
        ink.hex()
    ));
}
