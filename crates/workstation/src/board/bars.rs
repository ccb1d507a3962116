//! Noise by third-octave against the level needed.

use eframe::egui::{Align2, Rect, Sense, Stroke, StrokeKind, Ui, Vec2, WidgetInfo, accesskit::Role, pos2};

use super::axis::{frequency_words, level_ticks, short_frequency, signed};
use crate::theme::{Size, tokens};

/// One third-octave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// Nominal frequency of the band.
    pub band_hz: f64,
    /// What was found.
    pub level_db: f64,
    /// The most that measuring allows here.
    pub allowed_db: f64,
}

/// The noise check as bars.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Bars {
    /// Ascending in frequency.
    pub bars: Vec<Bar>,
    /// Unit of the levels.
    pub unit: &'static str,
}

impl Bars {
    /// The bars in words.
    pub fn spoken(&self) -> String {
        let over: Vec<String> = self
            .bars
            .iter()
            .filter(|b| b.level_db > b.allowed_db)
            .map(|b| format!("{} by {:.0} dB", frequency_words(b.band_hz), b.level_db - b.allowed_db))
            .collect();
        match (self.bars.is_empty(), over.is_empty()) {
            (true, _) => "Bay noise: not checked yet".to_owned(),
            (false, true) => "Bay noise: every third-octave is low enough".to_owned(),
            (false, false) => format!("Bay noise: too loud at {}", over.join(", ")),
        }
    }
}

/// Draws the bars; a short line on each marks the level allowed.
pub fn show(ui: &mut Ui, bars: &Bars, size: Vec2) {
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, bars.spoken()));
    let t = tokens(ui);
    let plot = Rect::from_min_max(
        pos2(rect.left() + 40.0, rect.top() + 8.0),
        pos2(rect.right() - 44.0, rect.bottom() - 24.0),
    );
    let levels = bars.bars.iter().flat_map(|b| [b.level_db, b.allowed_db]).filter(|l| l.is_finite());
    let (low, high) = levels.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), l| (a.min(l), b.max(l)));
    if !low.is_finite() || !plot.is_positive() {
        return;
    }
    let (bottom, top) = ((low / 10.0).floor() * 10.0 - 10.0, (high / 10.0).ceil() * 10.0);
    let y =
        |db: f64| plot.bottom() - plot.height() * (((db - bottom) / (top - bottom)) as f32).clamp(0.0, 1.0);
    let painter = ui.painter();
    painter.rect_filled(plot, 0, t.card);
    for db in level_ticks(bottom, top, plot.height()).labelled {
        painter.hline(plot.x_range(), painter.round_to_pixel_center(y(db)), Stroke::new(1.0, t.line));
        painter.text(
            pos2(plot.left() - 6.0, y(db)),
            Align2::RIGHT_CENTER,
            signed(db, 0),
            Size::Small.regular(),
            t.quiet,
        );
    }
    painter.text(
        pos2(plot.right() + 6.0, plot.top()),
        Align2::LEFT_TOP,
        bars.unit,
        Size::Small.regular(),
        t.quiet,
    );
    let pitch = plot.width() / bars.bars.len() as f32;
    let mut free_from = f32::NEG_INFINITY;
    for (i, bar) in bars.bars.iter().enumerate() {
        let left = plot.left() + pitch * i as f32;
        let over = bar.level_db > bar.allowed_db;
        let ink = if over { t.stop } else { t.quiet };
        let body = Rect::from_min_max(
            pos2(left + pitch * 0.18, y(bar.level_db)),
            pos2(left + pitch * 0.82, plot.bottom()),
        );
        painter.rect_filled(body, 1, ink.gamma_multiply(if over { 0.75 } else { 0.45 }));
        painter.hline(left + 1.0..=left + pitch - 1.0, y(bar.allowed_db), Stroke::new(2.0, t.ink));
        let label = short_frequency(bar.band_hz);
        if matches!(label.as_str(), "31.5" | "63" | "125" | "250" | "500" | "1k" | "2k" | "4k" | "8k" | "16k")
        {
            let galley = painter.layout_no_wrap(label, Size::Small.regular(), t.quiet);
            let x = left + pitch / 2.0 - galley.size().x / 2.0;
            if x > free_from {
                free_from = x + galley.size().x + 6.0;
                painter.galley(pos2(x, plot.bottom() + 4.0), galley, t.quiet);
            }
        }
    }
    painter.rect_stroke(plot, 0, Stroke::new(1.0, t.line), StrokeKind::Outside);
    if let Some(at) = response.hover_pos().filter(|p| plot.contains(*p))
        && let Some(bar) = bars.bars.get(((at.x - plot.left()) / pitch) as usize)
    {
        let words = format!(
            "{}: {} {}, allowed {}",
            frequency_words(bar.band_hz),
            signed(bar.level_db, 1),
            bars.unit,
            signed(bar.allowed_db, 1)
        );
        response.on_hover_text_at_pointer(words);
    }
}
