//! Up to which volume the signal is clean, as a sentence and a small chart for each tone.

use eframe::egui::{
    Align2, Label, Pos2, Rect, Sense, Shape, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2, vec2,
};
use garage::finding::CleanVolume;

use crate::board::frequency_words;
use crate::theme::{Size, bold, plain, tokens};
use crate::widgets::hint;

const HEIGHT: f32 = 132.0;
/// The chart's ends, in per cent.
const LEAST: f64 = 0.01;
const MOST: f64 = 30.0;

pub fn show(ui: &mut Ui, tones: &[CleanVolume]) {
    let t = tokens(ui);
    if let Some(words) = advice(tones) {
        ui.add(Label::new(bold(words, Size::Body, t.ink)).wrap());
    }
    for tone in tones {
        ui.add(Label::new(plain(sentence(tone), Size::Body, t.ink)).wrap());
    }
    chart(ui, tones);
    hint(ui, "Harmonics over the tone, in per cent, at each step of the volume control.");
}

/// The softest of the highest clean steps, where steps are numbers of one and the same control.
fn advice(tones: &[CleanVolume]) -> Option<String> {
    let limited = tones.iter().filter(|tone| tone.next.is_some() && !tone.output.is_empty());
    let steps =
        limited.map(|tone| tone.highest.as_ref()?.parse::<u32>().ok()).collect::<Option<Vec<u32>>>()?;
    let lowest = steps.into_iter().min()?;
    Some(format!("Set the volume no higher than {lowest}."))
}

fn sentence(tone: &CleanVolume) -> String {
    let hz = frequency_words(tone.frequency_hz);
    let percent = |label: Option<&String>| tone.step(label).map_or(0.0, |step| step.thd_percent);
    match (&tone.highest, &tone.next) {
        (Some(highest), Some(next)) => format!(
            "{hz}: clean up to step {highest} ({:.1} %), the next is {:.1} %.",
            percent(Some(highest)),
            percent(Some(next))
        ),
        (Some(highest), None) => format!("{hz}: clean at every step up to {highest}."),
        (None, _) => format!("{hz}: no step is clean."),
    }
}

fn chart(ui: &mut Ui, tones: &[CleanVolume]) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
    let spoken: Vec<String> = tones.iter().map(sentence).collect();
    let spoken = format!("Distortion by volume step: {}", spoken.join(" "));
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken.clone()));
    let t = tokens(ui);
    let plot = Rect::from_min_max(
        pos2(rect.left() + 36.0, rect.top() + 6.0),
        pos2(rect.right() - 44.0, rect.bottom() - 20.0),
    );
    let longest = tones.iter().map(|tone| tone.steps.len()).max().unwrap_or(0);
    let at = |step: usize, percent: f64| -> Pos2 {
        let across = step as f32 / longest.saturating_sub(1).max(1) as f32;
        let up = ((percent.clamp(LEAST, MOST) / LEAST).ln() / (MOST / LEAST).ln()) as f32;
        pos2(plot.left() + plot.width() * across, plot.bottom() - plot.height() * up)
    };
    let painter = ui.painter();
    painter.rect(plot, 0, t.paper, Stroke::new(1.0, t.line), StrokeKind::Outside);
    for (percent, word) in [(0.1, "0.1"), (1.0, "1 %"), (10.0, "10")] {
        let y = at(0, percent).y;
        painter.hline(plot.x_range(), y, Stroke::new(1.0, t.line));
        painter.text(pos2(plot.left() - 5.0, y), Align2::RIGHT_CENTER, word, Size::Small.regular(), t.quiet);
    }
    if let Some(limit) = tones.first().map(|tone| tone.limit_percent) {
        painter.hline(plot.x_range(), at(0, limit).y, Stroke::new(1.6, t.warn));
    }
    if let Some(tone) = tones.iter().find(|tone| tone.steps.len() == longest) {
        let every = (longest / 5).max(1);
        for (place, step) in tone.steps.iter().enumerate().step_by(every) {
            let below = pos2(at(place, LEAST).x, plot.bottom() + 3.0);
            painter.text(below, Align2::CENTER_TOP, &step.volume, Size::Small.regular(), t.quiet);
        }
    }
    let mut lowest_free = f32::NEG_INFINITY;
    let mut ends: Vec<(Pos2, String)> = Vec::new();
    for (index, tone) in tones.iter().enumerate() {
        let points: Vec<Pos2> =
            tone.steps.iter().enumerate().map(|(place, step)| at(place, step.thd_percent)).collect();
        ends.extend(points.last().map(|end| (*end, frequency_words(tone.frequency_hz))));
        let stroke = Stroke::new(1.8, t.before);
        if index % 2 == 0 {
            painter.add(Shape::line(points, stroke));
        } else {
            painter.extend(Shape::dashed_line(&points, stroke, 7.0, 4.0));
        }
    }
    ends.sort_by(|a, b| a.0.y.total_cmp(&b.0.y));
    for (end, words) in ends {
        let y = end.y.max(lowest_free);
        lowest_free = y + 15.0;
        painter.text(pos2(plot.right() + 5.0, y), Align2::LEFT_CENTER, words, Size::Small.regular(), t.ink);
    }
}
