//! The curve board: every curve on every screen is drawn here, in one look.
//!
//! Three steps, a file or two each: what to draw ([`Board`]), where it goes (`layout`), the paint (`paint`).
//! It is painted by hand rather than by a plotting crate because of what those lack: a logarithmic axis, ribbons,
//! hatching, names at the ends of curves, and a view that never moves by itself.

mod axis;
mod bars;
mod difference;
mod layout;
mod model;
mod paint;
mod pointer;
mod reading;
mod view;

pub use axis::{frequency_words, short_frequency, signed};
pub use bars::{Bar, Bars, show as show_bars};
pub use difference::{Stretch, differences};
pub use model::{Board, BoardCommand, Handle, Ink, Strip, Trace};
pub use reading::reading_lines;
pub use view::View;

use eframe::egui::{Sense, Ui, Vec2, WidgetInfo, accesskit::Role};

use layout::Layout;

/// Draws the board into the room that `ui` has left and reports what the user did to it.
pub fn show(ui: &mut Ui, board: &Board, view: &View, room: Vec2) -> Vec<BoardCommand> {
    let (rect, response) = ui.allocate_exact_size(room, Sense::click_and_drag() | Sense::FOCUSABLE);
    let layout = Layout::new(rect, board, view);
    let mut commands = Vec::new();
    let reading_hz = pointer::follow(ui, &response, board, view, &layout, &mut commands);
    response.widget_info(|| WidgetInfo::labeled(Role::Canvas, true, reading::spoken(board, reading_hz)));
    if ui.is_rect_visible(rect) {
        paint::board(ui, board, view, &layout, reading_hz);
        if response.has_focus() {
            paint::focus(ui, rect);
        }
    }
    commands
}
