//! From a finished shape to what the notebook keeps.

use std::path::Path;
use std::sync::Arc;

use super::super::document::PROGRAM;
use super::super::pictures::OpenPicture;
use super::animal::AnimalPlace;
use crate::animal::snap::{Expected, snap_shape};
use crate::animal::{AnimalError, Lying, Shape};
use crate::command::desk;
use crate::notebook::{
    Action, Animal, AnimalId, EvaluateError, KeptSetup, Measurement, MeasurementId, Notebook, Picture, PictureId,
    Question, Reported, SetupId, StoredMark, Unknown, evaluate, places_of, relative_path,
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
    /// The notebook, where ratios or sums rest on the changed measurement, so that all of its go is evaluated anew.
    pub(super) whole: Option<Box<Notebook>>,
    /// What came of that: figures of the others of the go.
    pub(super) others: Vec<(MeasurementId, Reported)>,
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
            let expected = Expected { w: Px::new(w), coherence: self.setup.coherence };
            for shape in &mut self.shapes {
                let snapped = snap_shape(&light, shape, expected);
                *shape = snapped.shape;
                self.notes.extend(snapped.notes);
            }
        }
        if let (Some(id), Some(whole)) = (self.change, self.whole.take()) {
            self.result = self.whole_go(id, *whole);
            return self;
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

    /// Evaluates the go of the changed measurement in one, with the ratios and sums that rest on it; its own figure.
    fn whole_go(&mut self, id: MeasurementId, mut notebook: Notebook) -> Result<Vec<Reported>, String> {
        let gone = || "the measurement is not there any more".to_owned();
        let mut changed = notebook.measurement(id).cloned().ok_or_else(gone)?;
        changed.marks = self.shapes.first().map(stored).ok_or_else(gone)?;
        let change = Action::ChangeMeasurement { measurement: Box::new(changed) };
        notebook.apply(change).map_err(|e| e.to_string())?;
        let go = notebook.go_of(id);
        let answer = notebook.evaluate(&go, Options::default()).map_err(|e| in_window_words(&e))?;
        let mut own = None;
        for (m, place) in go.iter().zip(places_of(&go)) {
            let reported = answer.reported(place, PROGRAM).ok_or_else(gone)?;
            if m.id == id {
                own = Some(reported);
            } else {
                self.others.push((m.id, reported));
            }
        }
        own.map(|r| vec![r]).ok_or_else(gone)
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
            if self.others.is_empty() {
                m.together = None;
            }
            m.date = desk::now();
            let (id, what) = (m.id, format!("move marks of {}", m.full_name()));
            actions.push(Action::ChangeMeasurement { measurement: Box::new(m) });
            for (id, reported) in &self.others {
                let Some(mut other) = notebook.measurement(*id).cloned() else { continue };
                other.reported = Some(reported.clone());
                actions.push(Action::ChangeMeasurement { measurement: Box::new(other) });
            }
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

/// True where ratios or sums rest on a measurement.
pub(super) fn others_rest_on(notebook: &Notebook, id: MeasurementId) -> bool {
    notebook.measurements.iter().any(|m| m.of.iter().any(|p| p.measurement == id))
}

fn stored(shape: &Shape) -> Vec<StoredMark> {
    shape.marks.iter().map(StoredMark::from).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::{Kind, MarkKind};
    use crate::notebook::NotebookId;
    use crate::notebook::PartOf;
    use crate::notebook::testing::{NOW, kept, measurement, picture};
    use crate::units::Point;

    #[test]
    fn ratios_follow_when_a_mark_of_theirs_is_moved() {
        let mut n = Notebook::new(NotebookId::of_seed(b"r"), "", "", NOW);
        n.apply(Action::AddSetup { setup: Box::new(kept(1)), at: None }).unwrap();
        n.apply(Action::AddPicture { picture: picture(2), at: None }).unwrap();
        n.apply(Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(3), "mite")), at: None }).unwrap();
        let mut add = |id: u64, name: &str, of: Vec<u64>| {
            let mut m = measurement(id, 3, 2, 1);
            m.quantity = name.to_owned();
            m.together = Some(9);
            if !of.is_empty() {
                m.kind = Kind::Ratio;
                m.marks.clear();
                m.of = of.into_iter().map(|i| PartOf { measurement: MeasurementId::new(i), part: None }).collect();
            }
            n.apply(Action::AddMeasurement { measurement: Box::new(m), at: None }).unwrap();
        };
        add(4, "length", vec![]);
        add(5, "breadth", vec![]);
        add(6, "length over breadth", vec![4, 5]);
        let (id, ratio) = (MeasurementId::new(4), MeasurementId::new(6));
        assert!(others_rest_on(&n, id) && !others_rest_on(&n, ratio));
        let before = n.evaluate(&n.go_of(id), Options::default()).unwrap().measured[2].value.unwrap();
        // Twice as long.
        let shape = n.measurement(id).and_then(Measurement::shape).unwrap();
        let (first, last) = (shape.marks[0].at, shape.marks[shape.marks.len() - 1].at);
        let far = first + (last - first) * 2.0;
        let longer =
            Shape::by_hand("length".into(), Kind::Span, &[first, Point::new(far.x, far.y)], MarkKind::Silhouette);
        let mut m = n.measurement(id).unwrap().clone();
        m.kind = Kind::Span;
        n.apply(Action::ChangeMeasurement { measurement: Box::new(m) }).unwrap();
        let opened = desk::open(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/sample_data/mite.jpg"))).unwrap();
        let pyramid = crate::desktop::canvas::Pyramid::of_rgba(
            vec![0; 16],
            (2, 2),
            1,
            &std::sync::atomic::AtomicBool::new(false),
        );
        let pyramid = pyramid.unwrap();
        let figured = Figured {
            picture: Arc::new(OpenPicture { id: 1, path: "mite.jpg".into(), opened, pyramid }),
            setup: n.setups[0].setup.clone(),
            shapes: vec![longer],
            lying: n.measurement(id).unwrap().lying,
            accepted_mismatch: None,
            animal: "mite".into(),
            change: Some(id),
            whole: Some(Box::new(n.clone())),
            others: Vec::new(),
            result: Err(String::new()),
            notes: Vec::new(),
        };
        let figured = figured.worked_out(None);
        let reported = figured.result.clone().unwrap();
        let (action, _) = figured.action(&n, Path::new("."), reported);
        n.apply(action).unwrap();
        let after = n.measurement(ratio).unwrap().reported.as_ref().unwrap().figure.value.unwrap();
        assert!(after > 1.5 * before, "{before} became {after}");
        assert!(n.recheck("test").iter().all(|r| r.same), "what is stored is what follows from the marks");
    }
}
