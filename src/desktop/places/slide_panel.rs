//! The side of the slide place: what is typed, what was found.

use std::sync::Arc;

use eframe::egui;
use egui::{RichText, Ui};
use egui_plot::{AxisHints, HLine, MarkerShape, Plot, Points};

use super::super::keys::Command;
use super::super::message::{Messages, first_large};
use super::super::pictures::{OpenPicture, Pictures};
use super::super::theme;
use super::super::work::Work;
use super::parts::{attention, budget, field, line, named, warnings};
use super::setups::Setups;
use super::slide::{ApertureIs, SlidePlace, SlideRun};
use super::slide_draw;
use crate::command::desk::SlideRead;
use crate::slide::{Graduation, LongGraduations, MapModel, Reading, Rejection, Ruler};
use crate::uncertainty::{Rounded, significant};

/// Graduations left out that are listed one by one.
const MOST_LISTED: usize = 60;

impl SlidePlace {
    /// Draws the panel.
    pub(crate) fn panel(&mut self, ui: &mut Ui, run: SlideRun<'_>) {
        let SlideRun { picture, pictures, setups, work, messages } = run;
        // Once a slide is read, what was found needs the room.
        if self.read().is_none() {
            ui.heading("Read a ruled slide");
            ui.label("Photographed exactly as the animals are: same camera, lens, magnification, aperture and mode.");
            ui.add_space(4.0);
        }
        let mut asked = self.division(ui);
        self.optics(ui);
        self.conditions(ui);
        if self.hand.on {
            asked |= self.marks_by_hand(ui);
        }
        ui.add_space(2.0);
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
        self.turned_slide(ui, picture, pictures, work);
        self.stepped(ui, picture, work, messages);
        self.saving(ui, picture, setups, messages);
        if let Some(read) = self.read() {
            warnings(ui, &read.warnings);
            residuals(ui, read);
            ui.label(RichText::new("What makes the scale uncertain").strong());
            let total: f64 = read.parts.iter().map(|p| p.1 * p.1).sum();
            let lines: Vec<_> =
                read.parts.iter().map(|(source, u)| (source.clone(), u * u / total.max(1e-300), percent(*u))).collect();
            budget(ui, &lines);
        }
        self.graduations(ui, picture, work, messages);
    }

    /// The second picture, with the slide turned by about 90°, which tells the scale across.
    fn turned_slide(&mut self, ui: &mut Ui, picture: &Arc<OpenPicture>, pictures: &Pictures, work: &mut Work) {
        if self.read().is_none_or(|r| r.reading.ruler != Ruler::Lines) {
            return;
        }
        let mut chosen = self.turned.clone();
        let name = |p: &std::path::Path| p.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let shown = chosen.as_deref().map_or_else(|| "none".to_owned(), name);
        ui.horizontal(|ui| {
            let label = ui.label("Slide turned by 90°");
            egui::ComboBox::from_id_salt("turned slide")
                .selected_text(shown)
                .width(ui.available_width())
                .truncate()
                .show_ui(ui, |ui| {
                    ui.selectable_value(&mut chosen, None, "none");
                    for (path, name) in pictures.like(&picture.path) {
                        ui.selectable_value(&mut chosen, Some(path.to_owned()), name);
                    }
                })
                .response
                .labelled_by(label.id)
                .on_hover_text("a second picture of the same slide, turned by about 90°: it tells whether the scale across is the same; it must be in the strip, of the same size and camera");
        });
        if chosen != self.turned {
            self.turn(chosen, picture, work, ui.ctx());
        }
    }

