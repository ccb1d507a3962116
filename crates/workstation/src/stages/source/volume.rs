//! How the shape changes with the volume step, as a small chart.

use eframe::egui::{
    Align2, Pos2, Rect, Sense, Shape, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use garage::finding::VolumeShape;

use crate::board::signed;
use crate::theme::{Size, tokens};

const HEIGHT: f32 = 168.0;

pub fn show(ui: &mut Ui, steps: &[VolumeShape]) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken(steps)));
    let t = tokens(ui);
    let plot = Rect::from_min_max(
        pos2(rect.left() + 32.0, rect.top() + 6.0),
        pos2(rect.right() - 4.0, rect.bottom() - 20.0),
    );
    let levels =
        steps.iter().flat_map(|step| step.response.iter().map(|[_, db]| *db)).filter(|db| db.is_finite());
    let (low, high) = levels.fold((0.0_f64, 0.0_f64), |(a, b), db| (a.min(db), b.max(db)));
    let (bottom, top) = ((low / 3.0).floor() * 3.0 - 3.0, (high / 3.0).ceil() * 3.0 + 3.0);
    let at = |hz: f64, db: f64| -> Pos2 {
        let across = ((hz / 20.0).ln() / 1000.0_f64.ln()) as f32;
        let down = ((top - db) / (top - bottom)) as f32;
        pos2(plot.left() + plot.width() * across, plot.top() + plot.height() * down)
    };
    let painter = ui.painter();
    painter.rect(plot, 0, t.paper, Stroke::new(1.0, t.line), StrokeKind::Outside);
    for (hz, word) in [(100.0, "100"), (1000.0, "1k"), (10_000.0, "10k")] {
        let x = at(hz, 0.0).x;
        painter.vline(x, plot.y_range(), Stroke::new(1.0, t.line));
        painter.text(pos2(x, plot.bottom() + 3.0), Align2::CENTER_TOP, word, Size::Small.regular(), t.quiet);
    }
    for db in [bottom + 3.0, 0.0, top - 3.0] {
        painter.hline(plot.x_range(), at(20.0, db).y, Stroke::new(1.0, t.line));
        let words = signed(db, 0);
        painter.text(
            pos2(plot.left() - 5.0, at(20.0, db).y),
            Align2::RIGHT_CENTER,
            words,
            Size::Small.regular(),
            t.quiet,
        );
    }
    let mut lowest_free = f32::NEG_INFINITY;
    for (index, step) in steps.iter().enumerate() {
        let points: Vec<Pos2> = step.response.iter().map(|[hz, db]| at(*hz, *db)).collect();
        let begin = points.first().copied();
        let inside = painter.with_clip_rect(plot);
        if index % 2 == 0 {
            inside.add(Shape::line(points, Stroke::new(1.8, t.before)));
        } else {
            inside.extend(Shape::dashed_line(&points, Stroke::new(1.8, t.before), 7.0, 4.0));
        }
        // In the bass, where the steps part.
        if let Some(begin) = begin {
            let y = (begin.y - 9.0).clamp(plot.top() + 8.0, plot.bottom() - 8.0).max(lowest_free);
            lowest_free = y + 15.0;
            let words = format!("step {}", step.volume);
            painter.text(pos2(begin.x + 6.0, y), Align2::LEFT_CENTER, words, Size::Small.regular(), t.ink);
        }
    }
}

/// The largest change of each step, in words.
fn spoken(steps: &[VolumeShape]) -> String {
    let most = |step: &VolumeShape| {
        let most = step.response.iter().max_by(|a, b| a[1].abs().total_cmp(&b[1].abs()));
        most.map_or_else(String::new, |[hz, db]| {
            format!(
                "step {}: {} dB at {}",
                step.volume,
                signed(*db, 1),
                crate::board::frequency_words(hz.round())
            )
        })
    };
    format!(
        "Shape by volume step, against the loudest: {}",
        steps.iter().map(most).collect::<Vec<_>>().join("; ")
    )
}
