//! Colours and sizes, all in one place.

use eframe::egui;
use egui::{Color32, CornerRadius, FontFamily, FontId, Stroke, TextStyle, Theme, Visuals, vec2};

/// Dark rim around what is drawn on a picture, so that it is seen on any ground.
pub(crate) const HALO: Color32 = Color32::from_rgba_premultiplied(0, 0, 0, 170);
/// What follows the pointer.
pub(crate) const POINTER: Color32 = Color32::from_rgb(250, 250, 245);
/// Lines of the crosshair across the canvas.
pub(crate) const CROSSHAIR: Color32 = Color32::from_rgba_premultiplied(110, 110, 106, 130);
/// Their rim.
pub(crate) const CROSSHAIR_RIM: Color32 = Color32::from_rgba_premultiplied(0, 0, 0, 56);
/// The blur spot.
pub(crate) const BLUR: Color32 = Color32::from_rgb(255, 214, 102);
/// Ground of text on the picture.
pub(crate) const PLATE: Color32 = Color32::from_rgba_premultiplied(14, 16, 18, 190);
/// A shape that was measured.
pub(crate) const SHAPE: Color32 = Color32::from_rgb(158, 216, 255);
/// The shape at work.
pub(crate) const AT_WORK: Color32 = Color32::from_rgb(255, 201, 77);
/// A shape that is proposed.
pub(crate) const PROPOSED: Color32 = Color32::from_rgb(214, 176, 255);
/// A graduation in the fit.
pub(crate) const USED: Color32 = Color32::from_rgb(116, 224, 190);
/// A graduation left out.
pub(crate) const LEFT_OUT: Color32 = Color32::from_rgb(255, 158, 116);

/// Ground around a picture: neutral, so that it does not tint what is looked at.
#[must_use]
pub(crate) const fn surround(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(24, 24, 24) } else { Color32::from_rgb(196, 196, 196) }
}

/// Where a picture ends.
#[must_use]
pub(crate) const fn rim(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(70, 70, 70) } else { Color32::from_rgb(120, 120, 120) }
}

/// Lines of the grid of a plot.
#[must_use]
pub(crate) const fn grid(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(74, 78, 82) } else { Color32::from_rgb(200, 200, 196) }
}

/// Text that asks for attention.
#[must_use]
pub(crate) const fn attention(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(240, 178, 110) } else { Color32::from_rgb(138, 74, 10) }
}

/// Bars behind the lines of a budget.
#[must_use]
pub(crate) const fn bar(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(40, 78, 95) } else { Color32::from_rgb(188, 216, 228) }
}

/// Series of plots.
#[must_use]
pub(crate) const fn series(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(111, 176, 204) } else { Color32::from_rgb(38, 106, 138) }
}

/// A second series.
#[must_use]
pub(crate) const fn second(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(224, 152, 108) } else { Color32::from_rgb(170, 86, 38) }
}

/// A third series.
#[must_use]
pub(crate) const fn third(dark: bool) -> Color32 {
    if dark { Color32::from_rgb(150, 200, 140) } else { Color32::from_rgb(66, 122, 58) }
}

/// Sets colours and sizes for both themes.
pub(crate) fn apply(ctx: &egui::Context) {
    ctx.set_visuals_of(Theme::Dark, dark());
    ctx.set_visuals_of(Theme::Light, light());
    ctx.all_styles_mut(|style| {
        for (text, size, family) in [
            (TextStyle::Small, 12.5, FontFamily::Proportional),
            (TextStyle::Body, 14.5, FontFamily::Proportional),
            (TextStyle::Button, 14.5, FontFamily::Proportional),
            (TextStyle::Heading, 19.0, FontFamily::Proportional),
            (TextStyle::Monospace, 13.0, FontFamily::Monospace),
        ] {
            style.text_styles.insert(text, FontId::new(size, family));
        }
        style.spacing.item_spacing = vec2(8.0, 6.0);
        style.spacing.button_padding = vec2(9.0, 4.0);
        style.spacing.interact_size.y = 24.0;
    });
}

