//! The side of the slide place: what is typed, what was found.

use std::sync::Arc;

use eframe::egui;
use egui::{RichText, Ui};
use egui_plot::{HLine, MarkerShape, Plot, Points};

use super::super::keys::Command;
use super::super::message::{Messages, first_large};
use super::super::pictures::OpenPicture;
use super::super::theme;
use super::super::work::Work;
use super::parts::{attention, budget, field, line, named, warnings};
use super::setups::Setups;
use super::slide::{ApertureIs, SlidePlace};
use super::slide_draw;
use crate::command::desk::SlideRead;
use crate::slide::{Graduation, LongGraduations, Rejection, Ruler};
use crate::uncertainty::significant;

/// Graduations left out that are listed one by one.
const MOST_LISTED: usize = 60;

impl SlidePlace {
    /// Draws the panel.
    pub(crate) fn panel(
        &mut self,
        ui: &mut Ui,
        picture: Option<&Arc<OpenPicture>>,
        work: &mut Work,
        setups: &mut Setups,
        messages: &mut Messages,
    ) {
        ui.heading("Read a ruled slide");
        ui.label("Photographed exactly as the animals are: same camera, lens, magnification, aperture and mode.");
        ui.add_space(4.0);
        let mut asked = false;
        let response = field(ui, "Division", &mut self.form.division, "as 10um or 0.01mm");
        asked |= response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
        if response.changed() {
            self.form.ruling = None;
        }
        self.rulings(ui);
        ui.add_space(2.0);
        self.optics(ui);
        self.conditions(ui);
        ui.add_space(6.0);
        if self.hand.on {
            asked |= self.marks_by_hand(ui);
        }
        ui.horizontal(|ui| {
            let running = work.is_running(self.ticket);
            let ready = picture.is_some() && self.is_enough() && !running;
            let words = match (running, self.hand.on) {
                (true, _) => "Reading…",
                (false, false) => "Read the slide",
                (false, true) => "Read the marks",
            };
            let response = ui.add_enabled(ready, egui::Button::new(RichText::new(words).strong()));
            let response = if picture.is_none() {
                response.on_disabled_hover_text("choose the picture of the slide in the strip below")
            } else if self.hand.on {
                response.on_disabled_hover_text("set two marks and more, and type what the ruler says at each")
            } else {
                response.on_disabled_hover_text("type the division first: the distance from one graduation to the next")
            };
            asked |= response.clicked();
            let words = if self.hand.on { "No marks by hand" } else { "Mark by hand" };
            if ui
                .add_enabled(picture.is_some(), egui::Button::new(words))
                .on_hover_text(Command::ByHand.hint())
                .clicked()
            {
                self.hand.on = !self.hand.on;
            }
        });
        if let Some(picture) = picture.filter(|_| asked) {
            self.start(picture, work, ui.ctx());
        }
        ui.separator();
        if let Some(not) = self.not_read() {
            attention(ui, if not.refused { "Refused: this picture gives no scale" } else { "Not read" }, &not.words);
        }
        if let Some(picture) = picture.filter(|_| !self.left_out.is_empty() && self.read().is_none())
            && ui.button("Count all graduations again").clicked()
        {
            self.count_all(picture, work, ui.ctx());
        }
        let Some(picture) = picture.filter(|_| self.read().is_some()) else {
            if self.outcome.is_none() && self.ticket.is_none() {
                ui.label(
                    RichText::new(
                        "After reading, each graduation is marked on the picture, and the setup can be saved here.",
                    )
                    .weak(),
                );
            }
            return;
        };
        if let Some(read) = self.read() {
            found(ui, read);
        }
        self.stepped(ui, picture, work, messages);
        self.saving(ui, picture, setups, messages);
        if let Some(read) = self.read() {
            residuals(ui, read);
        }
        self.graduations(ui, picture, work, messages);
        if let Some(read) = self.read() {
            ui.add_space(4.0);
            ui.label(RichText::new("What makes the scale uncertain").strong());
            let total: f64 = read.parts.iter().map(|p| p.1 * p.1).sum();
            let lines: Vec<_> =
                read.parts.iter().map(|(source, u)| (source.clone(), u * u / total.max(1e-300), percent(*u))).collect();
            budget(ui, &lines);
            ui.add_space(4.0);
            warnings(ui, &read.warnings);
        }
    }

