//! The side of the animal place: setup, animal, tools, figures and budget.

use eframe::egui;
use egui::{RichText, Ui};

use super::super::message::first_large;
use super::animal::{AnimalPlace, Run, Tool};
use super::animal_basis::{LyingIs, Situation};
use super::figures;
use super::parts::{attention, budget, warnings};
use super::setups::Suggestion;
use crate::animal::repeat::worth_repeating;
use crate::animal::{MarkKind, Unit};
use crate::notebook::{Action, FigureNote, Measurement, MeasurementId, TRADE_LENGTHS};
use crate::uncertainty::significant;

impl AnimalPlace {
    /// Draws the panel.
    pub(crate) fn panel(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        ui.heading("Measure an animal");
        let Some(picture) = run.picture else {
            ui.label("Choose its picture in the strip below.");
            return;
        };
        let about = self.situation(picture, run.setups);
        self.setup(ui, &about, run);
        ui.separator();
        self.animal_and_lying(ui, &about, run);
        ui.separator();
        self.tools(ui, run);
        if self.drawing.is_empty() && self.edit.is_none() {
            self.proposal(ui, &about, run);
        }
        ui.separator();
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
        let label = ui.label("Setup");
        egui::ComboBox::from_id_salt("setup")
            .selected_text(shown.clone())
            .width(ui.available_width())
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
        match (&about.suggestion, &self.setup_by_hand) {
            (Suggestion::None(why), None) => {
                attention(ui, "No setup fits this picture", &why.join("\n"));
                ui.label(RichText::new("Choose the setup that took it, or read a slide taken the same way.").weak());
            }
            (Suggestion::Fits(i, words), by_hand) => {
                let suggested = run.setups.all().get(*i).map(|s| &s.name);
                if by_hand.is_none() || by_hand.as_ref() == suggested {
                    ui.add(egui::Label::new(RichText::new(first_large(words)).weak()).wrap());
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
            ui.label(RichText::new(format!("{} px/µm, {blur}", significant(scale, 5))).weak());
        }
    }

    fn animal_and_lying(&mut self, ui: &mut Ui, about: &Situation<'_>, run: &mut Run<'_>) {
        ui.horizontal(|ui| {
            let label = ui.label("Animal");
            ui.add(egui::TextEdit::singleline(&mut self.animal).hint_text("its name here").desired_width(170.0))
                .labelled_by(label.id);
            let names: Vec<String> = run.document.notebook().animals.iter().map(|a| a.name.clone()).collect();
            if !names.is_empty() {
                ui.menu_button("Known", |ui| {
                    egui::ScrollArea::vertical().max_height(260.0).show(ui, |ui| {
                        for name in names {
                            if ui.button(&name).clicked() {
                                self.animal = name;
                                ui.close();
                            }
                        }
                    });
                });
            }
        });
        ui.horizontal(|ui| {
            let label = ui.label("Lies");
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
        });
        ui.checkbox(&mut self.keeps_animal, "The next picture shows the same animal");
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

    fn tools(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            for (tool, name) in Tool::ALL {
                if ui.selectable_label(self.tool == tool, name).clicked() {
                    self.choose_tool(tool);
                }
            }
        });
        // A proposal needs the room; what is drawn has its own words again once that is decided.
        let proposal = self.drawing.is_empty() && run.picture.is_some_and(|p| self.has_proposal(p));
        if !proposal {
            ui.add(egui::Label::new(RichText::new(self.tool.words()).weak()).wrap());
        }
        if self.tool != Tool::Look && !proposal {
            ui.horizontal(|ui| {
                let label = ui.label("Called");
                let hint = self.tool.kind().map_or(String::new(), |k| format!("{} and a number", k.name()));
                ui.add(egui::TextEdit::singleline(&mut self.quantity).hint_text(hint).desired_width(170.0))
                    .labelled_by(label.id);
                usual_names(ui, &mut self.quantity);
            });
            ui.horizontal(|ui| {
                let label = ui.label("Ends on");
                let words = |e: Option<MarkKind>| match e {
                    None => "as is usual",
                    Some(MarkKind::Silhouette) => "the outer edge",
                    Some(MarkKind::Feature) => "a joint or line",
                };
                egui::ComboBox::from_id_salt("ends")
                    .selected_text(words(self.ends))
                    .show_ui(ui, |ui| {
                        for e in [None, Some(MarkKind::Silhouette), Some(MarkKind::Feature)] {
                            ui.selectable_value(&mut self.ends, e, words(e));
                        }
                    })
                    .response
                    .labelled_by(label.id);
                ui.checkbox(&mut self.snap, "Snap").on_hover_text(super::super::keys::Command::Snap.hint());
            });
        }
        if !self.drawing.is_empty() {
            ui.horizontal(|ui| {
                let n = self.drawing.len();
                ui.label(if n == 1 { "1 mark".to_owned() } else { format!("{n} marks") });
                if ui.button("Finish").on_hover_text(super::super::keys::Command::Finish.hint()).clicked() {
                    self.finish_now(run);
                }
                if ui.button("Drop").on_hover_text(super::super::keys::Command::Drop.hint()).clicked() {
                    self.drawing.clear();
                    self.live = None;
                }
            });
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
                ui.label(RichText::new("Nothing is measured on this picture yet.").weak());
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
        for m in &here {
            let figure =
                m.reported.as_ref().map_or_else(|| "not evaluated".to_owned(), |r| figures::of_note(&r.figure));
            let text = format!("{}   {figure}", m.full_name());
            if ui.selectable_label(self.chosen == Some(m.id), text).clicked() {
                newly = Some(m.id);
            }
        }
        if newly.is_some() {
            (self.chosen, self.mark) = (newly, None);
        }
        let Some(m) = here.into_iter().find(|m| Some(m.id) == self.chosen) else { return };
        ui.add_space(4.0);
        self.chosen_one(ui, &m, run);
    }

    fn chosen_one(&mut self, ui: &mut Ui, m: &Measurement, run: &mut Run<'_>) {
        ui.horizontal_wrapped(|ui| {
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
        self.rename(ui, m.id, &m.quantity, m, run);
        let Some(r) = &m.reported else { return };
        ui.label(RichText::new(figures::of_note(&r.figure)).heading());
        ui.label(facts_of(&r.figure, m));
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

    fn rename(&mut self, ui: &mut Ui, id: MeasurementId, name: &str, m: &Measurement, run: &mut Run<'_>) {
        let (_, mut text) = self.renamed.take().filter(|(i, _)| *i == id).unwrap_or_else(|| (id, name.to_owned()));
        ui.horizontal(|ui| {
            let label = ui.label("Called");
            let response = ui.add(egui::TextEdit::singleline(&mut text).desired_width(170.0)).labelled_by(label.id);
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

/// Lengths as the trade defines them, to be taken as a name.
fn usual_names(ui: &mut Ui, quantity: &mut String) {
    ui.menu_button("Usual", |ui| {
        egui::ScrollArea::vertical().max_height(320.0).show(ui, |ui| {
            for l in &TRADE_LENGTHS {
                let words = format!("{} ({})", l.quantity, l.animals);
                if ui.button(words).on_hover_text(l.definition).clicked() {
                    l.quantity.clone_into(quantity);
                    ui.close();
                }
            }
        });
    })
    .response
    .on_hover_text("names of lengths as the trade defines them");
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
    words.push(format!("lying {}", m.lying));
    words.join(", ")
}
