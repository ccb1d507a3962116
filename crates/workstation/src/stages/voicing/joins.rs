//! How the bands add: for each crossover the sum over delay, with the second best and why it lost.

use eframe::egui::{
    Align2, Pos2, Rect, ScrollArea, Sense, Shape, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role, pos2,
    vec2,
};
use job::voicing::Joint;

use crate::board::{frequency_words, signed};
use crate::commands::{Command, VoicingCommand};
use crate::state::State;
use crate::theme::{CARD_GAP, GRID, Size, Tokens, tokens};
use crate::widgets::{Mark, action, card, hint, pair, remark};

const CARD: f32 = 520.0;
const PICTURE: (f32, f32) = (276.0, 132.0);

pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    if state.voicing.joints.is_empty() {
        hint(ui, "How the bands add is worked out with the whole set-up, from takes with a time reference.");
        let ready = !state.cabin.channels.is_empty() && !state.is_busy();
        action(ui, Command::Voicing(VoicingCommand::SetUpAgain), ready, out);
        return;
    }
    ui.horizontal_wrapped(|ui| {
        let ready = !state.cabin.channels.is_empty() && !state.is_busy() && state.draft.tune.is_some();
        action(ui, Command::Voicing(VoicingCommand::Join), ready, out);
        if state.voicing.joints_are_stale(state.draft.tune.as_ref()) {
            remark(
                ui,
                Mark::Doubt,
                "The tune was changed since: join again, and the pictures show what is set.",
            );
        }
    });
    ScrollArea::horizontal().id_salt("joints").auto_shrink([false, true]).show(ui, |ui| {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = CARD_GAP;
            for joint in state.voicing.joints.iter() {
                ui.allocate_ui(vec2(CARD, 0.0), |ui| ui.vertical(|ui| one(ui, joint)));
            }
        });
    });
    hint(
        ui,
        "Lost against two drivers that add perfectly, the mean over positions. Solid: the polarity that is set. Dashed: turned over.",
    );
}

fn one(ui: &mut Ui, joint: &Joint) {
    let title = format!(
        "{} to {}, {}",
        names(&joint.lower),
        names(&joint.upper),
        frequency_words(joint.frequency_hz)
    );
    card(ui, &title, |ui| {
        ui.horizontal_top(|ui| {
            picture(ui, joint, &title);
            ui.vertical(|ui| {
                ui.spacing_mut().item_spacing.y = GRID / 2.0;
                let turned = if joint.inverted { ", turned over" } else { "" };
                pair(ui, "set by", &format!("{} ms{turned}", signed(joint.delay_ms, 2)), "");
                pair(ui, "lost before", &signed(joint.lost_before_db, 1), "dB");
                pair(ui, "lost now", &signed(joint.lost_db, 1), "dB");
                pair(
                    ui,
                    &format!("at worst, {}", joint.worst_position),
                    &signed(joint.worst_lost_db, 1),
                    "dB",
                );
                hint(ui, &runner_up_words(joint));
            });
        });
    });
}

/// `front midranges` for a left and a right one, otherwise every name.
fn names(channels: &[String]) -> String {
    let without_side = |name: &String| {
        let words: Vec<&str> = name.split_whitespace().filter(|w| *w != "left" && *w != "right").collect();
        words.join(" ")
    };
    match channels {
        [one, other] if without_side(one) == without_side(other) && !without_side(one).is_empty() => {
            format!("{}s", without_side(one))
        }
        all => all.join(", "),
    }
}

/// `Next best: +1.20 ms, turned over, loses 0.9 dB; a cycle late.`
pub fn runner_up_words(joint: &Joint) -> String {
    joint.runner_up.as_ref().map_or("No other delay within reach comes near.".into(), |other| {
        let sign = if other.delay_ms > 0.0 { "+" } else { "" };
        format!(
            "Next best: {sign}{} ms{}, loses {} dB: {}.",
            signed(other.delay_ms, 2),
            if other.turned_over { ", turned over" } else { "" },
            signed(other.lost_db, 1),
            other.why
        )
    })
}

