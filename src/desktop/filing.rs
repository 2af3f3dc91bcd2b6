//! What is asked of the file picker, and what comes of it.

use std::path::{Path, PathBuf};

use eframe::egui;

use super::app::{Desktop, Place};
use super::picker::{Picker, Purpose};
use super::work::Done;
use crate::command::desk::{self, Export};

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
            Purpose::Export(what) => self.export(what, first, ctx),
        }
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
