//! The preview of a plan: what two apertures would record of a drawn animal, side by side.

use eframe::egui;
use egui::{ColorImage, RichText, TextureHandle, TextureOptions, Ui};

use super::super::message::first_large;
use super::super::work::{Done, Work};
use super::parts::attention;
use crate::command::desk;
use crate::optics::planner::{Advice, Plan, PlanRequest};

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
    pub(super) fn show(&mut self, ui: &mut Ui, request: &PlanRequest, made: &Plan, work: &mut Work) {
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
            let running = work.is_running(self.ticket);
            let words = if running { "Rendering…" } else { "Render the preview" };
            let button = ui.add_enabled(!running, egui::Button::new(words));
            let button = button.on_hover_text("a drawn fairyfly wasp through the planned blur, pixels and noise");
            if button.clicked() {
                self.render(request, made, &rows, work, ui.ctx());
            }
        });
        let key = key(request, &rows);
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

    fn render(&mut self, request: &PlanRequest, made: &Plan, rows: &[usize; 2], work: &mut Work, ctx: &egui::Context) {
        let (request, made, key) = (request.clone(), made.clone(), key(request, rows));
        let mut rows = rows.to_vec();
        rows.dedup();
        self.ticket = work.start(ctx, "rendering the preview", move |_| {
            let result = desk::plan_preview(&request, &made, &rows);
            let result = result.and_then(|(png, words)| Ok((picture(&png)?, words)));
            Some(Done::Rendered(Box::new(Rendered { key, result })))
        });
    }
}

/// What a preview depends on.
fn key(request: &PlanRequest, rows: &[usize; 2]) -> String {
    format!("{request:?} {rows:?}")
}
