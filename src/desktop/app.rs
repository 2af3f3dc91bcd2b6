//! The program in the window: places, strip, messages, background.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use eframe::egui;
use egui::Ui;

use super::document::Document;
use super::keys::{self, Command};
use super::message::Messages;
use super::opening::{ReadNotebook, Wanted};
use super::picker::{Picker, Purpose};
use super::pictures::{OpenPicture, Pictures};
use super::places::animal::{AnimalPlace, Run};
use super::places::book::{BookPlace, Page};
use super::places::planner::PlannerPlace;
use super::places::setups::Setups;
use super::places::slide::SlidePlace;
use super::settings::Settings;
use super::work::{Done, Work};
use super::{help, theme};
use crate::exchange::plot::Plot;
use crate::setup::Library;

/// The four places.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Place {
    /// A ruled slide is read.
    #[default]
    Slide,
    /// An animal is measured.
    Animal,
    /// Everything measured.
    Notebook,
    /// Before the shot.
    Planner,
}

impl Place {
    /// All, in the order of the day.
    pub const ALL: [Self; 4] = [Self::Slide, Self::Animal, Self::Notebook, Self::Planner];

    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Slide => "Slide",
            Self::Animal => "Animal",
            Self::Notebook => "Notebook",
            Self::Planner => "Planner",
        }
    }
}

/// Where the program keeps things.
#[derive(Clone, Debug)]
pub struct Folders {
    /// The user's data: setups, notebooks begun by themselves, the window's memory.
    pub data: PathBuf,
    /// Where the file picker begins.
    pub start: PathBuf,
}

/// The program in the window.
#[derive(Debug)]
pub struct Desktop {
    pub(super) folders: Folders,
    pub(super) settings: Settings,
    pub(super) place: Place,
    pub(super) pictures: Pictures,
    pub(super) document: Document,
    pub(super) messages: Messages,
    pub(super) work: Work,
    pub(super) picker: Option<Picker>,
    pub(super) setups: Setups,
    pub(super) slide: SlidePlace,
    pub(super) animal: AnimalPlace,
    pub(super) book: BookPlace,
    pub(super) planner: PlannerPlace,
    pub(super) keys_shown: bool,
    pub(super) tone_shown: bool,
    pub(super) follow: bool,
    pub(super) plot_to_save: Option<Box<Plot>>,
    pub(super) wanted_notebook: Option<Wanted>,
    /// The notebook that the background reads.
    pub(super) reading_notebook: Option<(u64, PathBuf)>,
    pub(super) read_notebook: Option<Box<ReadNotebook>>,
    dressed: bool,
    full_screen: bool,
}

impl Desktop {
    /// Nothing open yet.
    #[must_use]
    pub fn new(folders: Folders) -> Self {
        let settings = Settings::read(&folders.data);
        let setups = Setups::in_library(Library::in_folder(folders.data.join("setups")));
        Self {
            settings,
            place: Place::Slide,
            pictures: Pictures::default(),
            document: Document::default(),
            messages: Messages::default(),
            work: Work::default(),
            picker: None,
            setups,
            slide: SlidePlace::default(),
            animal: AnimalPlace::default(),
            book: BookPlace::default(),
            planner: PlannerPlace::default(),
            keys_shown: false,
            tone_shown: false,
            follow: false,
            plot_to_save: None,
            wanted_notebook: None,
            reading_notebook: None,
            read_notebook: None,
            dressed: false,
            full_screen: false,
            folders,
        }
    }

    /// The place that is shown.
    #[must_use]
    pub const fn place(&self) -> Place {
        self.place
    }

    /// True while something runs in the background.
    #[must_use]
    pub const fn is_busy(&self) -> bool {
        self.work.is_busy() || self.wanted_notebook.is_some() || self.read_notebook.is_some()
    }

    /// The notebook's file, once there is one.
    #[must_use]
    pub fn notebook_file(&self) -> Option<&Path> {
        self.document.path()
    }

