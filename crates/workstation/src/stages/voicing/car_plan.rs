//! The car from above with its speakers, delay and level beside each.

use eframe::egui::{
    Align2, Pos2, Rect, Sense, Stroke, StrokeKind, Ui, WidgetInfo, accesskit::Role as Spoken, pos2, vec2,
};
use garage::channels::Place;
use garage::{Channel, Role, Side};

use crate::board::signed;
use crate::commands::{Command, VoicingCommand};
use crate::state::State;
use crate::theme::{Size, Tokens, tokens};

/// Draws the car; pressing a speaker lists its settings.
pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 330.0), Sense::hover());
    let body = Rect::from_center_size(rect.center(), vec2(132.0, 316.0));
    outline(ui, body, t);
    let mut taken: Vec<Pos2> = Vec::new();
    for channel in &state.draft.sheet.channels.channels {
        let mut at = place(body, channel);
        while taken.iter().any(|other| other.distance(at) < 38.0) {
            at.y += 38.0;
        }
        taken.push(at);
        speaker(ui, rect, at, channel, state, t, out);
    }
}

fn outline(ui: &Ui, body: Rect, t: &Tokens) {
    let hair = Stroke::new(1.0, t.line);
    let painter = ui.painter();
    painter.rect(body, 44, t.paper, hair, StrokeKind::Inside);
    let screen = body.top() + body.height() * 0.26;
    painter.line_segment([pos2(body.left() + 12.0, screen), pos2(body.right() - 12.0, screen)], hair);
    let rear = body.top() + body.height() * 0.80;
    painter.line_segment([pos2(body.left() + 14.0, rear), pos2(body.right() - 14.0, rear)], hair);
    for (x, y) in [(0.29, 0.45), (0.71, 0.45), (0.29, 0.67), (0.71, 0.67)] {
        let seat = Rect::from_center_size(body.min + body.size() * vec2(x, y), vec2(36.0, 42.0));
        painter.rect_stroke(seat, 8, hair, StrokeKind::Inside);
    }
    painter.text(
        pos2(body.center().x, body.top() + 10.0),
        Align2::CENTER_TOP,
        "front",
        Size::Small.regular(),
        t.quiet,
    );
}

fn place(body: Rect, channel: &Channel) -> Pos2 {
    let x = match channel.side {
        Side::Left => 0.09,
        Side::Right => 0.91,
        Side::Both => 0.5,
    };
    let y = match (channel.place, channel.role) {
        (Place::Front, Role::Tweeter) => 0.20,
        (Place::Front, Role::Midrange) => 0.32,
        (Place::Front, Role::Subwoofer) => 0.30,
        (Place::Front, _) => 0.44,
        (Place::Seat, _) => 0.50,
        (Place::Rear, Role::Tweeter) => 0.58,
        (Place::Rear, _) => 0.66,
        (Place::Boot, _) => 0.90,
    };
    body.min + body.size() * vec2(x, y)
}

fn speaker(
    ui: &mut Ui,
    rect: Rect,
    at: Pos2,
    channel: &Channel,
    state: &State,
    t: &Tokens,
    out: &mut Vec<Command>,
) {
    let settings =
        state.draft.tune.as_ref().and_then(|tune| tune.channels.iter().find(|c| c.name == channel.name));
    let in_words = |inverted: &str| {
        settings.map_or_else(Vec::new, |s| {
            let polarity = if s.polarity == dsp::tune::Polarity::Inverted { inverted } else { "" };
            vec![format!("{} ms", signed(s.delay_ms, 2)), format!("{} dB{polarity}", signed(s.gain_db, 1))]
        })
    };
    // The desk's sign for a polarity turned over, where there is no room for the word.
    let words = in_words(" ø");
    let chosen = state.voicing.channel.as_ref() == Some(&channel.name);
    let response = ui.interact(
        Rect::from_center_size(at, vec2(40.0, 36.0)),
        ui.scope_id().with(&channel.name),
        Sense::click(),
    );
    let spoken = format!(
        "Settings of {}: {}",
        channel.name,
        if words.is_empty() { "none yet".into() } else { in_words(", inverted").join(", ") }
    );
    response.widget_info(|| WidgetInfo::selected(Spoken::RadioButton, true, chosen, &spoken));
    let radius = match channel.role {
        Role::Tweeter => 6.0,
        Role::Midrange => 8.0,
        Role::Woofer | Role::FullRange => 10.0,
        Role::Subwoofer => 14.0,
    };
    let ink = if chosen { t.focus } else { t.ink };
    let painter = ui.painter();
    painter.circle(at, radius, t.card, Stroke::new(if chosen { 2.5 } else { 1.5 }, ink));
    painter.circle_stroke(at, radius * 0.45, Stroke::new(1.0, ink));
    if response.has_focus() {
        painter.circle_stroke(at, radius + 5.0, Stroke::new(2.0, t.focus));
    }
    let (x, align) = match channel.side {
        Side::Left => (rect.left() + (rect.width() - 132.0) / 2.0 - 10.0, Align2::RIGHT_CENTER),
        Side::Right => (rect.right() - (rect.width() - 132.0) / 2.0 + 10.0, Align2::LEFT_CENTER),
        Side::Both => (at.x + radius + 6.0, Align2::LEFT_CENTER),
    };
    for (row, word) in words.iter().enumerate() {
        let y = at.y + if words.len() > 1 { (row as f32 - 0.5) * 16.0 } else { 0.0 };
        painter.text(pos2(x, y), align, word, Size::Small.regular(), if row == 0 { t.ink } else { t.quiet });
    }
    if response.clicked() {
        out.push(Command::Voicing(VoicingCommand::Channel(channel.name.clone())));
    }
    response.on_hover_text(spoken);
}
