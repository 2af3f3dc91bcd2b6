//! The side of the animal place: setup, animal, figures and budget.

use eframe::egui;
use egui::{RichText, Ui};

use super::super::message::first_large;
use super::animal::{AnimalPlace, Run, Tool};
use super::animal_basis::{LyingIs, Situation};
use super::figures;
use super::parts::{attention, budget, warnings};
use super::setups::Suggestion;
use crate::animal::Unit;
use crate::animal::repeat::worth_repeating;
use crate::notebook::{Action, FigureNote, Measurement, MeasurementId};
use crate::uncertainty::significant;

impl AnimalPlace {
    /// Draws the panel.
    pub(crate) fn panel(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        let Some(picture) = run.picture else {
            ui.heading("Measure an animal");
            ui.label(
                "Open or drop pictures, then choose one in the strip below. Its setup comes from the place Slide.",
            );
            return;
        };
        let about = self.situation(picture, run.setups);
        self.setup(ui, &about, run);
        self.animal_and_lying(ui, &about, run);
        ui.separator();
        if self.drawing.is_empty() && self.edit.is_none() && self.has_proposal(picture) {
            self.proposal(ui, run);
            ui.separator();
        } else if self.tool != Tool::Look {
            self.being_drawn(ui, run);
        }
        self.figure_at_work(ui);
        self.list(ui, picture, run);
    }

    fn setup(&mut self, ui: &mut Ui, about: &Situation<'_>, run: &Run<'_>) {
        for words in &run.setups.troubles {
            attention(ui, "A setup cannot be read", words);
        }
        if about.suggestion == Suggestion::NoSetups {
            attention(ui, "No setup", "nothing was calibrated yet; read a ruled slide in Slide first");
            return;
        }
        let shown = about.setup.map_or("choose a setup", |s| s.name.as_str()).to_owned();
        ui.horizontal(|ui| {
            let label = ui.label("Setup");
            egui::ComboBox::from_id_salt("setup")
                .selected_text(shown.clone())
                .width(ui.available_width())
                .truncate()
                .show_ui(ui, |ui| {
                    for s in run.setups.all() {
                        if ui.selectable_label(shown == s.name, &s.name).clicked() {
                            self.setup_by_hand = Some(s.name.clone());
                            self.accept = false;
                        }
                    }
                })
                .response
                .labelled_by(label.id);
        });
        match (&about.suggestion, &self.setup_by_hand) {
            (Suggestion::None(why), None) => {
                attention(ui, "No setup fits this picture", &why.join("\n"));
                ui.label(RichText::new("Choose the setup that took it, or read a slide taken the same way.").weak());
            }
            (Suggestion::Fits(i, words), by_hand) => {
                let suggested = run.setups.all().get(*i).map(|s| &s.name);
                if by_hand.is_none() || by_hand.as_ref() == suggested {
                    ui.add(egui::Label::new(RichText::new(first_large(words)).weak().small()).wrap());
                }
            }
            _ => {}
        }
        if !about.differences.is_empty() {
            attention(ui, "This setup does not match", &about.differences.join("; "));
            ui.checkbox(&mut self.accept, "Measure all the same, because");
            if self.accept {
                let label = ui.label("Reason, which is recorded");
                ui.add(egui::TextEdit::singleline(&mut self.reason).desired_width(f32::INFINITY)).labelled_by(label.id);
            }
        }
        if let Some(map) = &about.map {
            let scale = map.centre_scale().get() / about.pooling;
            let blur = about
                .blur_px
                .map_or_else(|| "blur spot not known".to_owned(), |w| format!("blur spot {:.1} µm", w / scale));
            ui.label(RichText::new(format!("{} px/µm, {blur}", significant(scale, 5))).weak().small());
        }
    }

