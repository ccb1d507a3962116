//! The customer's view: before, after, one large figure, three plain sentences, nothing else.

use eframe::egui::{CentralPanel, Frame, Label, Margin, Ui, vec2};

use crate::board::{self, Board, Ink, View};
use crate::commands::Command;
use crate::stages::Stage;
use crate::state::State;
use crate::theme::{EDGE, GRID, Size, bold, plain, tokens};
use crate::widgets::quiet;

/// Fills the window.
pub fn show(ui: &mut Ui, state: &State, out: &mut Vec<Command>) {
    let t = tokens(ui);
    let frame = Frame::new().fill(t.paper).inner_margin(Margin::same(EDGE as i8));
    CentralPanel::default().frame(frame).show(ui, |ui| {
        let page = page(state);
        ui.spacing_mut().item_spacing.y = 2.0 * GRID;
        ui.horizontal(|ui| {
            ui.label(plain(state.heading(), Size::Body, t.quiet));
            ui.with_layout(eframe::egui::Layout::right_to_left(eframe::egui::Align::Center), |ui| {
                quiet(ui, Command::ShowCustomer(false), true, out);
            });
        });
        ui.add(Label::new(bold(&page.figure, Size::Figure, t.ink)).wrap());
        let words = 32.0 * page.sentences.len() as f32 + 16.0;
        let board = &page.board;
        let view = View::whole(board);
        let room = vec2(ui.available_width(), (ui.available_height() - words).max(160.0));
        // Looking closer is for the tuner: the customer's view shows all.
        let _ = board::show(ui, board, &view, room);
        for sentence in &page.sentences {
            ui.add(Label::new(plain(sentence, Size::Title, t.ink)).wrap());
        }
    });
}

/// What the page says.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// The one large figure, in words.
    pub figure: String,
    /// Before and after only.
    pub board: Board,
    /// At most three.
    pub sentences: Vec<String>,
}

/// The page from the proof.
pub fn page(state: &State) -> Page {
    let handover = State { stage: Stage::Handover, ..state.clone() };
    let mut board = crate::stages::board_of(&handover);
    board.traces.retain(|trace| matches!(trace.ink, Ink::Before | Ink::After));
    board.left_alone.clear();
    board.strip = None;
    let proof = crate::stages::proof_of(state);
    let side = proof.and_then(|proof| crate::stages::proof_side(state, proof));
    Page {
        figure: side.map_or_else(
            || "Nothing to show yet: the proof comes first".into(),
            |side| capital(&crate::stages::change_words(&side.errors)),
        ),
        board,
        sentences: proof.map_or_else(Vec::new, |proof| proof.sentences.iter().take(3).cloned().collect()),
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