fn rounded(mut visuals: Visuals) -> Visuals {
    let radius = CornerRadius::same(4);
    let w = &mut visuals.widgets;
    for state in [&mut w.noninteractive, &mut w.inactive, &mut w.hovered, &mut w.active, &mut w.open] {
        state.corner_radius = radius;
    }
    visuals.window_corner_radius = CornerRadius::same(6);
    visuals
}

/// How strong hints and notes are beside plain text: at least 4.5 to 1 against the ground, as WCAG 2.2 (1.4.3) wants it of small text.
const WEAK_TEXT: f32 = 0.72;

fn dark() -> Visuals {
    let mut v = rounded(Visuals::dark());
    v.weak_text_alpha = WEAK_TEXT;
    v.panel_fill = Color32::from_rgb(32, 35, 38);
    v.window_fill = Color32::from_rgb(38, 42, 45);
    v.extreme_bg_color = Color32::from_rgb(20, 22, 24);
    v.faint_bg_color = Color32::from_rgb(38, 41, 44);
    v.selection.bg_fill = Color32::from_rgb(38, 84, 104);
    v.selection.stroke = Stroke::new(1.0, Color32::from_rgb(232, 244, 250));
    v.hyperlink_color = series(true);
    v.widgets.noninteractive.fg_stroke.color = Color32::from_rgb(218, 222, 224);
    v.widgets.inactive.fg_stroke.color = Color32::from_rgb(228, 231, 232);
    v.widgets.inactive.weak_bg_fill = Color32::from_rgb(54, 59, 63);
    v.widgets.inactive.bg_fill = Color32::from_rgb(54, 59, 63);
    v
}

fn light() -> Visuals {
    let mut v = rounded(Visuals::light());
    v.weak_text_alpha = WEAK_TEXT;
    v.panel_fill = Color32::from_rgb(243, 242, 239);
    v.window_fill = Color32::from_rgb(250, 249, 247);
    v.extreme_bg_color = Color32::from_rgb(255, 255, 255);
    v.faint_bg_color = Color32::from_rgb(235, 234, 230);
    v.selection.bg_fill = Color32::from_rgb(184, 216, 230);
    v.selection.stroke = Stroke::new(1.0, Color32::from_rgb(16, 52, 68));
    v.hyperlink_color = series(false);
    v.widgets.noninteractive.fg_stroke.color = Color32::from_rgb(38, 42, 46);
    v.widgets.inactive.fg_stroke.color = Color32::from_rgb(30, 34, 38);
    v.widgets.inactive.weak_bg_fill = Color32::from_rgb(222, 221, 216);
    v.widgets.inactive.bg_fill = Color32::from_rgb(222, 221, 216);
    v
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast of two colours (WCAG 2.2, "contrast ratio").
    fn contrast(a: Color32, b: Color32) -> f64 {
        let light = |c: Color32| {
            let linear = |v: u8| {
                let v = f64::from(v) / 255.0;
                if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b()) + 0.05
        };
        let (a, b) = (light(a), light(b));
        a.max(b) / a.min(b)
    }

    #[test]
    fn text_stands_out_from_its_ground() {
        for (v, is_dark) in [(dark(), true), (light(), false)] {
            let ground = v.panel_fill;
            for (what, color) in [
                ("text", v.text_color()),
                ("weak text", ground.blend(v.weak_text_color())),
                ("attention", attention(is_dark)),
                ("links", v.hyperlink_color),
            ] {
                let c = contrast(color, ground);
                assert!(c >= 4.5, "{what}, dark {is_dark}: {c:.2}");
            }
            let on_bar = contrast(v.text_color(), bar(is_dark));
            assert!(on_bar >= 4.5, "budget, dark {is_dark}: {on_bar:.2}");
            let chosen = contrast(v.selection.stroke.color, v.selection.bg_fill);
            assert!(chosen >= 4.5, "chosen row, dark {is_dark}: {chosen:.2}");
        }
    }
}
