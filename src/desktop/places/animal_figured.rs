//! From a finished shape to what the notebook keeps.

use std::path::Path;
use std::sync::Arc;

use super::super::document::PROGRAM;
use super::super::pictures::OpenPicture;
use super::animal::AnimalPlace;
use crate::animal::{AnimalError, Lying, Shape};
use crate::command::desk;
use crate::notebook::{
    Action, Animal, AnimalId, EvaluateError, KeptSetup, Measurement, MeasurementId, Notebook, Picture, PictureId,
    Question, Reported, SetupId, StoredMark, Unknown, evaluate, relative_path,
};
use crate::photo::Channel;
use crate::setup::Setup;
use crate::uncertainty::Options;
use crate::units::Px;

/// What came of finished shapes.
#[derive(Debug)]
pub(crate) struct Figured {
    pub(super) picture: Arc<OpenPicture>,
    pub(super) setup: Setup,
    /// One, or several that are measured in one go.
    pub(super) shapes: Vec<Shape>,
    pub(super) lying: Lying,
    pub(super) accepted_mismatch: Option<String>,
    pub(super) animal: String,
    pub(super) change: Option<MeasurementId>,
    /// One entry a shape.
    pub(super) result: Result<Vec<Reported>, String>,
    pub(super) notes: Vec<String>,
}

/// The words of the core speak of options of the command line where a person here has choices.
pub(super) fn in_window_words(e: &EvaluateError) -> String {
    match e {
        EvaluateError::Animal(AnimalError::DepthUnknown) => {
            "say how the animal lies: the setup has no magnification and aperture from which a depth of field could bound it".to_owned()
        }
        EvaluateError::Animal(AnimalError::BlurUnknown) => {
            "the blur spot is not known: it could not be measured on the slide, and the setup has no magnification and aperture; read the slide again with both under \"Lens, aperture, camera\"".to_owned()
        }
        other => other.to_string(),
    }
}

impl Figured {
    /// The figure with everything; marks are snapped first where a blur spot in px is given.
    pub(super) fn worked_out(mut self, snap_px: Option<f64>) -> Self {
        if let Some(w) = snap_px {
            let light = self.picture.opened.photo.light(Channel::Luminance);
            for shape in &mut self.shapes {
                let snapped = crate::animal::snap::snap_shape(&light, shape, Px::new(w));
                *shape = snapped.shape;
                self.notes.extend(snapped.notes);
            }
        }
        let answer = evaluate(&Question {
            setup: &self.setup,
            facts: &self.picture.opened.facts,
            exif_aperture: self.picture.opened.photo.metadata().aperture,
            blur_spot: None,
            u_blur_spot: None,
            warnings: &self.picture.opened.warnings,
            shapes: &self.shapes,
            figures: &[],
            lying: self.lying,
            accepted_mismatch: self.accepted_mismatch.as_deref(),
            options: Options::default(),
        });
        self.result = match answer {
            Ok(a) => {
                let all: Option<Vec<Reported>> = (0..self.shapes.len()).map(|i| a.reported(i, PROGRAM)).collect();
                all.ok_or_else(|| "nothing was measured".to_owned())
            }
            Err(e) => Err(in_window_words(&e)),
        };
        self
    }

    /// All that the notebook lacks, and the measurements, as one step; the first measurement's id.
    pub(super) fn action(
        &self,
        notebook: &Notebook,
        folder: &Path,
        reported: Vec<Reported>,
    ) -> (Action, MeasurementId) {
        let mut actions = Vec::new();
        let mut next = notebook.next_number();
        let mut number = || {
            next += 1;
            next - 1
        };
        let picture = AnimalPlace::picture_in(notebook, &self.picture).unwrap_or_else(|| {
            let id = PictureId::new(number());
            actions.push(Action::AddPicture { picture: self.picture_record(id, folder), at: None });
            id
        });
        let setup = notebook.setup_like(&self.setup).unwrap_or_else(|| {
            let id = SetupId::new(number());
            let kept = KeptSetup { id, kept: desk::now(), setup: self.setup.clone(), other: Unknown::new() };
            actions.push(Action::AddSetup { setup: Box::new(kept), at: None });
            id
        });
        let mut made = self.shapes.iter().zip(reported);
        if let Some(old) = self.change.and_then(|id| notebook.measurement(id)) {
            let mut m = old.clone();
            (m.setup, m.lying) = (setup, self.lying);
            if let Some((shape, reported)) = made.next() {
                (m.marks, m.reported) = (stored(shape), Some(reported));
            }
            m.accepted_mismatch.clone_from(&self.accepted_mismatch);
            m.together = None;
            m.date = desk::now();
            let (id, what) = (m.id, format!("move marks of {}", m.full_name()));
            actions.push(Action::ChangeMeasurement { measurement: Box::new(m) });
            return (Action::Several { what, actions }, id);
        }
        let animal = notebook.animal_named(&self.animal).map_or_else(
            || {
                let id = AnimalId::new(number());
                actions.push(Action::AddAnimal { animal: Box::new(Animal::named(id, &self.animal)), at: None });
                id
            },
            |a| a.id,
        );
        let together = (self.shapes.len() > 1).then(&mut number);
        let first = MeasurementId::new(number());
        for (i, (shape, reported)) in made.enumerate() {
            let measurement = Measurement {
                id: if i == 0 { first } else { MeasurementId::new(number()) },
                animal,
                picture,
                setup,
                quantity: shape.name.clone(),
                part: String::new(),
                kind: shape.kind,
                marks: stored(shape),
                of: Vec::new(),
                lying: self.lying,
                coverage: Options::default().coverage,
                together,
                accepted_mismatch: self.accepted_mismatch.clone(),
                person: String::new(),
                date: desk::now(),
                remarks: String::new(),
                reported: Some(reported),
                other: Unknown::new(),
            };
            actions.push(Action::AddMeasurement { measurement: Box::new(measurement), at: None });
        }
        let names: Vec<&str> = self.shapes.iter().map(|s| s.name.as_str()).collect();
        let what = format!("measure {} of {}", names.join(", "), self.animal);
        (Action::Several { what, actions }, first)
    }

    fn picture_record(&self, id: PictureId, folder: &Path) -> Picture {
        let (photo, facts) = (&self.picture.opened.photo, &self.picture.opened.facts);
        let file = std::path::absolute(&self.picture.path).unwrap_or_else(|_e| self.picture.path.clone());
        let path = relative_path(folder, &file);
        let path = path.unwrap_or_else(|_e| file.display().to_string());
        let mut p = Picture::of_file(id, &path, photo.file_bytes(), photo.sha256(), facts.width_px, facts.height_px);
        (p.exif_camera, p.exif_lens) = (facts.exif_camera.clone(), facts.exif_lens.clone());
        (p.exif_aperture, p.taken) = (photo.metadata().aperture, photo.metadata().taken.clone());
        p.warnings.clone_from(&self.picture.opened.warnings);
        p
    }
}

fn stored(shape: &Shape) -> Vec<StoredMark> {
    shape.marks.iter().map(StoredMark::from).collect()
}
