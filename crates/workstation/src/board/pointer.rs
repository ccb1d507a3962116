//! What the pointer and the keys do on a board.

use eframe::egui::{CursorIcon, Key, Pos2, Rect, Response, Ui};

use super::layout::Layout;
use super::{Board, BoardCommand, View};

/// How near a handle has to be pressed.
const GRASP: f32 = 18.0;
/// A drag shorter than this is a slip of the hand.
const SLIP: f32 = 12.0;

/// What a drag that is under way does.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Drag {
    Frame(Pos2),
    Handle(usize),
}

/// Turns input into commands; gives the frequency of the reading line.
pub fn follow(
    ui: &Ui,
    response: &Response,
    board: &Board,
    view: &View,
    layout: &Layout,
    commands: &mut Vec<BoardCommand>,
) -> Option<f64> {
    drag(ui, response, board, view, layout, commands);
    if response.double_clicked() {
        commands.push(BoardCommand::SeeAll);
    }
    let pointed =
        response.hover_pos().filter(|p| layout.plot.x_range().contains(p.x)).map(|p| layout.hz(p.x));
    if response.has_focus() {
        keys(ui, response, view, commands);
    }
    pointed.or(view.reading_hz.filter(|_| response.has_focus()))
}

fn drag(
    ui: &Ui,
    response: &Response,
    board: &Board,
    view: &View,
    layout: &Layout,
    commands: &mut Vec<BoardCommand>,
) {
    let id = response.id.with("drag");
    if response.drag_started()
        && let Some(from) =
            ui.input(|i| i.pointer.press_origin()).filter(|p| layout.plot.expand(GRASP).contains(*p))
    {
        let started = nearest_handle(board, layout, from).map_or(Drag::Frame(from), Drag::Handle);
        ui.data_mut(|d| d.insert_temp(id, started));
    }
    if let Some(at) = response.hover_pos()
        && nearest_handle(board, layout, at).is_some()
    {
        ui.set_cursor_icon(CursorIcon::Grab);
    }
    let Some(under_way) = ui.data(|d| d.get_temp::<Drag>(id)) else { return };
    let Some(to) = response.interact_pointer_pos() else { return };
    match under_way {
        Drag::Handle(index) => {
            let inside = layout.plot.clamp(to);
            commands.push(BoardCommand::MoveHandle {
                index,
                frequency_hz: layout.hz(inside.x),
                level_db: layout.db(inside.y),
            });
        }
        Drag::Frame(from) => super::paint::zoom_frame(ui, framed(from, to, layout)),
    }
    if response.drag_stopped() {
        ui.data_mut(|d| d.remove::<Drag>(id));
        match under_way {
            Drag::Handle(_) => commands.push(BoardCommand::DropHandle),
            Drag::Frame(from) => commands.extend(look(framed(from, to, layout), view, layout)),
        }
    }
}

/// The part framed by a drag; a flat drag frames frequencies only.
fn framed(from: Pos2, to: Pos2, layout: &Layout) -> Rect {
    let mut frame = Rect::from_two_pos(from, to).intersect(layout.plot);
    if (to.y - from.y).abs() < 2.0 * SLIP {
        frame = Rect::from_x_y_ranges(frame.x_range(), layout.plot.y_range());
    }
    frame
}

fn look(frame: Rect, view: &View, layout: &Layout) -> Option<BoardCommand> {
    if frame.width() < SLIP {
        return None;
    }
    let closer = View {
        from_hz: layout.hz(frame.left()),
        to_hz: layout.hz(frame.right()),
        top_db: layout.db(frame.top()),
        bottom_db: layout.db(frame.bottom()),
        ..*view
    };
    closer.sane().map(BoardCommand::Look)
}

fn nearest_handle(board: &Board, layout: &Layout, at: Pos2) -> Option<usize> {
    let near = board.handles.iter().map(|h| layout.at(h.frequency_hz, h.level_db).distance(at)).enumerate();
    near.filter(|(_, d)| *d <= GRASP).min_by(|a, b| a.1.total_cmp(&b.1)).map(|(index, _)| index)
}

/// Left and right move the reading line by a twelfth of an octave, plus and minus look closer and further, Home sees all.
fn keys(ui: &Ui, response: &Response, view: &View, commands: &mut Vec<BoardCommand>) {
    ui.memory_mut(|m| {
        let filter = eframe::egui::EventFilter {
            horizontal_arrows: true,
            vertical_arrows: false,
            tab: false,
            escape: false,
        };
        m.set_focus_lock_filter(response.id, filter);
    });
    let middle_hz = view.reading_hz.unwrap_or((view.from_hz * view.to_hz).sqrt());
    let step = 2f64.powf(1.0 / 12.0);
    let pressed = |key| ui.input(|i| i.key_pressed(key));
    let read = |hz: f64| BoardCommand::Read(Some(hz.clamp(view.from_hz, view.to_hz)));
    if pressed(Key::ArrowRight) {
        commands.push(read(middle_hz * step));
    }
    if pressed(Key::ArrowLeft) {
        commands.push(read(middle_hz / step));
    }
    if pressed(Key::Home) {
        commands.push(BoardCommand::SeeAll);
    }
    let width = (view.to_hz / view.from_hz).sqrt();
    let closer = |share: f64| View {
        from_hz: middle_hz / width.powf(share),
        to_hz: middle_hz * width.powf(share),
        reading_hz: Some(middle_hz),
        ..*view
    };
    if pressed(Key::Plus) || pressed(Key::Equals) {
        commands.extend(closer(0.7).sane().map(BoardCommand::Look));
    }
    if pressed(Key::Minus) {
        commands.extend(closer(1.0 / 0.7).sane().map(BoardCommand::Look));
    }
}