/// The sum over delay: as set solid, turned over dashed, what is set and the second best marked.
fn picture(ui: &mut Ui, joint: &Joint, title: &str) {
    let (rect, response) = ui.allocate_exact_size(PICTURE.into(), Sense::hover());
    let spoken =
        format!("Sum over delay, {title}: loses {:.1} dB as set. {}", joint.lost_db, runner_up_words(joint));
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &spoken));
    let t = tokens(ui);
    let plot = Rect::from_min_max(
        pos2(rect.left() + 36.0, rect.top() + 6.0),
        pos2(rect.right() - 8.0, rect.bottom() - 22.0),
    );
    let delays = &joint.picture.delay_ms;
    let (Some(first), Some(last)) = (delays.first(), delays.last()) else { return };
    if last <= first || !plot.is_positive() {
        return;
    }
    let x = |ms: f64| plot.left() + plot.width() * ((ms - first) / (last - first)) as f32;
    let floor_db = floor_of(joint);
    let y = |db: f64| plot.top() + plot.height() * (db.clamp(floor_db, 0.0) / floor_db) as f32;
    axes(ui, plot, t, (*first, *last), floor_db, &x, &y);
    let line = |levels: &[f64]| -> Vec<Pos2> {
        delays
            .iter()
            .zip(levels)
            .filter(|(_, db)| db.is_finite())
            .map(|(ms, db)| pos2(x(*ms), y(*db)))
            .collect()
    };
    let painter = ui.painter().with_clip_rect(plot.expand(1.0));
    painter.extend(Shape::dashed_line(
        &line(&joint.picture.turned_over_db),
        Stroke::new(1.6, t.quiet),
        7.0,
        4.0,
    ));
    painter.add(Shape::line(line(&joint.picture.as_set_db), Stroke::new(2.2, t.after)));
    let set = pos2(x(0.0), y(-joint.lost_db));
    painter.circle(set, 5.0, t.card, Stroke::new(2.0, t.after));
    if let Some(other) = joint.runner_up.as_ref().filter(|it| (*first..=*last).contains(&it.delay_ms)) {
        let at = pos2(x(other.delay_ms), y(-other.lost_db));
        painter.circle(at, 5.0, t.card, Stroke::new(2.0, t.quiet));
        let (right, low) = (at.x > plot.center().x, at.y > plot.center().y);
        let align = match (right, low) {
            (true, true) => Align2::RIGHT_BOTTOM,
            (true, false) => Align2::RIGHT_TOP,
            (false, true) => Align2::LEFT_BOTTOM,
            (false, false) => Align2::LEFT_TOP,
        };
        let off = vec2(if right { 6.0 } else { -6.0 }, if low { -8.0 } else { 8.0 });
        let words = painter.layout_no_wrap("next best".to_owned(), Size::Small.regular(), t.quiet);
        let beside = align.anchor_size(at + off, words.size());
        painter.rect_filled(beside.expand2(vec2(3.0, 0.0)), 2, t.paper);
        painter.galley(beside.min, words, t.quiet);
    }
}

/// Deep enough for both lines, and no deeper than 12 dB.
fn floor_of(joint: &Joint) -> f64 {
    let levels = joint.picture.as_set_db.iter().chain(&joint.picture.turned_over_db);
    let deepest = levels.filter(|db| db.is_finite()).fold(0.0_f64, |least, db| least.min(*db));
    [-3.0, -6.0].into_iter().find(|floor| deepest >= *floor).unwrap_or(-12.0)
}

fn axes(
    ui: &Ui,
    plot: Rect,
    t: &Tokens,
    reach_ms: (f64, f64),
    floor_db: f64,
    x: &impl Fn(f64) -> f32,
    y: &impl Fn(f64) -> f32,
) {
    let painter = ui.painter();
    painter.rect(plot, 0, t.paper, Stroke::new(1.0, t.line), StrokeKind::Outside);
    for db in [0.0, floor_db / 2.0, floor_db] {
        painter.hline(plot.x_range(), y(db), Stroke::new(1.0, t.line));
        painter.text(
            pos2(plot.left() - 6.0, y(db)),
            Align2::RIGHT_CENTER,
            signed(db, usize::from(db == -1.5)),
            Size::Small.regular(),
            t.quiet,
        );
    }
    painter.vline(x(0.0), plot.y_range(), Stroke::new(1.0, t.quiet));
    let ends = [(reach_ms.0, Align2::LEFT_TOP), (0.0, Align2::CENTER_TOP), (reach_ms.1, Align2::RIGHT_TOP)];
    for (ms, align) in ends {
        let words = if ms == 0.0 { "as set".to_owned() } else { format!("{} ms", signed(ms, 1)) };
        painter.text(pos2(x(ms), plot.bottom() + 3.0), align, words, Size::Small.regular(), t.quiet);
    }
}