    fn animal_and_lying(&mut self, ui: &mut Ui, about: &Situation<'_>, run: &mut Run<'_>) {
        ui.horizontal(|ui| {
            let label = ui.label("Animal");
            let width = ui.available_width() - 86.0;
            ui.add(egui::TextEdit::singleline(&mut self.animal).hint_text("its name here").desired_width(width))
                .labelled_by(label.id);
            let names: Vec<String> = run.document.notebook().animals.iter().map(|a| a.name.clone()).collect();
            ui.menu_button("Animals", |ui| {
                ui.checkbox(&mut self.keeps_animal, "The next picture shows the same animal");
                if !names.is_empty() {
                    ui.separator();
                }
                egui::ScrollArea::vertical().max_height(260.0).show(ui, |ui| {
                    for name in names {
                        if ui.button(&name).clicked() {
                            self.animal = name;
                            ui.close();
                        }
                    }
                });
            })
            .response
            .on_hover_text("animals of this notebook, and whether the name stays for the next picture");
        });
        ui.horizontal(|ui| {
            let label = ui.label("It lies");
            let words = LyingIs::ALL.iter().find(|l| l.0 == self.lying).map_or("", |l| l.1);
            egui::ComboBox::from_id_salt("lies")
                .selected_text(words)
                .show_ui(ui, |ui| {
                    for (l, words) in LyingIs::ALL {
                        ui.selectable_value(&mut self.lying, l, words);
                    }
                })
                .response
                .labelled_by(label.id);
            if matches!(self.lying, LyingIs::Within | LyingIs::Tilt) {
                let response =
                    ui.add(egui::TextEdit::singleline(&mut self.degrees).hint_text("15").desired_width(40.0));
                let degrees = ui.label("°");
                response.labelled_by(degrees.id);
            }
            if self.keeps_animal {
                ui.label(RichText::new("same on the next picture").weak().small());
            }
        });
        if self.lying == LyingIs::Unknown && about.map.is_some() && !about.depth_known {
            attention(
                ui,
                "How does it lie?",
                "the setup has no magnification and aperture, so the depth of field cannot bound the tilt",
            );
            ui.horizontal(|ui| {
                if ui.button("It lies flat").clicked() {
                    self.lying = LyingIs::Flat;
                }
                if ui.button("Within 20°").clicked() {
                    self.lying = LyingIs::Within;
                    self.degrees = "20".to_owned();
                }
            });
        }
        if let Err(words) = self.lying() {
            attention(ui, "Angle", &words);
        }
    }

    fn figure_at_work(&self, ui: &mut Ui) {
        if self.drawing.is_empty() && self.edit.is_none() {
            return;
        }
        match self.live.as_ref().map(|l| &l.result) {
            Some(Ok(m)) => {
                ui.label(RichText::new(figures::of_measured(m)).heading());
                ui.label(figures::verdict(m.verdict));
                let lines: Vec<_> = m.budget.iter().map(|l| (l.source.clone(), l.share, amount(l.u, m.unit))).collect();
                budget(ui, &lines);
                if let Some(words) = worth_repeating(m) {
                    ui.add(egui::Label::new(RichText::new(first_large(&words)).weak()).wrap());
                }
            }
            Some(Err(words)) => attention(ui, "No figure yet", words),
            None => {}
        }
        ui.separator();
    }

    fn list(&mut self, ui: &mut Ui, picture: &super::super::pictures::OpenPicture, run: &mut Run<'_>) {
        let notebook = run.document.notebook();
        let Some(id) = Self::picture_in(notebook, picture) else {
            if self.drawing.is_empty() {
                ui.add(egui::Label::new(RichText::new("Nothing is measured on this picture yet. Figures, what makes them uncertain and what would lessen it stand here.").weak()).wrap());
            }
            return;
        };
        let here: Vec<Measurement> = notebook.measurements_on(id).cloned().collect();
        ui.horizontal(|ui| {
            ui.label(RichText::new("On this picture").strong());
            let words = if self.hidden { "Show earlier marks" } else { "Hide earlier marks" };
            if ui.small_button(words).on_hover_text(super::super::keys::Command::Hide.hint()).clicked() {
                self.hidden = !self.hidden;
            }
        });
        if self.hidden {
            ui.label("Earlier marks and figures are hidden, so that they do not lead the hand.");
            return;
        }
        let mut newly = None;
        let gap = std::mem::replace(&mut ui.spacing_mut().item_spacing.y, 1.0);
        for m in &here {
            let figure =
                m.reported.as_ref().map_or_else(|| "not evaluated".to_owned(), |r| figures::of_note(&r.figure));
            let text = format!("{}   {figure}", m.full_name());
            if ui.selectable_label(self.chosen == Some(m.id), text).clicked() {
                newly = Some(m.id);
            }
        }
        ui.spacing_mut().item_spacing.y = gap;
        if newly.is_some() {
            (self.chosen, self.mark) = (newly, None);
        }
        let Some(m) = here.into_iter().find(|m| Some(m.id) == self.chosen) else { return };
        ui.add_space(4.0);
        self.chosen_one(ui, &m, run);
    }

