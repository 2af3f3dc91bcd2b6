//! Measurements of the command line into a notebook.

use std::hash::{BuildHasher, Hasher};
use std::path::Path;

use super::clock;
use super::failure::Failure;
use super::opened::Opened;
use crate::animal::{Figure, Kind, Lying, Recipe, Shape};
use crate::notebook::{
    Action, Animal, AnimalId, Answer, Holder, KeptSetup, Measurement, MeasurementId, Notebook, NotebookId, PartOf,
    Picture, PictureId, SetupId, Store, StoredMark, Unknown, relative_path,
};
use crate::setup::Setup;
use crate::units::Um;

/// Name and version of this program.
pub(super) const PROGRAM: &str = concat!("motestick ", env!("CARGO_PKG_VERSION"));

/// What was measured, beside the figures.
pub(super) struct Kept<'a> {
    /// Its id is given by the notebook.
    pub(super) picture: Picture,
    pub(super) setup: &'a Setup,
    pub(super) animal: &'a str,
    pub(super) person: &'a str,
    pub(super) lying: Lying,
    pub(super) accepted_mismatch: Option<&'a str>,
    pub(super) shapes: &'a [Shape],
    pub(super) figures: &'a [Figure],
}

/// This process, for the notebook's lock.
pub(super) fn holder() -> Holder {
    let by_environment = || ["HOSTNAME", "COMPUTERNAME"].iter().find_map(|v| std::env::var(v).ok());
    let by_file = || std::fs::read_to_string("/etc/hostname").ok();
    let host = by_environment().or_else(by_file).map(|h| h.trim().to_owned()).filter(|h| !h.is_empty());
    Holder {
        pid: std::process::id(),
        host: host.unwrap_or_else(|| "this computer".to_owned()),
        program: PROGRAM.to_owned(),
        since: clock::now(),
    }
}

/// Opens the notebook for work, or begins one.
pub(super) fn open_or_begin(path: &Path) -> Result<(Store, Vec<String>), Failure> {
    if path.exists() {
        let opened = Store::open(path, &holder()).map_err(Failure::usage)?;
        let mut notices = opened.notices;
        if opened.restored > 0 {
            notices.push(format!("{} actions were restored after a crash", opened.restored));
        }
        return Ok((opened.store, notices));
    }
    let title = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let notebook = Notebook::new(NotebookId::of_seed(&seed(path)), &title, PROGRAM, &clock::now());
    let store = Store::create(path, notebook, &holder()).map_err(Failure::usage)?;
    Ok((store, Vec::new()))
}

/// Time, process, place and the system's own randomness: no two notebooks are alike.
fn seed(path: &Path) -> Vec<u8> {
    let random = std::hash::RandomState::new().build_hasher().finish();
    format!("{random}|{}|{}|{:?}", std::process::id(), path.display(), std::time::SystemTime::now()).into_bytes()
}

/// Puts what was measured into the notebook in `path` as one action, and saves it.
pub(super) fn keep(path: &Path, about: &Kept<'_>, answer: &Answer) -> Result<(), Failure> {
    let (mut store, _notices) = open_or_begin(path)?;
    let action = action(store.notebook(), about, answer);
    let now = clock::now();
    store.apply(action, &now).map_err(Failure::usage)?;
    store.close(&now).map_err(Failure::usage)
}

/// All of it as one action: setup, picture and animal where they are new, and the measurements.
pub(super) fn action(notebook: &Notebook, about: &Kept<'_>, answer: &Answer) -> Action {
    let mut next = notebook.next_number()..;
    let mut number = || next.next().unwrap_or(u64::MAX);
    let mut actions = Vec::new();
    let setup = notebook.setup_like(about.setup).unwrap_or_else(|| {
        let id = SetupId::new(number());
        let kept = KeptSetup { id, kept: clock::now(), setup: about.setup.clone(), other: Unknown::new() };
        actions.push(Action::AddSetup { setup: Box::new(kept), at: None });
        id
    });
    let like = |p: &&Picture| p.sha256 == about.picture.sha256 && p.mode == about.picture.mode;
    let there = notebook.pictures.iter().find(like).map(|p| p.id);
    let picture = there.unwrap_or_else(|| {
        let id = PictureId::new(number());
        actions.push(Action::AddPicture { picture: Picture { id, ..about.picture.clone() }, at: None });
        id
    });
    let animal = notebook.animal_named(about.animal).map(|a| a.id).unwrap_or_else(|| {
        let id = AnimalId::new(number());
        actions.push(Action::AddAnimal { animal: Box::new(Animal::named(id, about.animal)), at: None });
        id
    });
    let together = number();
    let blank = |id, name: &str, kind: Kind, i: usize| Measurement {
        id,
        animal,
        picture,
        setup,
        quantity: name.to_owned(),
        part: String::new(),
        kind,
        marks: Vec::new(),
        of: Vec::new(),
        lying: about.lying,
        coverage: answer.measured.get(i).map_or(0.95, |m| m.coverage),
        together: Some(together),
        accepted_mismatch: about.accepted_mismatch.map(str::to_owned),
        person: about.person.to_owned(),
        date: clock::now(),
        remarks: String::new(),
        reported: answer.reported(i, PROGRAM),
        other: Unknown::new(),
    };
    let mut add = |m: Measurement| actions.push(Action::AddMeasurement { measurement: Box::new(m), at: None });
    let mut ids = Vec::new();
    for (i, shape) in about.shapes.iter().enumerate() {
        let mut m = blank(MeasurementId::new(number()), &shape.name, shape.kind, i);
        m.marks = shape.marks.iter().map(StoredMark::from).collect();
        ids.push(m.id);
        add(m);
    }
    for (i, figure) in about.figures.iter().enumerate() {
        let mut m = blank(MeasurementId::new(number()), &figure.name, figure.kind(), about.shapes.len() + i);
        let parts = match &figure.recipe {
            Recipe::Ratio(above, below) => vec![*above, *below],
            Recipe::Sum(parts) => parts.clone(),
        };
        let of = |p: &crate::animal::Part| Some(PartOf { measurement: *ids.get(p.shape)?, part: p.part });
        m.of = parts.iter().filter_map(of).collect();
        add(m);
    }
    Action::Several { what: format!("measure \"{}\"", about.animal), actions }
}

/// The record of a picture for the notebook in `notebook`, which gives it its id; an error where one of the two has no place.
pub(super) fn picture_of(
    notebook: &Path,
    picture: &Path,
    opened: &Opened,
    blur_spot: Option<Um>,
) -> std::io::Result<Picture> {
    let folder = notebook.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    let (photo, facts) = (&opened.photo, &opened.facts);
    let path = relative_path(folder, picture)?;
    let id = PictureId::new(0);
    let mut picture = Picture::of_file(id, &path, photo.file_bytes(), photo.sha256(), facts.width_px, facts.height_px);
    picture.exif_camera.clone_from(&facts.exif_camera);
    picture.exif_lens.clone_from(&facts.exif_lens);
    picture.exif_aperture = photo.metadata().aperture;
    picture.blur_spot_um = blur_spot.map(Um::get);
    picture.mode.clone_from(&facts.mode);
    picture.taken.clone_from(&photo.metadata().taken);
    picture.warnings.clone_from(&opened.warnings);
    Ok(picture)
}
