//! Export: what leaves a notebook, each with a line that says what it is for.

use eframe::egui;
use egui::containers::menu::{MenuButton, MenuConfig};
use egui::{PopupCloseBehavior, RichText, Ui};

use crate::command::desk::{Drawn, Export, PictureFormat};

/// How pictures leave.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Leaving {
    format: PictureFormat,
    drawn: Drawn,
}

/// Width of the list, points.
const WIDTH: f32 = 440.0;

impl Leaving {
    /// The button with its list; what was chosen.
    pub(super) fn button(&mut self, ui: &mut Ui) -> Option<Export> {
        let mut chosen = None;
        let stays = MenuConfig::new().close_behavior(PopupCloseBehavior::CloseOnClickOutside);
        let (response, _) = MenuButton::new("Export").config(stays).ui(ui, |ui| {
            ui.set_width(WIDTH);
            for what in Export::ALL {
                let what = match what {
                    Export::Pictures(..) => Export::Pictures(self.format, self.drawn),
                    other => other,
                };
                let button = egui::Button::new(RichText::new(format!("{}…", what.words())).strong());
                if ui.add(button).on_hover_text(what.purpose()).clicked() {
                    chosen = Some(what);
                    ui.close();
                }
                ui.label(RichText::new(what.purpose()).weak().small());
                if matches!(what, Export::Pictures(..)) {
                    self.of_pictures(ui);
                }
                ui.add_space(2.0);
            }
        });
        response.on_hover_text("tables, pictures, cards and reports; the notebook stays as it is");
        chosen
    }

    fn of_pictures(&mut self, ui: &mut Ui) {
        ui.horizontal(|ui| {
            for (format, name, good_for) in PictureFormat::ALL {
                ui.radio_value(&mut self.format, format, name).on_hover_text(good_for);
            }
            ui.separator();
            let mut marks = self.drawn == Drawn::All;
            if ui.checkbox(&mut marks, "with marks and figures").changed() {
                self.drawn = if marks { Drawn::All } else { Drawn::Bar };
            }
        });
    }
}