    fn rulings(&mut self, ui: &mut Ui) {
        let all = crate::setup::rulings();
        let shown =
            self.form.ruling.and_then(|i| all.get(i)).map_or("or one of the common rulings", |r| r.title.as_str());
        let response =
            egui::ComboBox::from_id_salt("ruling").selected_text(shown).width(ui.available_width()).show_ui(ui, |ui| {
                ui.selectable_value(&mut self.form.ruling, None, "the division as typed");
                for (i, r) in all.iter().enumerate() {
                    if ui.selectable_value(&mut self.form.ruling, Some(i), &r.title).clicked() {
                        self.form.division = format!("{}um", r.division_um);
                    }
                }
            });
        response.response.on_hover_text("a common ruling also tells the glass and how well it is known");
    }

    fn optics(&mut self, ui: &mut Ui) {
        let open = egui::CollapsingHeader::new("Lens, aperture, camera").show(ui, |ui| {
            ui.label(RichText::new("All of it may stay empty. Magnification and aperture tell blur and depth of field; magnification and pixels check the scale.").weak().small());
            field(ui, "Magnification", &mut self.form.magnification, "as 4");
            let kind = &mut self.form.aperture_is;
            named(ui, "Aperture is", |ui, label| {
                egui::ComboBox::from_id_salt("aperture is")
                    .selected_text(kind.words())
                    .show_ui(ui, |ui| {
                        for k in ApertureIs::ALL {
                            ui.selectable_value(kind, k, k.words());
                        }
                    })
                    .response
                    .labelled_by(label);
            });
            field(ui, "Aperture", &mut self.form.aperture, "as 5.6");
            field(ui, "Pupil magnification", &mut self.form.pupil, "unknown");
            field(ui, "Pixel pitch", &mut self.form.pixel, "as 3.72um");
            field(ui, "Camera", &mut self.form.camera, "as you call it");
            field(ui, "Lens", &mut self.form.lens, "as you call it");
            field(ui, "Mode", &mut self.form.mode, "still, footage 1920x1080");
        });
        open.header_response.on_hover_text("for the blur spot and the depth of field");
    }

    fn conditions(&mut self, ui: &mut Ui) {
        egui::CollapsingHeader::new("Certificate and conditions").show(ui, |ui| {
            field(ui, "Certificate", &mut self.form.certificate, "U/length, as 0.5um/1mm");
            field(ui, "Level within", &mut self.form.tilt, "degrees, 2 unless given");
            ui.checkbox(&mut self.form.rig_fixed, "The rig is not touched between slide and animals");
            ui.checkbox(&mut self.form.incoherent, "The light is diffuse or dark field");
            ui.checkbox(&mut self.form.tone_known, "The tone curve is known (raw-linear or measured)");
        });
    }

    /// The graduation that keys have stepped to.
    fn stepped(&mut self, ui: &mut Ui, picture: &Arc<OpenPicture>, work: &mut Work, messages: &mut Messages) {
        let Some(g) = self.graduation_stepped() else { return };
        ui.add(egui::Label::new(first_large(&slide_draw::words_about(&g))).wrap());
        let words = if g.rejected == Some(Rejection::ByHand) { "Count it again" } else { "Leave it out" };
        if ui.button(words).on_hover_text(Command::Remove.hint()).clicked() {
            self.leave_out_or_count(&g, picture, work, messages, ui.ctx());
        }
    }

    /// Graduations left out, with their reasons.
    fn graduations(&mut self, ui: &mut Ui, picture: &Arc<OpenPicture>, work: &mut Work, messages: &mut Messages) {
        let Some(read) = self.read().filter(|r| matches!(r.reading.ruler, Ruler::Lines | Ruler::Crossed)) else {
            return;
        };
        let out: Vec<Graduation> = read.reading.graduations.iter().filter(|g| g.rejected.is_some()).copied().collect();
        let by_hand = out.iter().filter(|g| g.rejected == Some(Rejection::ByHand)).count();
        let mut change = None;
        ui.add(egui::Label::new(RichText::new("Click a graduation on the picture, or step to it with N, to leave it out of the fit: only for dirt and damage that the picture shows.").weak().small()).wrap());
        if !out.is_empty() {
            let title = format!("Left out: {}", out.len());
            egui::CollapsingHeader::new(title).id_salt("left out").default_open(by_hand > 0).show(ui, |ui| {
                for g in out.iter().take(MOST_LISTED) {
                    ui.horizontal(|ui| {
                        let reason = g.rejected.map_or("", Rejection::reason);
                        ui.label(format!("graduation {}: {reason}, {:+.2} px", g.index, g.residual.get()));
                        if g.rejected == Some(Rejection::ByHand)
                            && ui
                                .small_button("Count it again")
                                .on_hover_text(format!("graduation {}", g.index))
                                .clicked()
                        {
                            change = Some(*g);
                        }
                    });
                }
            });
        }
        if by_hand > 1 && ui.button("Count all graduations again").clicked() {
            self.count_all(picture, work, ui.ctx());
        }
        if let Some(g) = change {
            self.leave_out_or_count(&g, picture, work, messages, ui.ctx());
        }
    }

