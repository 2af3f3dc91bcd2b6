//! The pictures at hand: the strip, and those that are open.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use eframe::egui;
use egui::{
    Align2, Color32, ColorImage, FontId, Rect, Sense, Stroke, StrokeKind, TextureHandle, TextureOptions, Ui, pos2, vec2,
};

use super::canvas::{self, Pyramid};
use super::work::{Done, Work};
use crate::command::desk::{self, Opened};
use crate::setup::PictureFacts;

/// A picture that is open for looking and measuring.
#[derive(Debug)]
pub(crate) struct OpenPicture {
    /// A number that no other picture has while the program runs.
    pub(crate) id: u64,
    pub(crate) path: PathBuf,
    pub(crate) opened: Opened,
    pub(crate) pyramid: Pyramid,
}

/// What the strip shows of a picture.
#[derive(Debug)]
pub(crate) struct Small {
    pub(crate) size: (usize, usize),
    pub(crate) pixels: Vec<[u8; 3]>,
    pub(crate) facts: PictureFacts,
}

enum State {
    Waiting,
    Ready { small: Small, texture: Option<TextureHandle> },
    Failed(String),
}

struct Entry {
    path: PathBuf,
    name: String,
    group: String,
    is_first: bool,
    state: State,
}

impl Entry {
    fn set(&mut self, small: Small) {
        self.group = group_of(&small.facts);
        self.state = State::Ready { small, texture: None };
    }

    fn heading(&self) -> &str {
        if self.group == WAITING { "not looked at yet" } else { &self.group }
    }

    /// Draws it; true when it was clicked.
    fn show(&mut self, ui: &Ui, rect: Rect, is_current: bool) -> bool {
        let response = ui.interact(rect, ui.scope_id().with(&self.path), Sense::click());
        let name = self.name.clone();
        let state = if matches!(self.state, State::Failed(_)) { ", cannot be opened" } else { "" };
        response.widget_info(|| {
            egui::WidgetInfo::selected(egui::Role::Button, true, is_current, format!("Picture {name}{state}"))
        });
        let visuals = ui.style().interact_selectable(&response, is_current);
        let painter = ui.painter();
        painter.rect_filled(rect, 4.0, if is_current { visuals.bg_fill } else { visuals.weak_bg_fill });
        let room = Rect::from_min_max(rect.min + vec2(4.0, 4.0), rect.max - vec2(4.0, 20.0));
        match &mut self.state {
            State::Waiting => {
                painter.text(
                    room.center(),
                    Align2::CENTER_CENTER,
                    "…",
                    FontId::proportional(18.0),
                    ui.visuals().weak_text_color(),
                );
            }
            State::Failed(words) => {
                painter.text(
                    room.center(),
                    Align2::CENTER_CENTER,
                    "cannot be opened",
                    FontId::proportional(12.0),
                    super::theme::attention(ui.visuals().dark_mode),
                );
                response.clone().on_hover_text(words.clone());
            }
            State::Ready { small, texture } => {
                let texture = texture.get_or_insert_with(|| {
                    let pixels = small.pixels.iter().map(|&[r, g, b]| Color32::from_rgb(r, g, b)).collect();
                    let image = ColorImage::new([small.size.0, small.size.1], pixels);
                    ui.ctx().load_texture(&self.name, image, TextureOptions::LINEAR)
                });
                let (w, h) = (small.size.0 as f32, small.size.1 as f32);
                let factor = (room.width() / w).min(room.height() / h);
                let at = Rect::from_center_size(room.center(), vec2(w * factor, h * factor));
                let uv = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
                painter.image(texture.id(), at, uv, Color32::WHITE);
            }
        }
        let name = short(&self.name, 17);
        painter.text(
            pos2(rect.center().x, rect.bottom() - 4.0),
            Align2::CENTER_BOTTOM,
            name,
            FontId::proportional(12.0),
            visuals.text_color(),
        );
        if is_current || response.has_focus() {
            painter.rect_stroke(rect, 4.0, Stroke::new(2.0, ui.visuals().hyperlink_color), StrokeKind::Inside);
        }
        response.clicked()
    }
}

