//! The first page: how to begin.

use std::path::PathBuf;

use eframe::egui;
use egui::{RichText, Ui};

use super::Desktop;
use super::picker::Purpose;
use super::work::Done;
use crate::command::desk;

/// Draws the page.
pub(crate) fn page(desktop: &mut Desktop, ui: &mut Ui) {
    let mut asked = None;
    let mut lately: Option<PathBuf> = None;
    let height = ui.available_height();
    let ctx = ui.ctx().clone();
    ui.vertical_centered(|ui| {
        ui.set_max_width(560.0);
        ui.add_space((0.22 * height - 40.0).max(12.0));
        ui.label(RichText::new("Motestick").size(30.0));
        ui.label(RichText::new("How long is it, and how sure is that?").weak().size(16.0));
        ui.add_space(22.0);
        ui.label("Drop pictures or a folder of them here: the ruled slide and the animals, photographed the same way.");
        ui.add_space(14.0);
        let wide = egui::vec2(300.0, 32.0);
        if ui.add_sized(wide, egui::Button::new("Open pictures…")).clicked() {
            asked = Some(Purpose::Pictures);
        }
        if ui.add_sized(wide, egui::Button::new("Open a notebook…")).clicked() {
            asked = Some(Purpose::Notebook);
        }
        if ui
            .add_sized(wide, egui::Button::new("Open the sample pictures"))
            .on_hover_text(
                "a ruled slide and three animals, rendered, so that the truth is known: try the whole way yourself",
            )
            .clicked()
        {
            open_samples(desktop);
        }
        if ui
            .add_sized(wide, egui::Button::new("Open the sample notebook"))
            .on_hover_text("the same, measured already: figures, budgets, verdicts to look at and to change")
            .clicked()
        {
            let folder = desktop.folders.data.join("sample notebook");
            open_sample_notebook(desktop, &ctx, folder);
        }
        if !desktop.settings.notebooks.is_empty() {
            ui.add_space(18.0);
            ui.label(RichText::new("Recent notebooks").strong());
            for path in &desktop.settings.notebooks {
                let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
                if ui.link(name).on_hover_text(path.display().to_string()).clicked() {
                    lately = Some(path.clone());
                }
            }
        }
        ui.add_space(22.0);
        for step in [
            "1  Slide: read the scale from the ruled slide.",
            "2  Animal: set marks, see length and uncertainty.",
            "3  Notebook: every figure, statistics, export.",
        ] {
            ui.label(RichText::new(step).weak());
        }
        ui.add_space(6.0);
        ui.label(RichText::new("F1 or ? shows all keys.").weak());
    });
    if let Some(purpose) = asked {
        desktop.ask(purpose);
    }
    if let Some(path) = lately {
        desktop.open_notebook(&path);
    }
}

/// Writes the sample notebook in the background, or finds it where it was written before, and opens it.
pub(crate) fn open_sample_notebook(desktop: &mut Desktop, ctx: &egui::Context, folder: PathBuf) {
    let already = desktop.work.words() == Some(MAKING_SAMPLE);
    if !already {
        desktop.work.start(ctx, MAKING_SAMPLE, move |_| Some(Done::Sample(desk::sample_notebook(&folder))));
    }
}

/// What the top line says meanwhile.
const MAKING_SAMPLE: &str = "writing the sample notebook";

/// Puts the sample pictures into the user's folder and opens them.
pub(crate) fn open_samples(desktop: &mut Desktop) {
    let folder = desktop.folders.data.join("sample pictures");
    let written = std::fs::create_dir_all(&folder).and_then(|()| {
        for (name, bytes) in desk::samples() {
            let file = folder.join(name);
            if !file.exists() {
                std::fs::write(file, bytes)?;
            }
        }
        Ok(())
    });
    match written {
        Ok(()) => {
            desktop.open_paths(std::slice::from_ref(&folder));
            desktop.messages.note("the sample's slide is slide_still.jpg, its division 10um; the animals were photographed at 4x with f/5.6 and pixels of 3.72um");
        }
        Err(e) => {
            desktop.messages.problem(format!("the sample pictures cannot be written to {}: {e}", folder.display()))
        }
    }
}
