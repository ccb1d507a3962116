//! The window.
//!
//! [`state`] is everything on the screen, one plain value; screens read it and push [`commands`]; `apply` is the one
//! place that carries commands out;

pub mod app;
mod apply;
pub mod board;
pub mod commands;
mod customer;
mod frame;
mod house;
mod keys;
pub mod stages;
pub mod state;
pub mod theme;
mod widgets;
pub mod work;

use std::path::PathBuf;

use eframe::egui::{ViewportBuilder, vec2};

/// Why the window could not open.
#[derive(Debug, thiserror::Error)]
#[error(
    "the window could not open ({0}); on a machine without a screen use the commands: cabinwright --help"
)]
pub struct WindowError(String);

/// What to open the window with.
#[derive(Debug, Clone, Default)]
pub struct Opening {
    /// A garage folder or a visit folder to open at once.
    pub folder: Option<PathBuf>,
}

/// Opens the window and returns when it is closed.
pub fn open(opening: Opening) -> Result<(), WindowError> {
    let viewport = ViewportBuilder::default()
        .with_title("Cabinwright")
        .with_app_id("cabinwright")
        .with_inner_size(vec2(1280.0, 800.0))
        .with_min_inner_size(vec2(720.0, 560.0));
    let options = eframe::NativeOptions {
        viewport,
        renderer: eframe::Renderer::Glow,
        ..eframe::NativeOptions::default()
    };
    eframe::run_native(
        "Cabinwright",
        options,
        Box::new(move |creation| Ok(Box::new(app::Workstation::new(&creation.egui_ctx, &opening)))),
    )
    .map_err(|error| WindowError(error.to_string()))
}
