//! What is asked of the file picker, and what comes of it.

use std::path::{Path, PathBuf};

use eframe::egui;

use super::app::{Desktop, Place};
use super::picker::{Picker, Purpose};
use super::work::Done;
use crate::command::desk::{self, Export};
use crate::exchange::draw::{Corner, Overlay, ScaleBar};

impl Desktop {
    /// Opens the picker.
    pub(super) fn ask(&mut self, purpose: Purpose) {
        let data = self.folders.data.join("notebooks");
        let (folder, name) = match purpose {
            Purpose::Pictures => {
                (self.settings.folder.clone().unwrap_or_else(|| self.folders.start.clone()), String::new())
            }
            Purpose::Notebook => (if data.is_dir() { data } else { self.folders.start.clone() }, String::new()),
            Purpose::NewNotebook => (self.folders.start.clone(), "notebook.json".to_owned()),
            Purpose::Plot | Purpose::Sizes => {
                let name = if purpose == Purpose::Plot { "plot.png" } else { "" };
                (self.settings.folder.clone().unwrap_or_else(|| self.folders.start.clone()), name.to_owned())
            }
            Purpose::Sample => (self.folders.start.clone(), "sample notebook".to_owned()),
            Purpose::Export(what) => {
                let folder = self.settings.folder.clone().unwrap_or_else(|| self.folders.start.clone());
                (folder, what.name().to_owned())
            }
        };
        let folder = if folder.is_dir() { folder } else { self.folders.start.clone() };
        self.picker = Some(Picker::new(purpose, &folder, &name));
    }

    pub(super) fn show_picker(&mut self, ctx: &egui::Context) {
        let outcome = self.picker.as_mut().and_then(|p| p.show(ctx, &mut self.work));
        match outcome {
            Some(paths) if paths.is_empty() => self.picker = None,
            Some(paths) => self.picked(paths, ctx),
            None => {}
        }
    }

    pub(super) fn picked(&mut self, paths: Vec<PathBuf>, ctx: &egui::Context) {
        let Some(picker) = self.picker.take() else { return };
        let Some(first) = paths.first().cloned() else { return };
        match picker.purpose {
            Purpose::Pictures => {
                let folder = if first.is_dir() { Some(first) } else { first.parent().map(Path::to_owned) };
                self.settings.folder = folder;
                self.settings.write(&self.folders.data);
                self.open_paths(&paths);
                if self.place != Place::Animal {
                    self.place = Place::Slide;
                }
            }
            Purpose::Notebook => self.open_notebook(&first),
            Purpose::NewNotebook => match self.document.create(&first) {
                Ok(()) => {
                    self.settings.opened(&first);
                    self.settings.write(&self.folders.data);
                    self.messages.done(format!("a notebook was begun: {}", first.display()));
                }
                Err(e) => self.messages.problem(e),
            },
            Purpose::Sizes => match self.book.take_sizes(&first) {
                Ok(words) => self.messages.done(words),
                Err(words) => self.messages.problem(words),
            },
            Purpose::Plot => {
                let Some(plot) = self.plot_to_save.take() else { return };
                self.work.start(ctx, "drawing the plot", move |_| Some(Done::Written(desk::save_plot(&plot, &first))));
            }
            Purpose::Sample => super::start::open_sample_notebook(self, ctx, first),
            Purpose::Export(what) => self.export(what, first, ctx),
        }
    }

    /// Puts the picture with a scale bar on the clipboard, at its full size and as recorded.
    pub(super) fn copy_picture(&mut self, ctx: &egui::Context) {
        let Some(picture) = self.current() else {
            self.messages.done("no picture is open to be copied");
            return;
        };
        let scale = match self.place {
            Place::Animal => self.animal.scale_of(&picture, &self.setups, self.document.notebook()),
            _ => self.slide.scale(),
        };
        let Some(scale) = scale else {
            self.messages.problem("the picture has no scale yet, so no bar can be drawn; choose its setup, or read the slide, and copy it again");
            return;
        };
        self.work.start(ctx, "drawing the scale bar", move |_| {
            let bar = ScaleBar { scale, corner: Corner::Quietest };
            let overlay = Overlay { items: Vec::new(), scale_bar: Some(bar) };
            let photo = &picture.opened.photo;
            let drawn = overlay.draw_rgba(photo).map_err(|e| e.to_string());
            Some(Done::Copied(drawn.map(|(rgba, _)| {
                Box::new(egui::ColorImage::from_rgba_unmultiplied([photo.width(), photo.height()], &rgba))
            })))
        });
    }

    /// Writes what leaves the notebook, in the background.
    fn export(&mut self, what: Export, to: PathBuf, ctx: &egui::Context) {
        let Some(notebook) = self.document.path().map(Path::to_owned) else { return };
        if let Err(e) = self.document.save() {
            self.messages.problem(e);
            return;
        }
        self.work.start(ctx, &format!("writing {}", what.words()), move |_| {
            Some(Done::Written(desk::export(&notebook, what, &to)))
        });
    }
}
