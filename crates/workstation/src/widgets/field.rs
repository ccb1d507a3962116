//! Fields to type in: words, figures, and a choice from a list.

use std::ops::RangeInclusive;

use eframe::egui::{Align, Align2, ComboBox, DragValue, Layout, Response, TextEdit, Ui, vec2};

use super::button::focus_ring;
use crate::theme::{GRID, LEAST_TARGET, Size, plain, tokens};

/// A line of words under its name.
pub fn line(ui: &mut Ui, name: &str, words: &mut String, hint: &str) -> Response {
    ui.vertical(|ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        let label = ui.label(plain(name, Size::Small, tokens(ui).quiet));
        let edit = TextEdit::singleline(words)
            .hint_text(hint.to_owned())
            .desired_width(ui.available_width())
            .min_size(vec2(0.0, LEAST_TARGET))
            .align(Align2::LEFT_CENTER);
        ui.add(edit).labelled_by(label.id).accessible_name(name)
    })
    .inner
}

/// Gives the keyboard to `field` the first time it is there: what is typed first goes where it belongs.
pub fn begin_here(ui: &Ui, field: &Response) {
    let id = field.id.with("begun");
    let begun = ui.data_mut(|d| std::mem::replace(d.get_temp_mut_or_default::<bool>(id), true));
    if !begun {
        field.request_focus();
    }
}

/// A figure that can be typed or dragged; `name` is heard, not drawn. The unit stands beside it in a quieter ink.
pub fn figure(
    ui: &mut Ui,
    name: &str,
    value: &mut f64,
    unit: &str,
    range: RangeInclusive<f64>,
    decimals: usize,
    width: f32,
) -> Response {
    let t = tokens(ui);
    let speed = 0.5 * 10f64.powi(-(decimals as i32));
    let drag = DragValue::new(value)
        .range(range)
        .speed(speed)
        .max_decimals(decimals)
        .min_decimals(decimals)
        .custom_formatter(move |v, _| crate::board::signed(v, decimals))
        .custom_parser(|text| text.trim().replace('−', "-").replace(',', ".").parse().ok());
    let response = ui
        .allocate_ui_with_layout(vec2(width, LEAST_TARGET), Layout::right_to_left(Align::Center), |ui| {
            ui.spacing_mut().item_spacing.x = GRID;
            if !unit.is_empty() {
                ui.label(plain(unit, Size::Small, t.quiet));
            }
            ui.add_sized(vec2(ui.available_width(), LEAST_TARGET), drag)
        })
        .inner;
    if response.has_focus() {
        focus_ring(ui, &response, t);
    }
    response.accessible_name(name)
}

/// A choice among `options`; gives the index chosen.
pub fn pick(ui: &mut Ui, name: &str, chosen: &str, options: &[String]) -> Option<usize> {
    ui.vertical(|ui| {
        ui.spacing_mut().item_spacing.y = GRID;
        if !name.is_empty() {
            ui.label(plain(name, Size::Small, tokens(ui).quiet));
        }
        let mut picked = None;
        let combo = ComboBox::from_id_salt(name).selected_text(chosen.to_owned()).width(ui.available_width());
        let response = combo.show_ui(ui, |ui| {
            for (index, option) in options.iter().enumerate() {
                if ui.selectable_label(option == chosen, option).clicked() {
                    picked = Some(index);
                }
            }
        });
        response.response.accessible_name(name);
        picked
    })
    .inner
}

/// A narrow choice without a drawn name, for tables.
pub fn pick_small(ui: &mut Ui, name: &str, chosen: &str, options: &[String], width: f32) -> Option<usize> {
    let mut picked = None;
    let combo = ComboBox::from_id_salt(name).selected_text(chosen.to_owned()).width(width);
    let response = combo.show_ui(ui, |ui| {
        for (index, option) in options.iter().enumerate() {
            if ui.selectable_label(option == chosen, option).clicked() {
                picked = Some(index);
            }
        }
    });
    response.response.accessible_name(name);
    picked
}
