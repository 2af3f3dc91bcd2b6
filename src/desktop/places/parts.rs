//! Pieces that the places share.

use eframe::egui;
use egui::{RichText, Ui, WidgetText, vec2};

use super::super::message::{first_large, in_window};
use super::super::theme;
use crate::command::desk;

/// Width of the names before fields, points.
const NAMES: f32 = 128.0;
/// Height of a line of a budget, points.
const BUDGET_ROW: f32 = 20.0;
/// Lines of a budget that are shown, and the share of the variance below which none is.
const MOST_LINES: usize = 7;
const LEAST_SHARE: f64 = 0.005;

/// Something with its name before it, names in one column.
pub(super) fn named<R>(ui: &mut Ui, name: &str, add: impl FnOnce(&mut Ui, egui::Id) -> R) -> R {
    ui.horizontal(|ui| {
        let height = ui.spacing().interact_size.y;
        let label = ui
            .allocate_ui_with_layout(vec2(NAMES, height), egui::Layout::left_to_right(egui::Align::Center), |ui| {
                ui.set_min_width(NAMES);
                ui.label(name)
            })
            .inner;
        add(ui, label.id)
    })
    .inner
}

/// A text field with its name before it.
pub(super) fn field(ui: &mut Ui, name: &str, text: &mut String, hint: &str) -> egui::Response {
    named(ui, name, |ui, label| {
        let width = ui.available_width();
        ui.add(egui::TextEdit::singleline(text).hint_text(hint).desired_width(width)).labelled_by(label)
    })
}

/// A line of a grid: what, and how much.
pub(super) fn line(ui: &mut Ui, what: &str, how_much: impl Into<WidgetText>) {
    ui.label(RichText::new(what).weak());
    ui.add(egui::Label::new(how_much).wrap());
    ui.end_row();
}

/// A paragraph that asks for attention.
pub(super) fn attention(ui: &mut Ui, word: &str, text: &str) {
    let color = theme::attention(ui.visuals().dark_mode);
    ui.label(RichText::new(word).strong().color(color));
    ui.add(egui::Label::new(first_large(text)).wrap());
}

/// Warnings, each a paragraph.
pub(super) fn warnings<'a>(ui: &mut Ui, all: impl IntoIterator<Item = &'a String>) {
    for text in all {
        ui.horizontal_top(|ui| {
            let color = theme::attention(ui.visuals().dark_mode);
            ui.label(RichText::new("Note").strong().small().color(color));
            ui.add(egui::Label::new(RichText::new(first_large(text)).small()).wrap());
        });
    }
}

/// Parts of an uncertainty, largest first: name, share of the variance, amount in words, each on a bar as long as its share. What would
/// lessen the largest stands below it.
pub(super) fn budget(ui: &mut Ui, lines: &[(String, f64, String)]) {
    let largest = lines.iter().map(|l| l.1).fold(1e-12, f64::max);
    let fill = theme::bar(ui.visuals().dark_mode);
    let shown = lines.iter().filter(|l| l.1 >= LEAST_SHARE).take(MOST_LINES);
    for (i, (source, share, amount)) in shown.enumerate() {
        let percent = (100.0 * share).round();
        let room = ui.available_rect_before_wrap();
        let size = vec2(room.width(), BUDGET_ROW);
        let mut bar = egui::Rect::from_min_size(room.min, size);
        bar.set_width((room.width() * (share / largest) as f32).max(2.0));
        ui.painter().rect_filled(bar, 2.0, fill);
        ui.allocate_ui_with_layout(size, egui::Layout::left_to_right(egui::Align::Center), |ui| {
            ui.set_min_size(size);
            ui.add_space(4.0);
            ui.label(first_large(source));
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                ui.add_space(4.0);
                ui.label(RichText::new(format!("{percent:.0} %  {amount}")).monospace());
            });
        });
        if i < 2
            && let Some(advice) = desk::advice(source)
        {
            ui.add(egui::Label::new(RichText::new(format!("Less by {}", in_window(advice))).weak().small()).wrap());
        }
    }
}
