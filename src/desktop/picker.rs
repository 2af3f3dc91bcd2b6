//! A plain file picker that works where the system has none.

use std::path::{Path, PathBuf};

use eframe::egui;
use egui::{RichText, Ui};

use super::pictures::is_picture;
use super::work::{Done, Work};
use crate::command::desk::Export;

/// What is picked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// Pictures, or a folder of them.
    Pictures,
    /// A notebook to open.
    Notebook,
    /// A file for a new notebook.
    NewNotebook,
    /// A file for a plot.
    Plot,
    /// A table of published sizes.
    Sizes,
    /// A folder for the sample notebook.
    Sample,
    /// A file or folder for what leaves the notebook.
    Export(Export),
}

impl Purpose {
    const fn title(self) -> &'static str {
        match self {
            Self::Pictures => "Open pictures",
            Self::Notebook => "Open a notebook",
            Self::NewNotebook => "New notebook",
            Self::Plot => "Save the plot",
            Self::Sizes => "A table of published sizes",
            Self::Sample => "A folder for the sample notebook",
            Self::Export(what) => what.words(),
        }
    }

    const fn button(self) -> &'static str {
        match self {
            Self::Pictures | Self::Notebook | Self::Sizes => "Open",
            Self::NewNotebook => "Begin",
            Self::Export(_) | Self::Sample | Self::Plot => "Write",
        }
    }

    const fn ending(self) -> &'static str {
        match self {
            Self::Pictures => "",
            Self::Notebook | Self::NewNotebook => "json",
            Self::Export(Export::Table) | Self::Sizes => "csv",
            Self::Plot => "png",
            Self::Export(Export::Report) => "html",
            Self::Export(_) | Self::Sample => "",
        }
    }

    /// True where a file is written.
    const fn writes(self) -> bool {
        matches!(self, Self::NewNotebook | Self::Sample | Self::Plot | Self::Export(_))
    }

    /// True where files are written into a folder.
    const fn writes_folder(self) -> bool {
        self.writes() && self.ending().is_empty()
    }

    fn fits(self, path: &Path) -> bool {
        match self {
            Self::Pictures => is_picture(path),
            other if other.ending().is_empty() => false,
            other => path.extension().is_some_and(|e| e.eq_ignore_ascii_case(other.ending())),
        }
    }
}

/// The picker while it is open.
#[derive(Debug)]
pub(crate) struct Picker {
    pub(crate) purpose: Purpose,
    folder: PathBuf,
    text: String,
    folders: Vec<String>,
    files: Vec<String>,
    chosen: Vec<bool>,
    trouble: Option<String>,
    /// What a person was told would be replaced.
    replacing: Option<PathBuf>,
    asked_system: Option<u64>,
    fresh: bool,
}

/// Entries shown of a folder.
const MOST_SHOWN: usize = 5000;

impl Picker {
    /// Opens at a folder; `name` is proposed where a file is written.
    pub(crate) fn new(purpose: Purpose, folder: &Path, name: &str) -> Self {
        let mut picker = Self {
            purpose,
            folder: folder.to_owned(),
            text: String::new(),
            folders: Vec::new(),
            files: Vec::new(),
            chosen: Vec::new(),
            trouble: None,
            replacing: None,
            asked_system: None,
            fresh: true,
        };
        picker.go(folder.to_owned());
        if purpose.writes() {
            picker.text = picker.folder.join(name).display().to_string();
        }
        picker
    }