/// A name of at most so many characters; the end of a camera's name tells more than its beginning.
fn short(name: &str, most: usize) -> String {
    let n = name.chars().count();
    if n <= most { name.to_owned() } else { format!("…{}", name.chars().skip(n + 1 - most).collect::<String>()) }
}

/// The pictures of the strip, in groups of one setup's look.
#[derive(Default)]
pub(crate) struct Pictures {
    entries: Vec<Entry>,
    open: Vec<Arc<OpenPicture>>,
    next_id: u64,
    small_ticket: Option<u64>,
    opening: Option<(u64, PathBuf)>,
}

impl std::fmt::Debug for Pictures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pictures").field("entries", &self.entries.len()).field("open", &self.open.len()).finish()
    }
}

/// Side of the small pictures, px.
const SMALL_PX: usize = 144;
/// Pictures that stay open: one a place.
const MOST_OPEN: usize = 2;
/// Pictures taken from one folder.
const MOST_IN_FOLDER: usize = 5000;
const WAITING: &str = "\u{10ffff}";

/// The pictures of a folder in the order of their names.
fn pictures_in(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let paths = std::fs::read_dir(folder)?.map(|entry| entry.map(|e| e.path())).collect::<std::io::Result<Vec<_>>>()?;
    let mut pictures: Vec<PathBuf> = paths.into_iter().filter(|p| is_picture(p) && p.is_file()).collect();
    pictures.sort();
    Ok(pictures)
}

/// True for names that pictures have.
pub(crate) fn is_picture(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or_default().to_lowercase();
    matches!(ending.as_str(), "jpg" | "jpeg" | "png" | "tif" | "tiff" | "bmp")
}

impl Pictures {
    pub(crate) const fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Adds files and what is in folders; how many are new, and words about what could not be taken.
    pub(crate) fn add(&mut self, paths: &[PathBuf]) -> (usize, Vec<String>) {
        let (mut found, mut troubles) = (Vec::new(), Vec::new());
        for path in paths {
            if path.is_dir() {
                match pictures_in(path) {
                    Ok(mut files) => {
                        let surplus = files.len().saturating_sub(MOST_IN_FOLDER);
                        files.truncate(MOST_IN_FOLDER);
                        if surplus > 0 {
                            troubles.push(format!("the first {MOST_IN_FOLDER} pictures of {} are in the strip, {surplus} are left out; put them into folders of their own", path.display()));
                        }
                        found.extend(files);
                    }
                    Err(e) => troubles.push(format!("the folder cannot be read: {e}: {}", path.display())),
                }
            } else if is_picture(path) {
                found.push(path.clone());
            }
        }
        let before = self.entries.len();
        let known: std::collections::HashSet<PathBuf> = self.entries.iter().map(|e| e.path.clone()).collect();
        found.retain(|p| !known.contains(p));
        found.sort();
        found.dedup();
        self.entries.extend(found.into_iter().map(|path| {
            let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
            Entry { path, name, group: WAITING.to_owned(), is_first: false, state: State::Waiting }
        }));
        self.sort();
        (self.entries.len() - before, troubles)
    }

    fn sort(&mut self) {
        self.entries.sort_by(|a, b| (&a.group, &a.name, &a.path).cmp(&(&b.group, &b.name, &b.path)));
        let mut before: Option<String> = None;
        for e in &mut self.entries {
            e.is_first = before.as_ref() != Some(&e.group);
            before = Some(e.group.clone());
        }
    }

    /// The first of the strip.
    pub(crate) fn first(&self) -> Option<&Path> {
        self.entries.first().map(|e| e.path.as_path())
    }

    /// The neighbour of a picture in the strip.
    pub(crate) fn beside(&self, path: Option<&Path>, step: isize) -> Option<&Path> {
        let at = path.and_then(|p| self.entries.iter().position(|e| e.path == p));
        let Some(at) = at else { return self.first() };
        let to = at.checked_add_signed(step)?;
        self.entries.get(to).map(|e| e.path.as_path())
    }

