//! Puts fonts, sizes and colours into egui.

use std::sync::Arc;

use eframe::egui::style::{WidgetVisuals, Widgets};
use eframe::egui::{
    Context, CornerRadius, FontData, FontDefinitions, FontFamily, Margin, Shadow, Stroke, Style, TextStyle,
    Theme, Vec2, Visuals,
};

use super::{CARD_INSET, CORNER, GRID, LEAST_TARGET, Size, Tokens};

/// The family that holds the bold weight.
pub const BOLD: &str = "bold";

/// Fonts and both themes; the system's choice of theme is followed until the user makes one.
pub fn install(ctx: &Context) {
    ctx.set_fonts(fonts());
    // Where the system does not say, paper: it reads better in daylight.
    ctx.options_mut(|options| options.fallback_theme = Theme::Light);
    for (theme, dark) in [(Theme::Light, false), (Theme::Dark, true)] {
        ctx.set_style_of(theme, style(Tokens::of(dark), dark));
    }
}

fn fonts() -> FontDefinitions {
    let mut fonts = FontDefinitions::empty();
    for (name, bytes) in [
        ("regular", include_bytes!("../../../../assets/fonts/B612-Regular.otf").as_slice()),
        (BOLD, include_bytes!("../../../../assets/fonts/B612-Bold.otf").as_slice()),
    ] {
        fonts.font_data.insert(name.to_owned(), Arc::new(FontData::from_static(bytes)));
    }
    for (family, name) in [
        (FontFamily::Proportional, "regular"),
        // B612's figures are tabular in both cuts, so figures need no family of their own.
        (FontFamily::Monospace, "regular"),
        (FontFamily::Name(BOLD.into()), BOLD),
    ] {
        fonts.families.insert(family, vec![name.to_owned()]);
    }
    fonts
}

fn style(t: &Tokens, dark: bool) -> Style {
    let mut style = Style { visuals: visuals(t, dark), ..Style::default() };
    style.text_styles = [
        (TextStyle::Small, Size::Small.regular()),
        (TextStyle::Body, Size::Body.regular()),
        (TextStyle::Monospace, Size::Body.regular()),
        (TextStyle::Button, Size::Body.regular()),
        (TextStyle::Heading, Size::Title.bold()),
    ]
    .into();
    let space = &mut style.spacing;
    space.item_spacing = Vec2::new(2.0 * GRID, 2.0 * GRID);
    space.button_padding = Vec2::new(CARD_INSET, GRID);
    space.interact_size = Vec2::new(LEAST_TARGET, LEAST_TARGET);
    space.icon_width = 20.0;
    space.icon_width_inner = 12.0;
    space.menu_margin = Margin::same(8);
    space.combo_height = 360.0;
    space.tooltip_width = 360.0;
    // Nothing moves by itself: an animation would draw frames that say nothing new.
    style.animation_time = 0.0;
    style.scroll_animation = eframe::egui::style::ScrollAnimation::none();
    style
}

fn visuals(t: &Tokens, dark: bool) -> Visuals {
    let mut v = if dark { Visuals::dark() } else { Visuals::light() };
    let state = |fill, edge, ink, width: f32| WidgetVisuals {
        bg_fill: fill,
        weak_bg_fill: fill,
        bg_stroke: Stroke::new(width, edge),
        corner_radius: CornerRadius::same(CORNER),
        fg_stroke: Stroke::new(1.0, ink),
        expansion: 0.0,
    };
    v.widgets = Widgets {
        noninteractive: state(t.card, t.line, t.ink, 1.0),
        inactive: state(t.card, t.line, t.ink, 1.0),
        hovered: state(t.card, t.quiet, t.ink, 1.0),
        active: state(t.paper, t.focus, t.ink, 2.0),
        open: state(t.card, t.quiet, t.ink, 1.0),
    };
    v.selection.bg_fill = Tokens::wash(t.focus);
    v.selection.stroke = Stroke::new(2.0, t.focus);
    v.weak_text_color = Some(t.quiet);
    v.hyperlink_color = t.before;
    v.faint_bg_color = t.paper;
    v.extreme_bg_color = t.paper;
    v.text_edit_bg_color = Some(t.paper);
    v.code_bg_color = t.paper;
    v.warn_fg_color = t.warn;
    v.error_fg_color = t.stop;
    v.window_fill = t.card;
    v.panel_fill = t.paper;
    v.window_stroke = Stroke::new(1.0, t.line);
    v.window_corner_radius = CornerRadius::same(CORNER);
    v.menu_corner_radius = CornerRadius::same(CORNER);
    v.window_shadow = Shadow::NONE;
    v.popup_shadow = Shadow::NONE;
    v.text_cursor.blink = false;
    v.text_cursor.stroke = Stroke::new(2.0, t.focus);
    v
}