    fn chosen_one(&mut self, ui: &mut Ui, m: &Measurement, run: &mut Run<'_>) {
        if let Some(r) = &m.reported {
            ui.label(RichText::new(figures::of_note(&r.figure)).heading());
            ui.add(egui::Label::new(facts_of(&r.figure, m)).wrap());
        }
        self.what_to_do(ui, m, run);
        if let Some(r) = &m.reported {
            let lines: Vec<_> =
                r.figure.budget.iter().map(|l| (l.source.clone(), l.share, amount(l.u, r.figure.unit))).collect();
            budget(ui, &lines);
            for part in &r.figure.parts {
                ui.horizontal(|ui| {
                    ui.label(&part.name);
                    ui.label(figures::of_note(part));
                    ui.label(RichText::new(figures::verdict(part.verdict)).weak());
                });
            }
            ui.add_space(4.0);
            warnings(ui, r.figure.warnings.iter().chain(&r.warnings));
        }
        self.rename(ui, m.id, &m.quantity, m, run);
    }

    /// What can be done with the chosen measurement.
    fn what_to_do(&mut self, ui: &mut Ui, m: &Measurement, run: &mut Run<'_>) {
        ui.horizontal_wrapped(|ui| {
            // All in one row.
            ui.spacing_mut().item_spacing.x = 3.0;
            ui.spacing_mut().button_padding.x = 3.0;
            if ui.button("Remove").on_hover_text(super::super::keys::Command::Remove.hint()).clicked() {
                self.remove_chosen(run);
            }
            if ui.button("Measure again, blind").on_hover_text(super::super::keys::Command::Again.hint()).clicked() {
                self.measure_again(run);
            }
            let snap =
                ui.button("Snap marks").on_hover_text("moves the marks to edge or joint with sub-pixel accuracy");
            if let (true, Some(shape), Some(picture)) = (snap.clicked(), m.shape(), run.picture) {
                let about = self.situation(picture, run.setups);
                if let Err(words) =
                    self.evaluate(&about, vec![shape], (Some(m.id), true), run.document.notebook(), (run.work, run.ctx))
                {
                    run.messages.problem(words);
                }
            }
            if ui.button("Copy").on_hover_text(super::super::keys::Command::CopyFigure.hint()).clicked() {
                self.copy_figure(run);
            }
        });
    }

    fn rename(&mut self, ui: &mut Ui, id: MeasurementId, name: &str, m: &Measurement, run: &mut Run<'_>) {
        let (_, mut text) = self.renamed.take().filter(|(i, _)| *i == id).unwrap_or_else(|| (id, name.to_owned()));
        ui.horizontal(|ui| {
            let label = ui.label("Quantity");
            let response = ui.add(egui::TextEdit::singleline(&mut text).desired_width(170.0)).labelled_by(label.id);
            let response = response.on_hover_text("what the table calls it; type another name to change it");
            let wanted = !text.trim().is_empty() && text.trim() != name;
            if response.lost_focus() && wanted {
                let mut renamed = m.clone();
                renamed.quantity = text.trim().to_owned();
                let what = format!("rename {name} to {}", renamed.quantity);
                let actions = vec![Action::ChangeMeasurement { measurement: Box::new(renamed) }];
                if let Err(e) = run.document.apply(Action::Several { what, actions }) {
                    run.messages.problem(e);
                }
            } else {
                self.renamed = Some((id, text.clone()));
            }
        });
    }
}

fn amount(u: f64, unit: Unit) -> String {
    format!("{} {}", significant(u, 2), unit.symbol())
}

fn facts_of(f: &FigureNote, m: &Measurement) -> String {
    let mut words = vec![figures::verdict(f.verdict).to_owned()];
    if let (Some(low), Some(high), Some(_)) = (f.low, f.high, f.value) {
        let text = crate::uncertainty::interval_text(low, high, 2);
        words.push(format!("{:.0} %: {text} {}", 100.0 * m.coverage, f.unit.symbol()));
    }
    words.push(format!("lying: {}", m.lying.words()));
    words.join(", ")
}
