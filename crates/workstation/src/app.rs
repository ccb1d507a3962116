//! Joins state, screens, commands and workers into a window.

use eframe::egui::{Context, Ui};

use crate::state::State;
use crate::{Opening, apply, frame, keys, theme};

/// The window.
pub struct Workstation {
    /// Everything on the screen.
    pub state: State,
}

impl Workstation {
    /// A window with nothing open, or with what `opening` names.
    pub fn new(ctx: &Context, _opening: &Opening) -> Self {
        theme::install(ctx);
        Self { state: State::default() }
    }
}

impl eframe::App for Workstation {
    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        self.draw(ui);
    }
}

impl Workstation {
    /// One frame: input, screen, commands.
    pub fn draw(&mut self, ui: &mut Ui) {
        let mut commands = Vec::new();
        keys::pressed(ui.ctx(), &self.state, &mut commands);
        frame::show(ui, &self.state, &mut commands);
        if !commands.is_empty() {
            let ctx = ui.ctx().clone();
            for command in commands {
                apply::apply(command, &mut self.state, &ctx);
            }
            ctx.request_repaint();
        }
    }
}