    /// The other pictures of a picture's group: path and name.
    pub(crate) fn like<'a>(&'a self, path: &'a Path) -> impl Iterator<Item = (&'a Path, &'a str)> {
        let group = self.entries.iter().find(|e| e.path == path).map(|e| e.group.as_str());
        let others = self.entries.iter().filter(move |e| Some(e.group.as_str()) == group && e.path != path);
        others.map(|e| (e.path.as_path(), e.name.as_str()))
    }

    /// The picture, where it is open.
    pub(crate) fn open_one(&self, path: Option<&Path>) -> Option<&Arc<OpenPicture>> {
        self.open.iter().find(|o| Some(o.path.as_path()) == path)
    }

    /// True while the picture is being opened.
    pub(crate) fn is_opening(&self, path: &Path) -> bool {
        self.opening.as_ref().is_some_and(|(_, p)| p == path)
    }

    /// Opens a picture in the background unless it is open.
    pub(crate) fn ask(&mut self, path: &Path, work: &mut Work, ctx: &egui::Context) {
        if self.open_one(Some(path)).is_some() || self.is_opening(path) {
            return;
        }
        if let Some((ticket, _)) = self.opening.take() {
            work.give_up(Some(ticket));
        }
        self.next_id += 1;
        let (id, path) = (self.next_id, path.to_owned());
        let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let kept = path.clone();
        let ticket = work.start(ctx, &format!("opening {name}"), move |cancelled| {
            let result = match desk::open(&path) {
                Ok(opened) => {
                    let pyramid = Pyramid::of(&opened.photo, cancelled)?;
                    Ok(Arc::new(OpenPicture { id, path: path.clone(), opened, pyramid }))
                }
                Err(e) => Err(e.to_string()),
            };
            Some(Done::Picture(path, result))
        });
        self.opening = ticket.map(|t| (t, kept));
    }

    /// Takes what the background opened; the oldest that is in neither place goes.
    pub(crate) fn opened(&mut self, picture: Arc<OpenPicture>, needed: &[Option<&Path>]) {
        self.opening = None;
        if let Some(entry) = self.entries.iter_mut().find(|e| e.path == picture.path)
            && !matches!(entry.state, State::Ready { .. })
        {
            let (w, h, pixels) = picture.pyramid.small(SMALL_PX);
            entry.set(Small { size: (w, h), pixels, facts: picture.opened.facts.clone() });
            self.sort();
        }
        self.open.retain(|o| needed.contains(&Some(o.path.as_path())));
        self.open.push(picture);
        let surplus = self.open.len().saturating_sub(MOST_OPEN);
        self.open.drain(..surplus);
    }

    /// Notes that a picture cannot be opened.
    pub(crate) fn failed(&mut self, path: &Path, words: &str) {
        if self.is_opening(path) {
            self.opening = None;
        }
        if let Some(entry) = self.entries.iter_mut().find(|e| e.path == path) {
            entry.state = State::Failed(words.to_owned());
            entry.group = "cannot be opened".to_owned();
            self.sort();
        }
    }

    /// Notes that opening was given up.
    pub(crate) fn given_up(&mut self) {
        self.opening = None;
    }

    /// Takes a small picture.
    pub(crate) fn small(&mut self, path: &Path, result: Result<Box<Small>, String>) {
        self.small_ticket = None;
        match result {
            Ok(small) => {
                if let Some(entry) = self.entries.iter_mut().find(|e| e.path == path) {
                    entry.set(*small);
                    self.sort();
                }
            }
            Err(words) => self.failed(path, &words),
        }
    }

    /// Keeps the background at the small pictures, one at a time, and not while a person waits for a picture.
    pub(crate) fn pump(&mut self, work: &mut Work, ctx: &egui::Context) {
        if work.is_running(self.small_ticket) || self.opening.is_some() {
            return;
        }
        // In the order of the strip: what is known moves to its group, and must not move away from under the eye.
        let next = self.entries.iter().find(|e| matches!(e.state, State::Waiting));
        let Some(path) = next.map(|e| e.path.clone()) else { return };
        self.small_ticket = work.start(ctx, "", move |_| {
            let result = desk::open(&path).map(|opened| Box::new(small_of(&opened))).map_err(|e| e.to_string());
            Some(Done::Small(path, result))
        });
    }

    /// Draws the strip; a picture that was clicked.
    pub(crate) fn strip(&mut self, ui: &mut Ui, current: Option<&Path>, follow: bool) -> Option<PathBuf> {
        let mut clicked = None;
        let (cell, gap, top) = (vec2(124.0, 92.0), 18.0, 16.0);
        let mut lefts = Vec::with_capacity(self.entries.len());
        let mut x = 0.0;
        for (i, e) in self.entries.iter().enumerate() {
            if i > 0 && e.group != self.entries[i - 1].group {
                x += gap;
            }
            lefts.push(x);
            x += cell.x + 4.0;
        }
        let mut area = egui::ScrollArea::horizontal().id_salt("strip of pictures").auto_shrink(false);
        if let Some(i) = self.entries.iter().position(|e| Some(e.path.as_path()) == current).filter(|_| follow) {
            area = area.horizontal_scroll_offset((lefts[i] - 0.5 * ui.available_width() + 0.5 * cell.x).max(0.0));
        }
        area.show_viewport(ui, |ui, viewport| {
            let (rect, _) = ui.allocate_exact_size(vec2(x, cell.y + top), Sense::hover());
            let first = lefts.partition_point(|left| left + cell.x < viewport.left() - 400.0);
            let end = lefts.partition_point(|left| *left <= viewport.right());
            for (i, left) in lefts.iter().enumerate().take(end).skip(first) {
                let entry = &mut self.entries[i];
                let min = rect.min + vec2(*left, top);
                if i == 0 || entry.is_first {
                    let words = entry.heading();
                    ui.painter().text(
                        min - vec2(0.0, 3.0),
                        Align2::LEFT_BOTTOM,
                        words,
                        FontId::proportional(12.0),
                        ui.visuals().weak_text_color(),
                    );
                }
                if entry.show(ui, Rect::from_min_size(min, cell), Some(entry.path.as_path()) == current) {
                    clicked = Some(entry.path.clone());
                }
            }
        });
        clicked
    }
}

