//! The map of keys, and the controls of how a picture is shown.

use eframe::egui;
use egui::{RichText, Ui};

use super::canvas::{Canvas, ShownChannel, ToneView};
use super::keys::{Command, MORE, Room};

/// All keys, in a window that does not stand in the way.
pub(crate) fn map_of_keys(ctx: &egui::Context, open: &mut bool) {
    egui::Window::new("Keys")
        .open(open)
        .collapsible(false)
        .resizable(false)
        .pivot(egui::Align2::CENTER_CENTER)
        .default_pos(ctx.content_rect().center())
        .show(ctx, |ui| {
            egui::ScrollArea::vertical()
                .max_height(ctx.content_rect().height() - 100.0)
                .min_scrolled_height(ctx.content_rect().height() - 116.0)
                .show(ui, |ui| {
                    ui.horizontal_top(|ui| {
                        ui.vertical(|ui| {
                            room(ui, Room::Everywhere);
                            ui.add_space(8.0);
                            room(ui, Room::Notebook);
                        });
                        ui.add_space(16.0);
                        ui.vertical(|ui| {
                            room(ui, Room::Picture);
                            ui.add_space(8.0);
                            room(ui, Room::Slide);
                        });
                        ui.add_space(16.0);
                        ui.vertical(|ui| room(ui, Room::Animal));
                    });
                    ui.separator();
                    ui.spacing_mut().item_spacing.y = 2.0;
                    for (keys, words) in MORE {
                        row(ui, keys, words, 100.0, 780.0);
                    }
                });
        });
}

fn room(ui: &mut Ui, room: Room) {
    ui.label(RichText::new(room.words()).strong());
    ui.spacing_mut().item_spacing.y = 2.0;
    let keys = if matches!(room, Room::Everywhere | Room::Notebook) { 100.0 } else { 78.0 };
    // Three columns, as wide as the window has room for.
    let width = ((ui.ctx().content_rect().width() - 400.0) / 3.0).clamp(180.0, 262.0);
    for command in Command::ALL.iter().filter(|c| c.room() == room) {
        row(ui, &command.keys_text(), command.words(), keys, width);
    }
}

/// Keys and words in two columns of these widths.
fn row(ui: &mut Ui, keys: &str, words: &str, left: f32, right: f32) {
    ui.horizontal_top(|ui| {
        ui.allocate_ui(egui::vec2(left, 18.0), |ui| {
            ui.set_min_width(left);
            ui.label(RichText::new(keys).monospace());
        });
        ui.allocate_ui(egui::vec2(right, 18.0), |ui| {
            ui.set_min_width(right);
            ui.add(egui::Label::new(words).wrap());
        });
    });
}

/// Brightness, contrast, channel, turn.
pub(crate) fn view_controls(ui: &mut Ui, canvas: &mut Canvas) {
    ui.horizontal(|ui| {
        ui.label(RichText::new("How it is shown").strong());
        ui.label(RichText::new("what is measured stays as recorded").weak().small());
    });
    let tone = &mut canvas.tone;
    egui::Grid::new("view").num_columns(2).show(ui, |ui| {
        for (name, value) in [("Brightness", &mut tone.brightness), ("Contrast", &mut tone.contrast)] {
            let label = ui.label(name);
            ui.add(egui::Slider::new(value, -1.0..=1.0).fixed_decimals(2)).labelled_by(label.id);
            ui.end_row();
        }
        let label = ui.label("Channel");
        egui::ComboBox::from_id_salt("channel")
            .selected_text(tone.channel.name())
            .show_ui(ui, |ui| {
                for c in ShownChannel::ALL {
                    ui.selectable_value(&mut tone.channel, c, c.name());
                }
            })
            .response
            .labelled_by(label.id);
        ui.end_row();
    });
    ui.horizontal(|ui| {
        ui.checkbox(&mut tone.inverted, "Inverted");
        if ui.add_enabled(!tone.is_plain(), egui::Button::new("As recorded")).clicked() {
            *tone = ToneView::default();
        }
    });
    ui.horizontal_wrapped(|ui| {
        for (words, command) in [
            ("Whole picture", Command::Whole),
            ("Pixel for pixel", Command::Pixels),
            ("Turn by 90°", Command::Turn),
            ("Mirror", Command::Mirror),
        ] {
            if ui.button(words).on_hover_text(command.hint()).clicked() {
                match command {
                    Command::Whole => canvas.show_whole(),
                    Command::Pixels => canvas.show_pixels(),
                    Command::Turn => canvas.turn(1),
                    _ => canvas.mirror(),
                }
            }
        }
        ui.checkbox(&mut canvas.loupe, "Loupe");
    });
}
