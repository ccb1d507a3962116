//! One small image per screen. They guard the layout; what the screens say is tested in words elsewhere.
//!
//! `UPDATE_SNAPSHOTS=1 cargo test -p workstation --test screens` makes them again; look at each before keeping it.

mod common;

use common::{sample, scaled};
use eframe::egui::vec2;
use egui_kittest::SnapshotOptions;
use workstation::stages::Stage;
use workstation::state::{Overlay, State};

fn check(name: &str, dark: bool, state: State) {
    let mut harness = scaled(vec2(1280.0, 800.0), 0.5, dark, move || state.clone());
    // At half a pixel to a point, hairlines and small letters fall differently on each rasteriser: 1 % of 256,000
    // pixels may differ. A control that moved or lost its words changes several times that.
    let options = SnapshotOptions::new().threshold(1.5).max_failed_pixels(2560);
    harness.snapshot_options(name, &options);
}

#[test]
fn garage() {
    check("garage", false, State::default());
}

#[test]
fn intake() {
    check("intake", false, sample(Stage::Intake));
}

#[test]
fn source() {
    check("source", false, sample(Stage::Source));
}

#[test]
fn cabin() {
    check("cabin", true, sample(Stage::Cabin));
}

#[test]
fn voicing() {
    check("voicing", false, sample(Stage::Voicing));
}

#[test]
fn handover() {
    check("handover", true, sample(Stage::Handover));
}

#[test]
fn entry_sheet() {
    let mut state = sample(Stage::Handover);
    state.handover.typing = true;
    check("entry_sheet", false, state);
}

#[test]
fn customer() {
    check("customer", false, State { overlay: Overlay::Customer, ..sample(Stage::Handover) });
}