    /// Opens pictures, folders of them, or a notebook, as when they are dropped on the window.
    pub fn open_paths(&mut self, paths: &[PathBuf]) {
        let (notebooks, pictures): (Vec<_>, Vec<_>) =
            paths.iter().cloned().partition(|p| p.extension().is_some_and(|e| e.eq_ignore_ascii_case("json")));
        if let Some(notebook) = notebooks.first() {
            self.open_notebook(notebook);
        }
        if pictures.is_empty() {
            return;
        }
        let (n, troubles) = self.pictures.add(&pictures);
        let could_be_read = troubles.is_empty();
        for words in troubles {
            self.messages.problem(words);
        }
        if n == 0 && could_be_read && !pictures.iter().any(|p| super::pictures::is_picture(p)) {
            self.messages.problem("no pictures are there; JPEG, PNG, TIFF and BMP are read, and footage frame by frame once it is exported as pictures");
        }
        self.follow = true;
    }

    /// Draws everything and does what is asked.
    pub fn show(&mut self, ui: &mut Ui) {
        let ctx = ui.ctx().clone();
        self.dress(&ctx);
        self.take_dropped(&ctx);
        self.take_arrived(&ctx);
        if self.picker.is_none() {
            for command in keys::pressed(&ctx, self.place) {
                self.command(command, &ctx);
            }
            self.arrows(&ctx);
        }
        self.top(ui);
        self.bottom(ui);
        match self.place {
            Place::Slide | Place::Animal => self.picture_place(ui),
            Place::Notebook => self.notebook_place(ui),
            Place::Planner => self.planner_place(ui),
        }
        let picture = self.pictures.open_one(self.animal.picture.as_deref()).cloned();
        let (animal, mut run) = self.animal_run(picture.as_ref(), &ctx);
        animal.rest(&mut run);
        if self.keys_shown {
            help::map_of_keys(&ctx, &mut self.keys_shown);
        }
        self.show_picker(&ctx);
        self.read_wanted(&ctx);
        self.take_read(&ctx);
        if let Some(words) = self.work.take_refused() {
            self.messages.problem(words);
        }
        self.pictures.pump(&mut self.work, &ctx);
        if self.is_busy() {
            ctx.request_repaint_after(std::time::Duration::from_millis(120));
        }
    }

    /// Writes what is open; the last thing before the window closes.
    pub fn close(&mut self) {
        if let Err(e) = self.document.close() {
            self.messages.problem(e);
        }
        self.settings.write(&self.folders.data);
    }

    fn dress(&mut self, ctx: &egui::Context) {
        if std::mem::replace(&mut self.dressed, true) {
            return;
        }
        theme::apply(ctx);
        ctx.set_theme(match self.settings.dark {
            Some(true) => egui::ThemePreference::Dark,
            Some(false) => egui::ThemePreference::Light,
            None => egui::ThemePreference::System,
        });
        if (self.settings.size - 1.0).abs() > 0.01 {
            ctx.set_zoom_factor(self.settings.size);
        }
    }

    fn take_dropped(&mut self, ctx: &egui::Context) {
        let dropped: Vec<PathBuf> = ctx.input(|i| i.raw.dropped_files.iter().map(|f| f.path().to_owned()).collect());
        if !dropped.is_empty() {
            self.open_paths(&dropped);
        }
    }