    fn go(&mut self, folder: PathBuf) {
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) => {
                self.trouble = Some(format!("the folder {} cannot be read: {e}", folder.display()));
                return;
            }
        };
        self.trouble = None;
        let name = self.purpose.writes().then(|| Path::new(&self.text).file_name().map(ToOwned::to_owned)).flatten();
        self.text = name.map_or_else(|| folder.clone(), |n| folder.join(n)).display().to_string();
        (self.folders, self.files) = (Vec::new(), Vec::new());
        for path in entries.flatten().map(|e| e.path()).take(MOST_SHOWN) {
            let Some(name) = path.file_name().map(|n| n.to_string_lossy().into_owned()) else { continue };
            if name.starts_with('.') {
                continue;
            }
            if path.is_dir() {
                self.folders.push(name);
            } else if self.purpose.fits(&path) {
                self.files.push(name);
            }
        }
        self.folders.sort();
        self.files.sort();
        self.chosen = vec![false; self.files.len()];
        self.folder = folder;
    }

    /// Draws it. `Some` when it is done: with the paths, or empty when it was closed.
    pub(crate) fn show(&mut self, ctx: &egui::Context, work: &mut Work) -> Option<Vec<PathBuf>> {
        let mut outcome = None;
        let size = ctx.content_rect().size();
        egui::Window::new(self.purpose.title())
            .collapsible(false)
            .resizable(true)
            .default_size([(0.6 * size.x).clamp(420.0, 760.0), (0.6 * size.y).clamp(300.0, 560.0)])
            .pivot(egui::Align2::CENTER_CENTER)
            .default_pos(ctx.content_rect().center())
            .show(ctx, |ui| outcome = self.contents(ui, work));
        if ctx.input_mut(|i| i.consume_key(egui::Modifiers::NONE, egui::Key::Escape)) {
            outcome = Some(Vec::new());
        }
        outcome
    }

    fn contents(&mut self, ui: &mut Ui, work: &mut Work) -> Option<Vec<PathBuf>> {
        let mut outcome = None;
        let label = ui.label("Path");
        let field =
            ui.add(egui::TextEdit::singleline(&mut self.text).desired_width(f32::INFINITY)).labelled_by(label.id);
        if std::mem::take(&mut self.fresh) {
            field.request_focus();
        }
        if field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter)) {
            outcome = self.typed();
        }
        if let Some(words) = &self.trouble {
            ui.label(
                RichText::new(super::message::first_large(words))
                    .color(super::theme::attention(ui.visuals().dark_mode)),
            );
        }
        let mut go = None;
        let row = ui.text_style_height(&egui::TextStyle::Body) + 6.0;
        let total = 1 + self.folders.len() + self.files.len();
        let height = (ui.available_height() - 44.0).max(120.0);
        egui::ScrollArea::vertical().id_salt("files").max_height(height).auto_shrink([false, false]).show_rows(
            ui,
            row,
            total,
            |ui, rows| {
                for i in rows {
                    if i == 0 {
                        if ui.selectable_label(false, "up to the folder above").clicked() {
                            go = self.folder.parent().map(Path::to_owned);
                        }
                    } else if let Some(name) = self.folders.get(i - 1) {
                        if ui.selectable_label(false, format!("{name}/")).clicked() {
                            go = Some(self.folder.join(name));
                        }
                    } else {
                        let k = i - 1 - self.folders.len();
                        let Some(name) = self.files.get(k).cloned() else { continue };
                        let response = ui.selectable_label(self.chosen[k], &name);
                        if response.double_clicked() && !self.purpose.writes() {
                            outcome = Some(vec![self.folder.join(&name)]);
                        } else if response.clicked() {
                            self.choose(k, &name);
                        }
                    }
                }
            },
        );
        if let Some(folder) = go {
            self.go(folder);
        }
        ui.separator();
        ui.horizontal(|ui| {
            let n = self.chosen.iter().filter(|c| **c).count();
            let (words, ready) = match self.purpose {
                Purpose::Pictures if self.files.is_empty() => ("No pictures in this folder".to_owned(), false),
                Purpose::Pictures if n == 0 => match self.files.len() {
                    1 => ("Open the picture of this folder".to_owned(), true),
                    all => (format!("Open all {all} pictures of this folder"), true),
                },
                Purpose::Pictures => (format!("Open {n} chosen"), true),
                Purpose::Notebook | Purpose::Sizes => (self.purpose.button().to_owned(), n > 0),
                _ => (self.purpose.button().to_owned(), true),
            };
            if ui.add_enabled(ready, egui::Button::new(words)).clicked() {
                outcome = self.confirmed();
            }
            if ui.button("Cancel").clicked() {
                outcome = Some(Vec::new());
            }
            if ui
                .button("System dialog")
                .on_hover_text("ask with the dialog of the system, where there is one")
                .clicked()
            {
                self.ask_system(ui.ctx(), work);
            }
        });
        outcome
    }

    fn choose(&mut self, k: usize, name: &str) {
        let many = self.purpose == Purpose::Pictures;
        for (i, chosen) in self.chosen.iter_mut().enumerate() {
            *chosen = if i == k { !many || !*chosen } else { many && *chosen };
        }
        if self.purpose.writes() {
            self.text = self.folder.join(name).display().to_string();
        }
    }

    fn confirmed(&mut self) -> Option<Vec<PathBuf>> {
        if self.purpose.writes() {
            return self.written();
        }
        let mut chosen: Vec<PathBuf> =
            self.files.iter().zip(&self.chosen).filter(|(_, c)| **c).map(|(n, _)| self.folder.join(n)).collect();
        if chosen.is_empty() && self.purpose == Purpose::Pictures {
            chosen.push(self.folder.clone());
        }
        (!chosen.is_empty()).then_some(chosen)
    }

    /// What was typed: a folder to look into, or a file.
    fn typed(&mut self) -> Option<Vec<PathBuf>> {
        let path = PathBuf::from(self.text.trim());
        if path.is_dir() {
            if self.purpose == Purpose::Pictures && path == self.folder && !self.files.is_empty() {
                return Some(vec![path]);
            }
            self.go(path);
            return None;
        }
        if self.purpose.writes() {
            return self.written();
        }
        if path.is_file() {
            return Some(vec![path]);
        }
        self.trouble = Some(format!("there is no file {}; choose one below, or correct the path", path.display()));
        None
    }

    /// The file or folder to be written; what is there already is replaced only when that is asked for twice.
    fn written(&mut self) -> Option<Vec<PathBuf>> {
        let path = PathBuf::from(self.text.trim());
        if path.is_dir() && !self.purpose.writes_folder() {
            self.go(path);
            return None;
        }
        let bare = path.extension().is_some() || self.purpose.ending().is_empty();
        let path = if bare { path } else { path.with_extension(self.purpose.ending()) };
        if path.file_stem().is_none() {
            self.trouble = Some("a file needs a name".to_owned());
            return None;
        }
        let taken = match std::fs::read_dir(&path) {
            Ok(mut entries) => entries.next().is_some(),
            Err(_) => path.exists(),
        };
        if taken && matches!(self.purpose, Purpose::Export(_) | Purpose::Plot) && self.replacing.as_ref() != Some(&path)
        {
            let what = if path.is_dir() { "files of the same names in" } else { "the file" };
            self.trouble = Some(format!(
                "this would replace {what} {}; press {} again to do so, or change the name",
                path.display(),
                self.purpose.button()
            ));
            self.replacing = Some(path);
            return None;
        }
        Some(vec![path])
    }

    fn ask_system(&mut self, ctx: &egui::Context, work: &mut Work) {
        if work.is_running(self.asked_system) {
            return;
        }
        let (purpose, folder) = (self.purpose, self.folder.clone());
        let name = Path::new(&self.text).file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        self.asked_system = work.start(ctx, "", move |_| {
            let dialog = rfd::FileDialog::new().set_title(purpose.title()).set_directory(folder);
            let paths = match purpose {
                Purpose::Pictures => dialog
                    .add_filter("pictures", &["jpg", "jpeg", "png", "tif", "tiff", "bmp"])
                    .pick_files()
                    .unwrap_or_default(),
                Purpose::Notebook => dialog.add_filter("notebooks", &["json"]).pick_file().into_iter().collect(),
                Purpose::Sizes => dialog.add_filter("tables", &["csv"]).pick_file().into_iter().collect(),
                Purpose::NewNotebook | Purpose::Sample | Purpose::Plot | Purpose::Export(_) => {
                    dialog.set_file_name(name).save_file().into_iter().collect()
                }
            };
            Some(Done::Picked(paths))
        });
    }

    /// What the system's dialog gave; where it gave nothing, that is said, since there may be none.
    pub(crate) fn system_gave(&mut self, paths: Vec<PathBuf>) -> Option<Vec<PathBuf>> {
        if paths.is_empty() {
            self.trouble = Some(
                "the system's dialog was closed without a choice, or this system has none; choose here".to_owned(),
            );
            return None;
        }
        Some(paths)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_paths_lead_to_folders_and_files() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("in")).unwrap();
        std::fs::write(folder.path().join("in/a.jpg"), b"x").unwrap();
        let mut p = Picker::new(Purpose::Pictures, folder.path(), "");
        assert_eq!((p.folders.len(), p.files.len()), (1, 0));
        p.text = folder.path().join("in").display().to_string();
        assert_eq!(p.typed(), None);
        assert_eq!(p.files, ["a.jpg"]);
        assert_eq!(p.confirmed(), Some(vec![folder.path().join("in")]));
        p.choose(0, "a.jpg");
        assert_eq!(p.confirmed(), Some(vec![folder.path().join("in/a.jpg")]));
        p.text = "nowhere/at all.jpg".into();
        assert_eq!(p.typed(), None);
        assert!(p.trouble.as_ref().is_some_and(|t| t.contains("there is no file")));
        let mut p = Picker::new(Purpose::NewNotebook, folder.path(), "n.json");
        p.text = folder.path().join("mine").display().to_string();
        assert_eq!(p.typed(), Some(vec![folder.path().join("mine.json")]));
    }

    #[test]
    fn what_is_there_is_replaced_only_when_asked_twice() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("measurements.csv");
        let mut p = Picker::new(Purpose::Export(Export::Table), folder.path(), "measurements.csv");
        assert_eq!(p.confirmed(), Some(vec![file.clone()]));
        std::fs::write(&file, b"x").unwrap();
        assert_eq!(p.confirmed(), None);
        assert!(p.trouble.as_ref().is_some_and(|t| t.contains("would replace the file")), "{:?}", p.trouble);
        assert_eq!(p.confirmed(), Some(vec![file]));
        // A folder that is empty is written into, one with files only after a word.
        let inside = folder.path().join("cards");
        std::fs::create_dir(&inside).unwrap();
        let mut p = Picker::new(Purpose::Export(Export::Cards), folder.path(), "cards");
        assert_eq!(p.confirmed(), Some(vec![inside.clone()]));
        std::fs::write(inside.join("a.pdf"), b"x").unwrap();
        assert_eq!(p.confirmed(), None);
        assert_eq!(p.confirmed(), Some(vec![inside]));
    }
}
