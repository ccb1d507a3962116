//! Joins state, screens, commands and workers into a window.

use std::time::Duration;

use eframe::egui::{Context, ThemePreference, Ui, ViewportCommand};

use crate::commands::Command;
use crate::state::State;
use crate::work::{DiskOrder, Order, Workers};
use crate::{Opening, apply, frame, keys, theme};

/// How often the progress bar moves.
const PROGRESS: Duration = Duration::from_millis(100);

/// The window.
pub struct Workstation {
    /// Everything on the screen.
    pub state: State,
    workers: Workers,
    /// What the window is called at present.
    title: String,
}

impl Workstation {
    /// A window with nothing open, or with what `opening` names.
    pub fn new(ctx: &Context, opening: &Opening) -> Self {
        theme::install(ctx);
        let workers = Workers::start(ctx);
        workers.send(Order::Disk(DiskOrder::Devices));
        if let Some(folder) = &opening.folder {
            let is_visit = folder.join("visit.json").is_file();
            let order =
                if is_visit { DiskOrder::Open(folder.clone()) } else { DiskOrder::List(folder.clone()) };
            workers.send(Order::Disk(order));
        }
        Self { state: State::default(), workers, title: String::new() }
    }

    /// Takes in what the workers have answered.
    pub fn hear(&mut self) {
        while let Some(event) = self.workers.next() {
            for order in apply::hear(event, &mut self.state) {
                self.workers.send(order);
            }
        }
    }

    /// One frame: answers, input, screen, commands.
    pub fn draw(&mut self, ui: &mut Ui) {
        self.hear();
        apply::settle_view(&mut self.state);
        let mut commands = Vec::new();
        keys::pressed(ui.ctx(), &self.state, &mut commands);
        frame::show(ui, &self.state, &mut commands);
        if self.state.is_busy() {
            // Only to move the progress bar; without work under way nothing is drawn until something happens.
            ui.ctx().request_repaint_after(PROGRESS);
        }
        if commands.is_empty() {
            return self.call_window(ui.ctx());
        }
        if commands.iter().any(Command::is_under_the_hand) {
            // Drawn once more within this frame: what is dragged or typed and what follows from it never part.
            ui.ctx().request_discard("an edit changed what this frame shows");
        }
        for command in commands {
            if command == Command::ChangeTheme {
                let dark = ui.visuals().dark_mode;
                ui.ctx().set_theme(if dark { ThemePreference::Light } else { ThemePreference::Dark });
            }
            self.carry_out(command);
        }
        self.call_window(ui.ctx());
        ui.ctx().request_repaint();
    }

    /// Carries out one command; what takes time goes to the workers.
    pub fn carry_out(&mut self, command: Command) {
        for order in apply::apply(command, &mut self.state) {
            self.workers.send(order);
        }
    }

    /// The window's own name says where the work is, for a list of windows and for who waits in another.
    fn call_window(&mut self, ctx: &Context) {
        let title = self.state.title();
        if title != self.title {
            ctx.send_viewport_cmd(ViewportCommand::Title(title.clone()));
            self.title = title;
        }
    }
}

impl eframe::App for Workstation {
    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        self.draw(ui);
    }
}