    fn take_arrived(&mut self, ctx: &egui::Context) {
        for done in self.work.arrived() {
            match done {
                Done::Picture(_, Ok(picture)) => {
                    let needed = [self.slide.picture.clone(), self.animal.picture.clone()];
                    let needed: Vec<Option<&Path>> = needed.iter().map(|p| p.as_deref()).collect();
                    for w in &picture.opened.warnings {
                        self.messages.note(w);
                    }
                    self.pictures.opened(picture, &needed);
                }
                Done::Picture(path, Err(words)) => {
                    self.pictures.failed(&path, &words);
                    self.messages.problem(words);
                }
                Done::Small(path, result) => self.pictures.small(&path, result),
                Done::Slide(path, result) => self.slide.arrived(path, result, &mut self.messages),
                Done::Measured(figured) => {
                    let folder = self.folders.data.join("notebooks");
                    let fresh = self.document.path().is_none();
                    self.animal.arrived(*figured, &mut self.document, &folder, &mut self.messages, &self.work);
                    if let Some(path) = self.document.path().filter(|_| fresh).map(Path::to_owned) {
                        self.messages
                            .done(format!("a notebook was begun: {}; every step is kept there", path.display()));
                        self.settings.opened(&path);
                        self.settings.write(&self.folders.data);
                    }
                }
                Done::Found(Ok(found)) => self.animal.found(*found),
                Done::Found(Err(words)) => self.messages.problem(format!("nothing is proposed: {words}")),
                Done::Broken(what) => {
                    self.pictures.given_up();
                    let what = if what.is_empty() { "work in the background".to_owned() } else { what };
                    self.messages.problem(format!("{what} broke down by a fault of this program; nothing that was kept is lost, try it with another picture"));
                }
                Done::Sample(Ok(notebook)) => self.open_made_sample(notebook),
                Done::Notebook(read) => (self.reading_notebook, self.read_notebook) = (None, Some(read)),
                Done::PicturesFound(found) => self.pictures_found(&found),
                Done::PictureFound(found) => self.picture_found(found),
                Done::Sample(Err(words)) => self.messages.problem(words),
                Done::Rendered(rendered) => self.planner.rendered(*rendered),
                Done::Made(made) => self.book.made(*made),
                Done::Copied(Ok(image)) => {
                    let [width, height] = image.size;
                    ctx.copy_image(*image);
                    self.messages
                        .done(format!("the picture with its scale bar is on the clipboard, {width} × {height} px"));
                }
                Done::Copied(Err(words)) => self.messages.problem(words),
                Done::Written(Ok(words)) => self.messages.done(words),
                Done::Written(Err(words)) => self.messages.problem(words),
                Done::Picked(paths) => {
                    if let Some(chosen) = self.picker.as_mut().and_then(|p| p.system_gave(paths)) {
                        self.picked(chosen, ctx);
                    }
                }
            }
        }
        if ctx.input(|i| i.viewport().close_requested()) {
            self.close();
        }
    }

    pub(super) fn command(&mut self, command: Command, ctx: &egui::Context) {
        match command {
            Command::Keys => self.keys_shown = !self.keys_shown,
            Command::GoSlide => self.go(Place::Slide),
            Command::GoAnimal => self.go(Place::Animal),
            Command::GoNotebook => self.go(Place::Notebook),
            Command::GoPlanner => self.go(Place::Planner),
            Command::OpenPictures => self.ask(Purpose::Pictures),
            Command::OpenNotebook => self.ask(Purpose::Notebook),
            Command::Save => self.save(),
            Command::Undo => self.undo(),
            Command::Redo => self.redo(),
            Command::Theme => self.change_theme(ctx),
            Command::FullScreen => {
                self.full_screen = !self.full_screen;
                ctx.send_viewport_cmd(egui::ViewportCommand::Fullscreen(self.full_screen));
            }
            Command::NextPicture => self.step_picture(1),
            Command::PictureBefore => self.step_picture(-1),
            Command::ZoomIn | Command::ZoomOut => {
                let factor = if command == Command::ZoomIn { 1.25 } else { 0.8 };
                if let Some(size) = self.current().map(|p| p.pyramid.picture_px()) {
                    self.canvas().zoom_by(factor, size);
                }
            }
            Command::Whole => self.canvas().show_whole(),
            Command::Pixels => self.canvas().show_pixels(),
            Command::Turn => self.canvas().turn(1),
            Command::TurnBack => self.canvas().turn(-1),
            Command::Mirror => self.canvas().mirror(),
            Command::Loupe => self.canvas().loupe = !self.canvas().loupe,
            Command::Drop if self.keys_shown => self.keys_shown = false,
            Command::PageTable | Command::PageStatistics | Command::PageRepeats | Command::PageComparison => {
                if let Some(page) = Page::of(command) {
                    self.book.turn_to(page);
                }
            }
            Command::CopyPicture => self.copy_picture(ctx),
            other if self.place == Place::Slide => {
                let picture = self.current();
                self.slide.command(other, picture.as_ref(), &mut self.work, &mut self.messages, ctx);
            }
            other => {
                let picture = self.current();
                let (animal, mut run) = self.animal_run(picture.as_ref(), ctx);
                animal.command(other, &mut run);
            }
        }
    }