    fn saving(&mut self, ui: &mut Ui, picture: &Arc<OpenPicture>, setups: &mut Setups, messages: &mut Messages) {
        ui.add_space(6.0);
        let mut asked = false;
        let response = field(ui, "Name of the setup", &mut self.name, "as fernery 4x");
        asked |= response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
        let known = setups.library.names().iter().any(|n| n == self.name.trim());
        if known && self.kept.as_deref() != Some(self.name.trim()) {
            ui.add(
                egui::Label::new(
                    "There is a setup of this name: this reading joins its history and makes its figures better.",
                )
                .wrap(),
            );
            ui.checkbox(&mut self.anew, "Start it anew and forget its earlier readings");
        }
        let saved = self.kept.as_deref() == Some(self.name.trim());
        ui.horizontal(|ui| {
            let ready = !self.name.trim().is_empty() && !saved;
            let words = if saved { "Saved" } else { "Save the setup" };
            asked |= ui.add_enabled(ready, egui::Button::new(RichText::new(words).strong())).clicked();
        });
        if asked && !self.name.trim().is_empty() && !saved {
            self.keep(picture, setups, messages);
        }
        ui.add_space(6.0);
    }
}

fn percent(u_rel: f64) -> String {
    format!("{} %", significant(100.0 * u_rel, 2))
}

fn found(ui: &mut Ui, read: &SlideRead) {
    let r = &read.reading;
    // Rows stand close, so that the button below is in sight in a small window too.
    egui::Grid::new("found").num_columns(2).min_row_height(15.0).spacing([8.0, 3.0]).show(ui, |ui| {
        let scale = format!("{} px/µm ± {} (k = 2)", significant(r.scale.get(), 6), percent(2.0 * read.u_rel));
        line(ui, "Scale", RichText::new(scale).strong());
        line(ui, "", format!("{} µm/px", significant(r.scale.um_per_px(), 6)));
        line(ui, "Graduations", format!("{} in the fit, {} left out", r.used(), r.rejected()));
        line(ui, "Residuals", format!("{} px rms", significant(r.residual_rms.get(), 2)));
        let blur = match r.blur {
            Some(b) => format!(
                "{:.1} µm ± {:.1} (k = 2), {:.1} px",
                (b.width / r.scale).get(),
                2.0 * (b.u / r.scale).get(),
                b.width.get()
            ),
            None => "could not be measured here".to_owned(),
        };
        line(ui, "Blur spot", blur);
        let kind = match r.ruler {
            Ruler::Lines => "lines".to_owned(),
            Ruler::Crossed => "crossed rulings".to_owned(),
            Ruler::ByHand => "marks set by hand".to_owned(),
            Ruler::Dots { columns, rows } => format!("dots, {columns} × {rows}"),
        };
        let long = match r.long_graduations {
            LongGraduations::FifthsAndTenths => "fifths and tenths are longer",
            LongGraduations::Tenths => "tenths are longer",
            LongGraduations::Fifths => "fifths are longer",
            _ => "none longer seen",
        };
        line(
            ui,
            "Ruling",
            format!("{kind}, turned by {:.2}°, {long}; map {}", r.rotation.degrees(), r.map.model.name()),
        );
    });
}

fn residuals(ui: &mut Ui, read: &SlideRead) {
    let dark = ui.visuals().dark_mode;
    ui.label(RichText::new("Distance from the scale map").strong());
    ui.label(RichText::new("px against the graduation's number; crosses are left out").weak().small());
    let points = |left_out: bool| -> Vec<[f64; 2]> {
        let all = read.reading.graduations.iter().filter(|g| g.rejected.is_some() == left_out);
        all.filter(|g| g.residual.is_finite()).map(|g| [g.index as f64, g.residual.get()]).collect()
    };
    Plot::new("residuals")
        .height(140.0)
        .allow_scroll(false)
        .allow_drag(false)
        .allow_zoom(false)
        .allow_boxed_zoom(false)
        .show_grid([false, true])
        .show(ui, |plot| {
            plot.hline(HLine::new("map", 0.0).color(theme::second(dark)).width(1.0));
            plot.points(Points::new("in the fit", points(false)).radius(2.5).color(theme::series(dark)));
            plot.points(
                Points::new("left out", points(true)).radius(4.0).shape(MarkerShape::Cross).color(theme::second(dark)),
            );
        });
}