    /// The distance from one graduation to the next, typed or by one of the common rulings; true when it shall be read.
    fn division(&mut self, ui: &mut Ui) -> bool {
        let all = crate::setup::rulings();
        let mut asked = false;
        named(ui, "Division", |ui, label| {
            let width = ui.available_width() - 82.0;
            let field = egui::TextEdit::singleline(&mut self.form.division).hint_text("as 10um").desired_width(width);
            let response = ui.add(field).labelled_by(label);
            let response = response.on_hover_text("the distance from one graduation to the next, as 10um or 0.01mm");
            asked = response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
            if response.changed() {
                self.form.ruling = None;
            }
            let menu = ui.menu_button("Rulings", |ui| {
                ui.label(
                    RichText::new("Common ones; each also tells the glass and how well it is known.").weak().small(),
                );
                for (i, r) in all.iter().enumerate() {
                    if ui.selectable_label(self.form.ruling == Some(i), &r.title).clicked() {
                        self.form.ruling = Some(i);
                        self.form.division = format!("{}um", r.division_um);
                        ui.close();
                    }
                }
            });
            menu.response.on_hover_text("choose one of the common rulings instead of typing the division");
        });
        if let Some(r) = self.form.ruling.and_then(|i| all.get(i)) {
            ui.horizontal(|ui| {
                ui.add(egui::Label::new(RichText::new(&r.title).weak().small()).truncate());
                if ui
                    .small_button("As typed")
                    .on_hover_text("takes the division alone, not the ruling's glass")
                    .clicked()
                {
                    self.form.ruling = None;
                }
            });
        }
        asked
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
            field(ui, "Slide level within", &mut self.form.tilt, "degrees, 2 unless given");
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
        let saved = self.kept.as_deref() == Some(self.name.trim());
        let mut asked = false;
        ui.horizontal(|ui| {
            let label = ui.label("Setup name");
            let field = egui::TextEdit::singleline(&mut self.name).hint_text("as fernery 4x");
            let response = ui.add(field.desired_width(ui.available_width() - 124.0)).labelled_by(label.id);
            asked |= response.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
            let words = if saved { "Saved" } else { "Save the setup" };
            let ready = !self.name.trim().is_empty() && !saved;
            let button = ui.add_enabled(ready, egui::Button::new(RichText::new(words).strong()));
            let button = button.on_hover_text("keeps the scale under this name, for the animals taken the same way");
            asked |= button.clicked();
        });
        let known = setups.library.names().iter().any(|n| n == self.name.trim());
        if known && !saved {
            ui.add(
                egui::Label::new(
                    "There is a setup of this name: this reading joins its history and makes its figures better.",
                )
                .wrap(),
            );
            ui.checkbox(&mut self.anew, "Start it anew and forget its earlier readings");
        }
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
        let rms = significant(r.residual_rms.get(), 2);
        line(ui, "Graduations", format!("{} in the fit, {} left out, {rms} px rms", r.used(), r.rejected()));
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
        line(ui, "Across", across(r));
        line(ui, "Map", map_words(r.map.model));
        let long = match r.long_graduations {
            LongGraduations::FifthsAndTenths => "fifths and tenths are longer",
            LongGraduations::Tenths => "tenths are longer",
            LongGraduations::Fifths => "fifths are longer",
            _ => "none longer seen",
        };
        line(ui, "Ruling", format!("{kind}, turned by {:.2}°, {long}", r.rotation.degrees()).replace('-', "−"));
    });
}

/// What the scale map takes into account, in a line.
const fn map_words(model: MapModel) -> &'static str {
    match model {
        MapModel::Similarity => "one scale all over the picture",
        MapModel::Affine => "a scale along and one across",
        MapModel::Perspective => "with the slide's tilt",
        MapModel::Radial => "with the lens's distortion",
        MapModel::PerspectiveRadial => "with tilt and the lens's distortion",
        MapModel::AffinePerspective => "a scale along, one across, with tilt",
        MapModel::AffineRadial => "a scale along, one across, with distortion",
        MapModel::AffinePerspectiveRadial => "along and across, with tilt and distortion",
    }
}

/// What is known of the scale across the ruling.
fn across(r: &Reading) -> String {
    match &r.isotropy {
        None => "not read; taken as equal, ±0.1 %".to_owned(),
        Some(i) => {
            let ratio = Rounded::new(i.ratio, 2.0 * i.u_ratio, 2);
            let verdict = if i.evidence > 0.5 { "they differ" } else { "no difference is seen" };
            format!("{ratio} of that along (k = 2), {verdict}")
        }
    }
}

fn residuals(ui: &mut Ui, read: &SlideRead) {
    let dark = ui.visuals().dark_mode;
    ui.horizontal(|ui| {
        ui.label(RichText::new("Distance from the scale map").strong());
        ui.label(RichText::new("px, by number; × left out").weak().small()).on_hover_text(
            "each graduation's distance from where the scale map has it, against its number; crosses are left out",
        );
    });
    let points = |left_out: bool| -> Vec<[f64; 2]> {
        let all = read.reading.graduations.iter().filter(|g| g.rejected.is_some() == left_out);
        all.filter(|g| g.residual.is_finite()).map(|g| [g.index as f64, g.residual.get()]).collect()
    };
    Plot::new("residuals")
        .height(104.0)
        .allow_scroll(false)
        .allow_drag(false)
        .allow_zoom(false)
        .allow_boxed_zoom(false)
        .show_grid([false, true])
        .grid_color(theme::grid(dark))
        .custom_x_axes(vec![AxisHints::new_x().label_spacing(24.0..=32.0)])
        .custom_y_axes(vec![AxisHints::new_y().label_spacing(14.0..=20.0)])
        .show(ui, |plot| {
            plot.hline(HLine::new("map", 0.0).color(theme::second(dark)).width(1.0));
            plot.points(Points::new("in the fit", points(false)).radius(2.5).color(theme::series(dark)));
            plot.points(
                Points::new("left out", points(true)).radius(4.0).shape(MarkerShape::Cross).color(theme::second(dark)),
            );
        });
}
