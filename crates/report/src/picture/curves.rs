//! Corridor, regions left alone, ribbons and curves.

use dsp::curve::{Curve, log_grid_hz};

use super::axes::{Axes, HIGH_HZ, LOW_HZ};
use super::{Board, Line, Stroke, letter, text};
use crate::ink;

/// Enough for the eye at the width of a page.
const POINTS_PER_OCTAVE: f64 = 24.0;
const HATCH_EVERY: f64 = 5.0;
/// Two marks closer than this would run into each other.
const MARKS_APART: f64 = 9.0;

fn path(points: &[(f64, f64)]) -> String {
    let mut d = String::new();
    for (i, (x, y)) in points.iter().enumerate() {
        d.push_str(&format!("{}{x:.2} {y:.2}", if i == 0 { 'M' } else { 'L' }));
    }
    d
}

/// The closed outline between two lines over the same places.
fn between(upper: &[(f64, f64)], lower: &[(f64, f64)]) -> String {
    let around: Vec<(f64, f64)> = upper.iter().chain(lower.iter().rev()).copied().collect();
    path(&around) + "Z"
}

/// The part of a curve that the picture shows, as index, frequency, level: nothing beyond the band that was judged,
/// where a division by next to nothing may say anything.
pub fn shown(curve: &Curve, band_hz: (f64, f64)) -> impl DoubleEndedIterator<Item = (usize, f64, f64)> + '_ {
    let band = band_hz.0.max(LOW_HZ)..=band_hz.1.min(HIGH_HZ);
    let levels = curve.frequency_hz.iter().copied().enumerate();
    levels
        .filter_map(|(i, hz)| Some((i, hz, *curve.level_db.get(i)?)))
        .filter(move |(_, hz, level)| band.contains(hz) && level.is_finite())
}

pub fn corridor(board: &Board<'_>, axes: &Axes, svg: &mut String) {
    let Some(target) = board.corridor else { return };
    let (from, to) = (board.band_hz.0.max(LOW_HZ), board.band_hz.1.min(HIGH_HZ));
    if from >= to {
        return;
    }
    let edge = |offset_db: f64| -> Vec<(f64, f64)> {
        let places = log_grid_hz(from, to, POINTS_PER_OCTAVE).into_iter();
        places.map(|hz| (axes.x(hz), axes.y(target.level_at_db(hz) + offset_db))).collect()
    };
    let (upper, lower) = (edge(target.tolerance_db), edge(-target.tolerance_db));
    let ink = ink::CORRIDOR.hex();
    svg.push_str(&format!(
        "<path d=\"{}\" fill=\"{ink}\" fill-opacity=\"0.14\"/>\n<path d=\"{}{}\" fill=\"none\" stroke=\"{ink}\" \
         stroke-width=\"0.6\"/>\n",
        between(&upper, &lower),
        path(&upper),
        path(&lower)
    ));
}

pub fn left_alone(board: &Board<'_>, axes: &Axes, svg: &mut String) {
    let mut last_mark = f64::NEG_INFINITY;
    for (i, region) in board.left_alone.iter().enumerate() {
        let (from, to) = (axes.x(region.from_hz), axes.x(region.to_hz));
        if from < to {
            svg.push_str(&format!(
                "<path d=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"0.5\" stroke-opacity=\"0.45\"/>\n",
                hatch(from, to, axes),
                ink::QUIET.hex()
            ));
        }
        let middle = (from + to) / 2.0;
        if (middle - last_mark).abs() >= MARKS_APART {
            text(svg, (middle, axes.bottom - 4.0), "middle", ink::QUIET, true, &letter(i));
            last_mark = middle;
        }
    }
}

/// Strokes at 45°, cut to the column.
fn hatch(from: f64, to: f64, axes: &Axes) -> String {
    let mut d = String::new();
    // A stroke is the set of places with x + y = sum; whole steps, so that neighbouring columns line up.
    let mut sum = ((from + axes.top) / HATCH_EVERY).ceil() * HATCH_EVERY;
    while sum < to + axes.bottom {
        let (start, end) = (from.max(sum - axes.bottom), to.min(sum - axes.top));
        if start < end {
            d.push_str(&format!("M{start:.2} {:.2}L{end:.2} {:.2}", sum - start, sum - end));
        }
        sum += HATCH_EVERY;
    }
    d
}

pub fn ribbon(line: &Line<'_>, band_hz: (f64, f64), axes: &Axes, svg: &mut String) {
    let Some(spread) = &line.curve.spread_db else { return };
    // The dotted prediction has the colour of the after; its ribbon would be taken for that one's.
    if line.stroke == Stroke::Dotted {
        return;
    }
    let edge = |sign: f64| -> Vec<(f64, f64)> {
        shown(line.curve, band_hz)
            .filter_map(|(i, hz, level)| Some((axes.x(hz), axes.y(level + sign * spread.get(i)?))))
            .collect()
    };
    svg.push_str(&format!(
        "<path d=\"{}\" fill=\"{}\" fill-opacity=\"0.18\"/>\n",
        between(&edge(1.0), &edge(-1.0)),
        line.ink.hex()
    ));
}

pub fn line(line: &Line<'_>, band_hz: (f64, f64), axes: &Axes, svg: &mut String) {
    let points: Vec<(f64, f64)> =
        shown(line.curve, band_hz).map(|(_, hz, level)| (axes.x(hz), axes.y(level))).collect();
    if points.is_empty() {
        return;
    }
    let dashes = match line.stroke {
        Stroke::Solid => "stroke-width=\"1.5\"",
        Stroke::Dashed => "stroke-width=\"1.3\" stroke-dasharray=\"6 3\"",
        Stroke::Dotted => "stroke-width=\"1.3\" stroke-dasharray=\"0.1 2.8\" stroke-linecap=\"round\"",
    };
    svg.push_str(&format!(
        "<path d=\"{}\" fill=\"none\" stroke=\"{}\" {dashes} stroke-linejoin=\"round\"/>\n",
        path(&points),
        line.ink.hex()
    ));
}
