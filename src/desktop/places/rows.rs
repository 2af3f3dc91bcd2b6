//! Rows of tables: of thousands only those in sight are made.

use eframe::egui;
use egui::{Align2, Response, RichText, Sense, TextStyle, Ui, pos2, vec2};

/// Height of a row, points.
pub(super) const HEIGHT: f32 = 22.0;
/// Room between columns, points.
pub(super) const GAP: f32 = 8.0;

/// A column: its heading, its width in points, what it means.
pub(super) type Column = (&'static str, f32, &'static str);

/// Width of all columns, points.
pub(super) fn width_of(widths: impl IntoIterator<Item = f32>) -> f32 {
    widths.into_iter().map(|w| w + GAP).sum()
}

/// Draws one row; `label` is what a screen reader says of it.
pub(super) fn row(ui: &mut Ui, cells: &[String], widths: &[f32], (chosen, odd): (bool, bool), label: &str) -> Response {
    let total = width_of(widths.iter().copied());
    let (rect, response) = ui.allocate_exact_size(vec2(total, HEIGHT), Sense::click());
    response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Row, true, chosen, label));
    if chosen {
        ui.painter().rect_filled(rect, 2.0, ui.visuals().selection.bg_fill);
    } else if response.hovered() || response.has_focus() || odd {
        ui.painter().rect_filled(rect, 2.0, ui.visuals().faint_bg_color);
    }
    let color = if chosen { ui.visuals().selection.stroke.color } else { ui.visuals().text_color() };
    let font = TextStyle::Body.resolve(ui.style());
    let mut x = rect.left();
    for (cell, width) in cells.iter().zip(widths) {
        let room = egui::Rect::from_min_size(pos2(x, rect.top()), vec2(*width, HEIGHT));
        let painter = ui.painter().with_clip_rect(room.intersect(ui.clip_rect()));
        painter.text(room.left_center() + vec2(4.0, 0.0), Align2::LEFT_CENTER, cell, font.clone(), color);
        x += width + GAP;
    }
    response
}

/// Draws a table of `n` rows with its headings, at most so high; the row that was clicked.
pub(super) fn table(
    ui: &mut Ui,
    id: &str,
    columns: &[Column],
    (n, most_height): (usize, f32),
    chosen: usize,
    cells: impl Fn(usize) -> Vec<String>,
) -> Option<usize> {
    let widths: Vec<f32> = columns.iter().map(|c| c.1).collect();
    let mut clicked = None;
    let height = most_height.min((n as f32 + 0.2) * (HEIGHT + ui.spacing().item_spacing.y));
    egui::ScrollArea::horizontal().id_salt(format!("{id} across")).auto_shrink([false, true]).show(ui, |ui| {
        ui.set_min_width(width_of(widths.iter().copied()));
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = GAP;
            for (name, width, meaning) in columns {
                let (rect, response) = ui.allocate_exact_size(vec2(*width, HEIGHT), Sense::hover());
                let at = rect.left_center() + vec2(4.0, 0.0);
                let font = TextStyle::Body.resolve(ui.style());
                ui.painter().text(at, Align2::LEFT_CENTER, *name, font, ui.visuals().strong_text_color());
                response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Label, true, *name));
                response.on_hover_text(RichText::new(*meaning));
            }
        });
        egui::ScrollArea::vertical().id_salt(id).max_height(height).auto_shrink([false, true]).show_rows(
            ui,
            HEIGHT,
            n,
            |ui, range| {
                for i in range {
                    let cells = cells(i);
                    let label = cells.iter().take(3).cloned().collect::<Vec<_>>().join(", ");
                    if row(ui, &cells, &widths, (chosen == i, i % 2 == 1), &label).clicked() {
                        clicked = Some(i);
                    }
                }
            },
        );
    });
    clicked
}