    /// Arrow keys: the chosen mark, or the picture.
    fn arrows(&mut self, ctx: &egui::Context) {
        if !matches!(self.place, Place::Slide | Place::Animal)
            || ctx.text_edit_focused()
            || ctx.memory(|m| m.focused().is_some())
        {
            return;
        }
        let (mut x, mut y) = (0.0, 0.0);
        ctx.input_mut(|i| {
            for (modifiers, step) in
                [(egui::Modifiers::ALT, 0.1), (egui::Modifiers::SHIFT, 10.0), (egui::Modifiers::NONE, 1.0)]
            {
                for (key, dx, dy) in [
                    (egui::Key::ArrowLeft, -1.0, 0.0),
                    (egui::Key::ArrowRight, 1.0, 0.0),
                    (egui::Key::ArrowUp, 0.0, -1.0),
                    (egui::Key::ArrowDown, 0.0, 1.0),
                ] {
                    let n = i.count_and_consume_key(modifiers, key) as f64;
                    x += n * step * dx;
                    y += n * step * dy;
                }
            }
        });
        if x == 0.0 && y == 0.0 {
            return;
        }
        let nudged = match self.place {
            Place::Animal => self.animal.nudge(x, y, self.document.notebook(), ctx),
            _ => self.slide.nudge(x, y),
        };
        if nudged {
            return;
        }
        self.canvas().pan_by(0.08 * x, 0.08 * y);
    }

    pub(super) fn go(&mut self, place: Place) {
        self.place = place;
        self.follow = true;
    }

    pub(super) fn canvas(&mut self) -> &mut super::canvas::Canvas {
        if self.place == Place::Animal { &mut self.animal.canvas } else { &mut self.slide.canvas }
    }

    pub(super) fn current_path(&self) -> Option<&Path> {
        match self.place {
            Place::Animal => self.animal.picture.as_deref(),
            _ => self.slide.picture.as_deref(),
        }
    }

    /// The place of animals, and what it works on.
    pub(super) fn animal_run<'a>(
        &'a mut self,
        picture: Option<&'a Arc<OpenPicture>>,
        ctx: &'a egui::Context,
    ) -> (&'a mut AnimalPlace, Run<'a>) {
        let Self { animal, setups, document, work, messages, .. } = self;
        (animal, Run { picture, setups, document, work, messages, ctx })
    }

    pub(super) fn current(&self) -> Option<Arc<OpenPicture>> {
        self.pictures.open_one(self.current_path()).cloned()
    }

    pub(super) fn show_picture(&mut self, path: &Path) {
        match self.place {
            Place::Animal => self.animal.show_picture(path),
            _ => self.slide.show_picture(path),
        }
    }

    fn step_picture(&mut self, by: isize) {
        if let Some(path) = self.pictures.beside(self.current_path(), by).map(Path::to_owned) {
            self.show_picture(&path);
            self.follow = true;
        }
    }

    pub(super) fn undo(&mut self) {
        self.animal.forget();
        match self.document.undo() {
            Ok(Some(name)) => self.messages.done(format!("undone: {name}")),
            Ok(None) => self.messages.done("there is nothing to undo"),
            Err(e) => self.messages.problem(e),
        }
    }

    pub(super) fn redo(&mut self) {
        self.animal.forget();
        match self.document.redo() {
            Ok(Some(name)) => self.messages.done(format!("done again: {name}")),
            Ok(None) => self.messages.done("there is nothing to do again"),
            Err(e) => self.messages.problem(e),
        }
    }

    fn save(&mut self) {
        match (self.document.path().is_some(), self.document.save()) {
            (false, _) => self.messages.done("there is no notebook yet; it begins with the first measurement"),
            (true, Ok(())) => self.messages.done("the notebook's file is written"),
            (true, Err(e)) => self.messages.problem(e),
        }
    }

    pub(super) fn change_theme(&mut self, ctx: &egui::Context) {
        let dark = ctx.theme() != egui::Theme::Dark;
        self.settings.dark = Some(dark);
        self.settings.write(&self.folders.data);
        ctx.set_theme(if dark { egui::ThemePreference::Dark } else { egui::ThemePreference::Light });
    }

    pub(super) fn change_size(&mut self, ctx: &egui::Context, factor: f32) {
        self.settings.size = if factor == 0.0 { 1.0 } else { (self.settings.size * factor).clamp(0.7, 2.5) };
        self.settings.write(&self.folders.data);
        ctx.set_zoom_factor(self.settings.size);
    }
}
