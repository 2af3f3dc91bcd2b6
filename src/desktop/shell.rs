//! The shell around the places: top line, menu, strip, sides.

use std::path::Path;

use eframe::egui;
use egui::{RichText, Ui};

use super::app::{Desktop, Place};
use super::keys::Command;
use super::picker::Purpose;
use super::places::book::Asked;
use super::places::planner_preview::OwnPicture;
use super::places::slide::SlideRun;
use super::{help, start};

/// Width of the side, and of the bar that scrolls it, which lies over its right edge, points.
const SIDE: f32 = 356.0;
const SCROLL_BAR: f32 = 8.0;
/// Height of the strip, points.
const STRIP: f32 = 118.0;

impl Desktop {
    pub(super) fn top(&mut self, ui: &mut Ui) {
        egui::Panel::top("top").show(ui, |ui| {
            ui.horizontal(|ui| {
                ui.add_space(2.0);
                for place in Place::ALL {
                    let text = RichText::new(place.name()).size(16.0);
                    let button = egui::Button::selectable(self.place == place, text);
                    if ui.add(button).on_hover_text(Command::to(place).hint()).clicked() {
                        self.go(place);
                    }
                }
                ui.separator();
                self.menu(ui);
                let undo = self.document.undo_name().map(|n| format!("undo: {n} ({})", Command::Undo.keys_text()));
                if step_button(ui, "Undo", undo, "nothing to undo") {
                    self.undo();
                }
                let redo = self.document.redo_name().map(|n| format!("redo: {n} ({})", Command::Redo.keys_text()));
                if step_button(ui, "Redo", redo, "nothing to do again") {
                    self.redo();
                }
                ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                    if ui.button("Keys").on_hover_text(Command::Keys.hint()).clicked() {
                        self.keys_shown = !self.keys_shown;
                    }
                    if matches!(self.place, Place::Slide | Place::Animal) && !self.pictures.is_empty() {
                        ui.toggle_value(&mut self.tone_shown, "View")
                            .on_hover_text("brightness, contrast, channel, turn; what is measured stays as recorded");
                    }
                    if let Some(words) = self.work.words().map(str::to_owned) {
                        if ui.button("Cancel").on_hover_text("gives up what runs in the background").clicked() {
                            self.work.cancel();
                            self.pictures.given_up();
                            self.messages.done(format!("cancelled: {words}"));
                        }
                        ui.label(format!("{words}…"));
                    } else {
                        let title = self.document.title();
                        let response = ui.add(egui::Label::new(RichText::new(title).weak()).truncate());
                        if let Some(path) = self.document.path() {
                            response.on_hover_text(path.display().to_string());
                        }
                    }
                });
            });
        });
    }

    fn menu(&mut self, ui: &mut Ui) {
        ui.menu_button("File", |ui| {
            let mut asked = None;
            for (words, command) in [
                ("Open pictures…", Command::OpenPictures),
                ("Open a notebook…", Command::OpenNotebook),
                ("Save the notebook's file", Command::Save),
            ] {
                let button = egui::Button::new(words).shortcut_text(command.keys_text());
                if ui.add(button).clicked() {
                    asked = Some(command);
                }
            }
            if ui.button("New notebook…").clicked() {
                self.ask(Purpose::NewNotebook);
                ui.close();
            }
            if !self.settings.notebooks.is_empty() {
                ui.menu_button("Recent notebooks", |ui| {
                    for path in self.settings.notebooks.clone() {
                        if ui.button(path.display().to_string()).clicked() {
                            self.open_notebook(&path);
                            ui.close();
                        }
                    }
                });
            }
            let copied = egui::Button::new("Copy the picture with its scale bar")
                .shortcut_text(Command::CopyPicture.keys_text());
            let shown = matches!(self.place, Place::Slide | Place::Animal) && self.current().is_some();
            if ui.add_enabled(shown, copied).clicked() {
                asked = Some(Command::CopyPicture);
            }
            ui.separator();
            if ui.button("Open the sample pictures").clicked() {
                start::open_samples(self);
                ui.close();
            }
            if ui.button("Open the sample notebook").clicked() {
                let folder = self.folders.data.join("sample notebook");
                start::open_sample_notebook(self, ui.ctx(), folder);
                ui.close();
            }
            if ui.button("Sample notebook into a folder…").clicked() {
                self.ask(Purpose::Sample);
                ui.close();
            }
            ui.separator();
            let ctx = ui.ctx().clone();
            if ui.add(egui::Button::new("Light or dark").shortcut_text(Command::Theme.keys_text())).clicked() {
                self.change_theme(&ctx);
            }
            ui.horizontal(|ui| {
                ui.label("Text size");
                if ui.button("Smaller").clicked() {
                    self.change_size(&ctx, 1.0 / 1.1);
                }
                if ui.button("Standard").clicked() {
                    self.change_size(&ctx, 0.0);
                }
                if ui.button("Larger").clicked() {
                    self.change_size(&ctx, 1.1);
                }
            });
            if ui.add(egui::Button::new("Full screen").shortcut_text(Command::FullScreen.keys_text())).clicked() {
                asked = Some(Command::FullScreen);
            }
            if let Some(command) = asked {
                self.command(command, &ctx);
                ui.close();
            }
        });
    }

    pub(super) fn bottom(&mut self, ui: &mut Ui) {
        if matches!(self.place, Place::Slide | Place::Animal) && !self.pictures.is_empty() {
            egui::Panel::bottom("strip").exact_size(STRIP).show(ui, |ui| {
                let current = self.current_path().map(Path::to_owned);
                let follow = std::mem::take(&mut self.follow);
                if let Some(path) = self.pictures.strip(ui, current.as_deref(), follow) {
                    self.show_picture(&path);
                }
            });
        }
        // Over a picture the line is always there: the picture must not move under the hand when a message comes or goes.
        let idle = match self.place {
            Place::Slide | Place::Animal if !self.pictures.is_empty() => Some(self.about_picture()),
            _ => None,
        };
        if !self.messages.is_empty() || idle.is_some() {
            egui::Panel::bottom("messages").show(ui, |ui| self.messages.show(ui, &idle.unwrap_or_default()));
        }
    }

    /// Name, size and camera of the picture that is shown, in a line.
    fn about_picture(&self) -> String {
        let name = self.current_path().and_then(Path::file_name).unwrap_or_default().to_string_lossy();
        match self.current() {
            Some(picture) => format!("{name}   {}", super::pictures::group_of(&picture.opened.facts)),
            None => name.into_owned(),
        }
    }

    pub(super) fn picture_place(&mut self, ui: &mut Ui) {
        if let Some(path) = self.current_path().map(Path::to_owned) {
            self.pictures.ask(&path, &mut self.work, ui.ctx());
        }
        let picture = self.current();
        egui::Panel::right("side").exact_size(SIDE).show(ui, |ui| {
            egui::ScrollArea::vertical().id_salt("side").auto_shrink(false).show(ui, |ui| {
                ui.set_max_width(ui.available_width() - SCROLL_BAR);
                if self.tone_shown {
                    help::view_controls(ui, self.canvas());
                    ui.separator();
                }
                match self.place {
                    Place::Animal => {
                        let ctx = ui.ctx().clone();
                        let (animal, mut run) = self.animal_run(picture.as_ref(), &ctx);
                        animal.panel(ui, &mut run);
                    }
                    _ => {
                        let run = SlideRun {
                            picture: picture.as_ref(),
                            pictures: &self.pictures,
                            setups: &mut self.setups,
                            work: &mut self.work,
                            messages: &mut self.messages,
                        };
                        self.slide.panel(ui, run);
                    }
                }
            });
        });
        if self.place == Place::Animal && picture.is_some() {
            let ctx = ui.ctx().clone();
            let (animal, mut run) = self.animal_run(picture.as_ref(), &ctx);
            egui::Panel::top("tools").show(ui, |ui| animal.tool_bar(ui, &mut run));
        }
        egui::CentralPanel::no_frame().show(ui, |ui| match (&picture, self.place) {
            (None, _) => self.without_picture(ui),
            (Some(_), Place::Animal) => {
                let ctx = ui.ctx().clone();
                let (animal, mut run) = self.animal_run(picture.as_ref(), &ctx);
                animal.canvas(ui, &mut run);
            }
            (Some(picture), _) => self.slide.canvas(ui, picture, &mut self.work, &mut self.messages),
        });
    }

    fn without_picture(&mut self, ui: &mut Ui) {
        if self.pictures.is_empty() {
            ui.painter().rect_filled(ui.max_rect(), 0.0, ui.visuals().panel_fill);
            start::page(self, ui);
            return;
        }
        let words = match self.current_path() {
            Some(path) if self.pictures.is_opening(path) => "Opening the picture…".to_owned(),
            Some(path) => format!(
                "{} is not open; choose a picture below.",
                path.file_name().unwrap_or_default().to_string_lossy()
            ),
            None if self.place == Place::Animal => "Choose the picture of an animal below.".to_owned(),
            None => "Choose the picture of the ruled slide below.".to_owned(),
        };
        ui.painter().rect_filled(ui.max_rect(), 0.0, ui.visuals().panel_fill);
        ui.centered_and_justified(|ui| ui.label(RichText::new(words).heading()));
    }

    pub(super) fn notebook_place(&mut self, ui: &mut Ui) {
        let mut asked = None;
        egui::CentralPanel::default()
            .show(ui, |ui| asked = self.book.show(ui, &mut self.document, &mut self.work, &mut self.messages));
        match asked {
            Some(Asked::GoTo(id)) => self.look_for_picture(id, ui.ctx()),
            Some(Asked::Export(what)) => self.ask(Purpose::Export(what)),
            Some(Asked::SavePlot(plot)) => {
                self.ask(Purpose::Plot);
                self.plot_to_save = Some(plot);
            }
            Some(Asked::OpenSizes) => self.ask(Purpose::Sizes),
            Some(Asked::OpenNotebook) => self.ask(Purpose::Notebook),
            Some(Asked::OpenSample) => {
                let folder = self.folders.data.join("sample notebook");
                start::open_sample_notebook(self, ui.ctx(), folder);
            }
            None => {}
        }
    }

    pub(super) fn planner_place(&mut self, ui: &mut Ui) {
        egui::Panel::right("side").exact_size(SIDE).show(ui, |ui| {
            egui::ScrollArea::vertical().id_salt("side").auto_shrink(false).show(ui, |ui| {
                ui.set_max_width(ui.available_width() - SCROLL_BAR);
                self.planner.panel(ui, &self.setups);
            });
        });
        let open = self.pictures.open_one(self.animal.picture.as_deref()).cloned();
        let own = open.and_then(|picture| {
            let scale = self.animal.scale_of(&picture, &self.setups, self.document.notebook())?;
            Some(OwnPicture { path: picture.path.clone(), scale })
        });
        egui::CentralPanel::default().show(ui, |ui| self.planner.middle(ui, own.as_ref(), &mut self.work));
    }
}

/// Whether the button was pressed; it is there to press where there is a step, which its words name.
fn step_button(ui: &mut Ui, name: &str, step: Option<String>, none: &str) -> bool {
    let possible = step.is_some();
    let words = step.unwrap_or_else(|| none.to_owned());
    let button = ui.add_enabled(possible, egui::Button::new(name));
    button.on_hover_text(&words).on_disabled_hover_text(&words).clicked()
}
