//! The preview of a plan: what two apertures would record of a drawn animal, or of a sharp picture of one's own, side by side.

use std::path::PathBuf;

use eframe::egui;
use egui::{ColorImage, RichText, TextureHandle, TextureOptions, Ui};

use super::super::message::first_large;
use super::super::work::{Done, Work};
use super::parts::attention;
use crate::command::desk;
use crate::optics::planner::{Advice, Plan, PlanRequest};
use crate::uncertainty::significant;
use crate::units::PxPerUm;

/// A sharp picture that is open, with the scale that its setup gives it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct OwnPicture {
    pub(crate) path: PathBuf,
    pub(crate) scale: PxPerUm,
}

impl OwnPicture {
    fn words(&self) -> String {
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        format!("{name}, {} px/µm", significant(self.scale.get(), 4))
    }
}

/// What came of rendering.
#[derive(Debug)]
pub(crate) struct Rendered {
    key: String,
    result: Result<(ColorImage, String), String>,
}

/// The part of the planner that shows it.
#[derive(Default)]
pub(super) struct PreviewPane {
    first: Option<usize>,
    second: Option<usize>,
    /// True where the preview is of the person's own picture.
    of_own: bool,
    ticket: Option<u64>,
    shown: Option<Rendered>,
    texture: Option<TextureHandle>,
}

impl std::fmt::Debug for PreviewPane {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PreviewPane").field("first", &self.first).field("second", &self.second).finish_non_exhaustive()
    }
}

fn picture(png: &[u8]) -> Result<ColorImage, String> {
    let decoded = image::load_from_memory(png).map_err(|e| format!("the preview cannot be shown: {e}"))?.to_rgba8();
    let size = [decoded.width() as usize, decoded.height() as usize];
    Ok(ColorImage::from_rgba_unmultiplied(size, &decoded))
}

impl PreviewPane {
    pub(super) fn arrived(&mut self, rendered: Rendered) {
        self.ticket = None;
        self.texture = None;
        self.shown = Some(rendered);
    }

    /// Draws it; `made` has at least one aperture.
    pub(super) fn show(
        &mut self,
        ui: &mut Ui,
        (request, made): (&PlanRequest, &Plan),
        own: Option<&OwnPicture>,
        work: &mut Work,
    ) {
        let Some(last) = made.apertures.len().checked_sub(1) else { return };
        let best = match &made.advice {
            Some(Advice::Best(best)) => best.index,
            Some(Advice::DependsOnPupil(d)) => d.index,
            _ => 0,
        };
        let mut rows = [self.first.unwrap_or(best).min(last), self.second.unwrap_or(last).min(last)];
        ui.add_space(8.0);
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new("What it would record").strong());
            for (i, (name, chosen)) in [("left", &mut self.first), ("right", &mut self.second)].into_iter().enumerate()
            {
                let label = ui.label(name);
                egui::ComboBox::from_id_salt(format!("preview {name}"))
                    .selected_text(made.apertures[rows[i]].aperture_text.clone())
                    .width(80.0)
                    .show_ui(ui, |ui| {
                        for (k, r) in made.apertures.iter().enumerate() {
                            if ui.selectable_label(rows[i] == k, &r.aperture_text).clicked() {
                                *chosen = Some(k);
                                rows[i] = k;
                            }
                        }
                    })
                    .response
                    .labelled_by(label.id);
            }
            self.choose_subject(ui, own);
            let running = work.is_running(self.ticket);
            let words = if running { "Rendering…" } else { "Render the preview" };
            let button = ui.add_enabled(!running, egui::Button::new(words));
            let button = button.on_hover_text("the animal through the planned blur, pixels and noise");
            if button.clicked() {
                self.render((request, made), &rows, own, work, ui.ctx());
            }
        });
        let key = key(request, &rows, self.own(own));
        let Some(shown) = &self.shown else { return };
        match &shown.result {
            Err(words) => attention(ui, "No preview", words),
            Ok((image, words)) => {
                let texture = self.texture.get_or_insert_with(|| {
                    ui.ctx().load_texture("plan preview", image.clone(), TextureOptions::LINEAR)
                });
                let size = egui::vec2(image.size[0] as f32, image.size[1] as f32);
                let width = ui.available_width().min(size.x);
                let response = ui.image((texture.id(), size * (width / size.x)));
                let label = words.clone();
                response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &label));
                if shown.key != key {
                    attention(ui, "Not up to date", "the plan has changed since; render it again");
                }
                ui.add(egui::Label::new(RichText::new(first_large(words)).weak()).wrap());
            }
        }
    }

    /// The person's own picture, where it is chosen and still at hand.
    const fn own<'a>(&self, own: Option<&'a OwnPicture>) -> Option<&'a OwnPicture> {
        if self.of_own { own } else { None }
    }

    /// Whether the drawn animal is shown or the picture that is open in Animal.
    fn choose_subject(&mut self, ui: &mut Ui, own: Option<&OwnPicture>) {
        const DRAWN: &str = "a drawn fairyfly wasp";
        let label = ui.label("Preview of");
        let shown = self.own(own).map_or_else(|| DRAWN.to_owned(), OwnPicture::words);
        let hint = match own {
            Some(_) => "a sharp picture of yours shows what the plan would make of it; its own blur comes on top",
            None => {
                "open a sharp picture in Animal and choose its setup: it can then be taken in the place of the drawn animal"
            }
        };
        egui::ComboBox::from_id_salt("preview of")
            .selected_text(shown)
            .width(200.0)
            .show_ui(ui, |ui| {
                ui.selectable_value(&mut self.of_own, false, DRAWN);
                match own {
                    Some(own) => drop(ui.selectable_value(&mut self.of_own, true, own.words())),
                    None => drop(ui.label(RichText::new("no picture with a scale is open in Animal").weak())),
                }
            })
            .response
            .labelled_by(label.id)
            .on_hover_text(hint);
    }

    fn render(
        &mut self,
        (request, made): (&PlanRequest, &Plan),
        rows: &[usize; 2],
        own: Option<&OwnPicture>,
        work: &mut Work,
        ctx: &egui::Context,
    ) {
        let own = self.own(own).cloned();
        let (request, made, key) = (request.clone(), made.clone(), key(request, rows, own.as_ref()));
        let mut rows = rows.to_vec();
        rows.dedup();
        self.ticket = work.start(ctx, "rendering the preview", move |_| {
            let sharp = own.as_ref().map(|o| (o.path.as_path(), o.scale));
            let result = desk::plan_preview(&request, &made, &rows, sharp);
            let result = result.and_then(|(png, words)| Ok((picture(&png)?, words)));
            Some(Done::Rendered(Box::new(Rendered { key, result })))
        });
    }
}

/// What a preview depends on.
fn key(request: &PlanRequest, rows: &[usize; 2], own: Option<&OwnPicture>) -> String {
    format!("{request:?} {rows:?} {own:?}")
}