fn small_of(opened: &Opened) -> Small {
    let (w, h, pixels) = canvas::small(&opened.photo, SMALL_PX);
    Small { size: (w, h), pixels, facts: opened.facts.clone() }
}

/// Pictures of one look: what their metadata says of camera and lens, and their size.
pub(crate) fn group_of(facts: &PictureFacts) -> String {
    let mut words: Vec<String> = [&facts.exif_camera, &facts.exif_lens].into_iter().flatten().cloned().collect();
    words.push(format!("{} × {} px", facts.width_px, facts.height_px));
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_opened_and_nothing_stands_twice() {
        let folder = tempfile::tempdir().unwrap();
        for name in ["b.JPG", "a.png", "notes.txt", "c.tif"] {
            std::fs::write(folder.path().join(name), b"x").unwrap();
        }
        let mut p = Pictures::default();
        assert_eq!(p.add(&[folder.path().to_owned()]), (3, vec![]));
        assert_eq!(p.add(&[folder.path().join("a.png"), folder.path().join("notes.txt")]), (0, vec![]));
        let names: Vec<_> = p.entries.iter().map(|e| e.name.as_str()).collect();
        assert_eq!(names, ["a.png", "b.JPG", "c.tif"]);
        let second = p.beside(p.first(), 1).unwrap().to_owned();
        assert!(second.ends_with("b.JPG"));
        assert_eq!(p.beside(p.first(), -1), None);
        p.failed(&second, "no picture");
        assert!(p.entries.iter().any(|e| e.group == "cannot be opened" && e.is_first));
    }

    #[test]
    fn groups_say_what_the_metadata_says() {
        let mut facts = PictureFacts { width_px: 600, height_px: 400, ..PictureFacts::default() };
        assert_eq!(group_of(&facts), "600 × 400 px");
        facts.exif_camera = Some("Lumen K1".into());
        assert_eq!(group_of(&facts), "Lumen K1, 600 × 400 px");
        assert_eq!(short("DSC_00012345_final.jpg", 17), "…012345_final.jpg");
    }
}
