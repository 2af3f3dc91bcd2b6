//! Notebooks are opened in the background: read and checked there; then their pictures are looked for, which hashes every one of them.

use std::path::{Path, PathBuf};

use eframe::egui;

use super::app::{Desktop, Place};
use super::document::{Document, FromFile};
use super::work::Done;
use crate::notebook::{MeasurementId, NotebookId};

/// A notebook that shall be opened.
#[derive(Debug)]
pub(super) struct Wanted {
    path: PathBuf,
    is_sample: bool,
}

/// What came of opening one.
#[derive(Debug)]
pub(crate) struct ReadNotebook {
    wanted: Wanted,
    result: Result<FromFile, String>,
}

/// Where a notebook's pictures are.
#[derive(Debug)]
pub(crate) struct PicturesFound {
    notebook: PathBuf,
    files: Vec<PathBuf>,
    missing: usize,
}

/// Where the picture of a measurement is.
#[derive(Debug)]
pub(crate) struct PictureFound {
    notebook: NotebookId,
    measurement: MeasurementId,
    name: String,
    file: Option<PathBuf>,
}

impl Desktop {
    /// Opens a notebook and puts its pictures into the strip, as soon as the background has read it.
    pub(super) fn open_notebook(&mut self, path: &Path) {
        self.wanted_notebook = Some(Wanted { path: path.to_owned(), is_sample: false });
    }

    /// The same of the sample notebook, about which there is something to tell.
    pub(super) fn open_made_sample(&mut self, path: PathBuf) {
        self.wanted_notebook = Some(Wanted { path, is_sample: true });
    }

    /// Has the background read what shall be opened.
    pub(super) fn read_wanted(&mut self, ctx: &egui::Context) {
        let Some(wanted) = self.wanted_notebook.take() else { return };
        if self.document.path() == Some(&wanted.path) {
            self.place = Place::Notebook;
            self.tell_of(&wanted, ctx);
            return;
        }
        // A second reader of the same file would find it taken by the first.
        if self.read_notebook.as_ref().is_some_and(|r| r.wanted.path == wanted.path) {
            return;
        }
        if let Some((ticket, path)) = &self.reading_notebook
            && self.work.is_running(Some(*ticket))
        {
            if *path == wanted.path {
                return;
            }
            self.work.give_up(Some(*ticket));
        }
        let path = wanted.path.clone();
        let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let ticket = self.work.start(ctx, &format!("opening {name}"), move |_| {
            let result = Document::read(&wanted.path).map_err(|e| e.to_string());
            Some(Done::Notebook(Box::new(ReadNotebook { wanted, result })))
        });
        self.reading_notebook = ticket.map(|t| (t, path));
    }

    /// Takes a notebook that the background has read, once everything that belongs to the one before is kept in it.
    pub(super) fn take_read(&mut self, ctx: &egui::Context) {
        if self.animal.is_at_it(&self.work) {
            return;
        }
        let Some(read) = self.read_notebook.take() else { return };
        let ReadNotebook { wanted, result } = *read;
        let from_file = match result {
            Ok(from_file) => from_file,
            Err(words) => return self.messages.problem(words),
        };
        for notice in self.document.take(from_file) {
            self.messages.note(notice);
        }
        self.animal.forget_chosen();
        self.settings.opened(&wanted.path);
        self.settings.write(&self.folders.data);
        self.place = Place::Notebook;
        self.setups.with_kept(self.document.notebook().setups.iter().map(|s| &s.setup));
        self.tell_of(&wanted, ctx);
    }

    /// Says what is open, and has its pictures looked for.
    fn tell_of(&mut self, wanted: &Wanted, ctx: &egui::Context) {
        let folder = self.document.folder().unwrap_or(&self.folders.start).to_owned();
        let notebook = self.document.notebook().clone();
        let (n, pictures) = (notebook.measurements.len(), notebook.pictures.len());
        self.messages.done(format!("the notebook is open: {n} measurements on {pictures} pictures"));
        if wanted.is_sample {
            self.messages.note("three rendered animals, measured; double-click a row to see its marks, move one, undo; Export makes pictures, cards and a report of it");
        }
        let path = wanted.path.clone();
        self.work.start(ctx, "looking for the notebook's pictures", move |_| {
            let found = notebook.locate_pictures(&folder, &[]);
            let files: Vec<PathBuf> = found.iter().filter_map(|(_, l)| l.file().map(Path::to_owned)).collect();
            let missing = found.len() - files.len();
            Some(Done::PicturesFound(PicturesFound { notebook: path, files, missing }))
        });
    }

    /// Looks for the picture of a measurement, which may have been moved, to show the measurement on it.
    pub(super) fn look_for_picture(&mut self, id: MeasurementId, ctx: &egui::Context) {
        let Some(folder) = self.document.folder().map(Path::to_owned) else { return };
        let notebook = self.document.notebook();
        let own = notebook.id.clone();
        let Some(picture) = notebook.measurement(id).and_then(|m| notebook.picture(m.picture)).cloned() else { return };
        self.work.start(ctx, "looking for the picture", move |_| {
            let file = picture.found_in(&folder, &[]).file().map(Path::to_owned);
            let name = picture.path;
            Some(Done::PictureFound(PictureFound { notebook: own, measurement: id, name, file }))
        });
    }

    /// Shows a measurement on its picture.
    pub(super) fn picture_found(&mut self, found: PictureFound) {
        if self.document.notebook().id != found.notebook {
            return;
        }
        let Some(path) = found.file else {
            self.messages.problem(format!("the picture {} is not where it was, nor anywhere beside the notebook; put it back, or open the folder that holds it", found.name));
            return;
        };
        self.pictures.add(std::slice::from_ref(&path));
        self.go(Place::Animal);
        self.animal.show_picture(&path);
        self.animal.choose(found.measurement, self.document.notebook());
    }

    /// Takes the pictures of the notebook that is open.
    pub(super) fn pictures_found(&mut self, found: &PicturesFound) {
        if self.document.path() != Some(&found.notebook) {
            return;
        }
        self.pictures.add(&found.files);
        if found.missing > 0 {
            let pictures = if found.missing == 1 {
                "one of its pictures was not found in its place,".to_owned()
            } else {
                format!("{} of its pictures were not found in their places,", found.missing)
            };
            self.messages.note(format!("{pictures} nor beside the notebook; figures and marks are there all the same"));
        }
    }
}
