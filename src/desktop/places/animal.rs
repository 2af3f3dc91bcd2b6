//! Animal: marks on a picture become figures, seen while they are drawn.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use eframe::egui;

use super::super::canvas::Canvas;
use super::super::document::Document;
use super::super::keys::Command;
use super::super::message::Messages;
use super::super::pictures::OpenPicture;
use super::super::work::{Done, Work};
use super::animal_basis::{Basis, LyingIs, Situation};
pub(crate) use super::animal_figured::Figured;
use super::animal_figured::others_rest_on;
use super::animal_proposal::Proposed;
use super::setups::Setups;
use crate::animal::{Kind, MarkKind, Measured, Shape};
use crate::notebook::{Measurement, MeasurementId, Notebook, PictureId};
use crate::units::{Image, Point, Vector};

/// What a click does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Tool {
    /// Takes marks and moves the picture.
    Look,
    /// Sets marks of an axis.
    #[default]
    Axis,
    /// Sets marks of another shape.
    Other(Kind),
}

impl Tool {
    pub(super) const ALL: [(Self, &'static str); 7] = [
        (Self::Look, "Look"),
        (Self::Axis, "Axis"),
        (Self::Other(Kind::Span), "Span"),
        (Self::Other(Kind::Breadth), "Breadth"),
        (Self::Other(Kind::Appendage), "Appendage"),
        (Self::Other(Kind::Outline), "Outline"),
        (Self::Other(Kind::Angle), "Angle"),
    ];

    pub(super) const fn of(kind: Kind) -> Self {
        if matches!(kind, Kind::Axis) { Self::Axis } else { Self::Other(kind) }
    }

    pub(super) const fn kind(self) -> Option<Kind> {
        match self {
            Self::Look => None,
            Self::Axis => Some(Kind::Axis),
            Self::Other(kind) => Some(kind),
        }
    }

    /// The key that chooses it.
    pub(super) const fn command(self) -> Command {
        match self {
            Self::Look => Command::Look,
            Self::Axis => Command::Axis,
            Self::Other(Kind::Span) => Command::Span,
            Self::Other(Kind::Breadth) => Command::Breadth,
            Self::Other(Kind::Appendage) => Command::Appendage,
            Self::Other(Kind::Outline) => Command::Outline,
            Self::Other(_) => Command::Angle,
        }
    }

    /// What to do with it.
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Look => "Drag moves the picture; a click on a mark takes it, the arrow keys then nudge it.",
            Self::Axis => "Click along the middle of the animal from end to end, Enter finishes.",
            Self::Other(Kind::Span) => "Click on both ends.",
            Self::Other(Kind::Breadth) => "Click on both sides, straight across.",
            Self::Other(Kind::Appendage) => "Click from joint to joint, Enter finishes.",
            Self::Other(Kind::Outline) => "Click around the animal, Enter closes the line.",
            Self::Other(_) => "Click on one arm, on the corner, on the other arm.",
        }
    }
}

/// Marks that a shape needs.
pub(super) const fn least_marks(kind: Kind) -> usize {
    match kind {
        Kind::Angle | Kind::Outline => 3,
        _ => 2,
    }
}

/// A mark under the hand.
#[derive(Clone, Debug)]
pub(super) enum Grab {
    /// Of what is being drawn.
    Drawn(usize, Vector<Image>),
    /// Of a measurement that is kept.
    Kept(Vector<Image>),
    /// Of what is proposed: shape, mark, and where the hand took it.
    Proposed(usize, usize, Vector<Image>),
}

/// A kept shape while its marks are moved; kept again when that is over.
#[derive(Clone, Debug)]
pub(super) struct Edit {
    pub(super) id: MeasurementId,
    pub(super) shape: Shape,
    pub(super) mark: usize,
    /// When a key last moved it, s; `None` while the hand does.
    pub(super) nudged: Option<f64>,
}

/// The figure of the shape at work.
#[derive(Debug)]
pub(super) struct Live {
    shape: Shape,
    basis: Basis,
    pub(super) result: Result<Measured, String>,
}

/// The place.
#[derive(Debug, Default)]
pub(crate) struct AnimalPlace {
    pub(crate) canvas: Canvas,
    pub(crate) picture: Option<PathBuf>,
    pub(super) tool: Tool,
    pub(super) drawing: Vec<Point<Image>>,
    pub(super) chosen: Option<MeasurementId>,
    pub(super) mark: Option<usize>,
    pub(super) edit: Option<Edit>,
    pub(super) grab: Option<Grab>,
    pub(super) lying: LyingIs,
    pub(super) degrees: String,
    pub(super) ends: Option<MarkKind>,
    pub(super) setup_by_hand: Option<String>,
    pub(super) accept: bool,
    pub(super) reason: String,
    pub(super) animal: String,
    pub(super) keeps_animal: bool,
    pub(super) quantity: String,
    pub(super) hidden: bool,
    pub(super) snap: bool,
    pub(super) pending: Vec<(u64, Shape)>,
    pub(super) live: Option<Live>,
    pub(super) pointer: Option<Point<Image>>,
    pub(super) renamed: Option<(MeasurementId, String)>,
    pub(super) finding: Option<u64>,
    pub(super) proposed: Option<Proposed>,
}

impl AnimalPlace {
    /// Shows another picture.
    pub(crate) fn show_picture(&mut self, path: &Path) {
        if self.picture.as_deref() == Some(path) {
            return;
        }
        self.picture = Some(path.to_owned());
        self.drawing.clear();
        (self.chosen, self.mark, self.edit, self.grab, self.live) = (None, None, None, None, None);
        self.setup_by_hand = None;
        self.accept = false;
        self.proposed = None;
        if !self.keeps_animal || self.animal.trim().is_empty() {
            self.animal = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        }
    }

    /// The picture in the notebook, where something was measured on it.
    pub(super) fn picture_in(notebook: &Notebook, picture: &OpenPicture) -> Option<PictureId> {
        let sha = picture.opened.photo.sha256();
        notebook.pictures.iter().find(|p| p.sha256 == sha).map(|p| p.id)
    }

    /// The measurements on this picture with their shapes, as they stand at the moment.
    pub(super) fn shapes_here(&self, notebook: &Notebook, picture: &OpenPicture) -> Vec<(MeasurementId, Shape)> {
        let Some(id) = Self::picture_in(notebook, picture) else { return Vec::new() };
        let shape_of = |m: &Measurement| match &self.edit {
            Some(edit) if edit.id == m.id => Some(edit.shape.clone()),
            _ => m.shape(),
        };
        notebook.measurements_on(id).filter_map(|m| Some((m.id, shape_of(m)?))).collect()
    }

    /// The shape at work with the place under the pointer as its next mark.
    pub(super) fn at_work(&self, pointer: Option<Point<Image>>) -> Option<Shape> {
        if let Some(edit) = &self.edit {
            return Some(edit.shape.clone());
        }
        if let Some((shape, _)) = self.proposed_in_hand() {
            return Some(shape.clone());
        }
        let kind = self.tool.kind()?;
        if self.drawing.is_empty() {
            return None;
        }
        let mut points = self.drawing.clone();
        points.extend(pointer.filter(|_| self.grab.is_none()));
        Some(self.shape(kind, &points, "at work"))
    }

    fn shape(&self, kind: Kind, points: &[Point<Image>], name: &str) -> Shape {
        let ends = match kind {
            Kind::Outline | Kind::Angle => kind.usual_ends(),
            _ => self.ends.unwrap_or(kind.usual_ends()),
        };
        Shape::by_hand(name.to_owned(), kind, points, ends)
    }

    /// Works out the figure of the shape at work unless it is known already.
    pub(super) fn evaluate_live(&mut self, about: &Situation<'_>, shape: &Shape, notebook: &Notebook) {
        if shape.marks.len() < least_marks(shape.kind) {
            self.live = None;
            return;
        }
        let Ok(basis) = self.basis(about, notebook, self.edit.as_ref().map(|e| e.id)) else {
            self.live = None;
            return;
        };
        if self.live.as_ref().is_some_and(|l| l.shape == *shape && l.basis == basis) {
            return;
        }
        let result = basis.at_once(about.picture, shape);
        self.live = Some(Live { shape: shape.clone(), basis, result });
    }

    /// Ends what is being drawn; words where that cannot be.
    pub(super) fn finish(
        &mut self,
        about: &Situation<'_>,
        notebook: &Notebook,
        work: &mut Work,
        ctx: &egui::Context,
    ) -> Result<(), String> {
        let Some(kind) = self.tool.kind() else { return Ok(()) };
        if self.drawing.is_empty() {
            return Ok(());
        }
        let (found, needed) = (self.drawing.len(), least_marks(kind));
        if found < needed {
            return Err(format!(
                "{} has {found} mark, it needs at least {needed}; click on the picture to set more",
                kind.name()
            ));
        }
        let name = if self.quantity.trim().is_empty() {
            self.free_name(kind, notebook)
        } else {
            self.quantity.trim().to_owned()
        };
        let shape = self.shape(kind, &self.drawing, &name);
        self.evaluate(about, vec![shape], (None, self.snap), notebook, (work, ctx))?;
        self.drawing.clear();
        self.live = None;
        Ok(())
    }

    /// `axis 2`, where the animal has an axis 1 already.
    pub(super) fn free_name(&self, kind: Kind, notebook: &Notebook) -> String {
        self.free_name_but(kind, &[], notebook)
    }

    fn free_name_but(&self, kind: Kind, others: &[String], notebook: &Notebook) -> String {
        let named = |n: usize| format!("{} {n}", kind.name());
        let free = |name: &String| !others.contains(name) && !self.is_taken(name, notebook);
        (1..).map(named).find(free).unwrap_or_else(|| named(1))
    }

    /// True where the animal has a quantity of this name, or is about to.
    fn is_taken(&self, name: &str, notebook: &Notebook) -> bool {
        let animal = notebook.animal_named(self.animal.trim()).map(|a| a.id);
        self.pending.iter().any(|(_, s)| s.name == name)
            || notebook.measurements.iter().any(|m| Some(m.animal) == animal && m.quantity == name)
    }

    /// Names for shapes that are measured in one go: their own where the animal has none like it, else the next numbers of their kinds.
    pub(super) fn free_names<'a>(
        &self,
        shapes: impl IntoIterator<Item = &'a Shape>,
        notebook: &Notebook,
    ) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for shape in shapes {
            let own = !names.contains(&shape.name) && !self.is_taken(&shape.name, notebook);
            names.push(if own { shape.name.clone() } else { self.free_name_but(shape.kind, &names, notebook) });
        }
        names
    }

    /// Evaluates shapes with everything, in the background; the result is then kept as one step.
    pub(super) fn evaluate(
        &mut self,
        about: &Situation<'_>,
        shapes: Vec<Shape>,
        (change, snap): (Option<MeasurementId>, bool),
        notebook: &Notebook,
        (work, ctx): (&mut Work, &egui::Context),
    ) -> Result<(), String> {
        let Basis { setup, lying, accepted_mismatch } = self.basis(about, notebook, change)?;
        if self.animal.trim().is_empty() {
            return Err("the animal has no name; type one under Animal".to_owned());
        }
        let blur = about.blur_px;
        let figured = Figured {
            picture: Arc::clone(about.picture),
            setup,
            shapes: shapes.clone(),
            lying,
            accepted_mismatch,
            animal: self.animal.trim().to_owned(),
            change,
            whole: change.filter(|id| others_rest_on(notebook, *id)).map(|_| Box::new(notebook.clone())),
            others: Vec::new(),
            result: Err(String::new()),
            notes: Vec::new(),
        };
        let what = format!("working out {}", shapes.first().map_or("", |s| s.name.as_str()));
        let ticket = work.start(ctx, &what, move |_| {
            Some(Done::Measured(Box::new(figured.worked_out(snap.then_some(blur).flatten()))))
        });
        match ticket {
            Some(t) => self.pending.extend(shapes.into_iter().map(|s| (t, s))),
            None => return Err(work.take_refused().unwrap_or_default()),
        }
        Ok(())
    }

    /// Keeps what was worked out.
    pub(crate) fn arrived(
        &mut self,
        figured: Figured,
        document: &mut Document,
        folder: &Path,
        messages: &mut Messages,
        work: &Work,
    ) {
        self.pending.retain(|(t, _)| work.is_running(Some(*t)));
        for note in &figured.notes {
            messages.note(note);
        }
        let reported = match &figured.result {
            Ok(reported) => reported.clone(),
            Err(words) => {
                messages.problem(words);
                // Nothing that was drawn is lost.
                let offered = self.proposed.as_mut().is_some_and(|p| p.offer_again(figured.picture.id));
                if let (None, false, [shape]) = (figured.change, offered, figured.shapes.as_slice()) {
                    self.tool = Tool::of(shape.kind);
                    self.drawing = shape.marks.iter().map(|m| m.at).collect();
                }
                self.edit = None;
                return;
            }
        };
        let kept = document.begin(folder).map_err(|e| e.to_string()).and_then(|()| {
            let base = document.folder().unwrap_or(folder).to_owned();
            let (action, id) = figured.action(document.notebook(), &base, reported);
            document.apply(action).map(|()| id).map_err(|e| e.to_string())
        });
        match kept {
            Ok(id) => {
                if self.hidden && figured.change.is_none() {
                    told_of_repeat(document.notebook(), id, messages);
                }
                self.chosen = Some(id);
                self.quantity.clear();
                if let Some(p) = &mut self.proposed
                    && p.was_kept(figured.picture.id, &figured.shapes)
                {
                    self.proposed = None;
                }
                if self.edit.as_ref().is_some_and(|e| e.id == id && figured.shapes.first() == Some(&e.shape)) {
                    self.edit = None;
                }
                self.live = None;
            }
            Err(words) => messages.problem(words),
        }
    }
}

/// After a reading that was set blind: how many there are, not what they are, so that the next one is blind as well.
fn told_of_repeat(notebook: &Notebook, id: MeasurementId, messages: &mut Messages) {
    let Some(m) = notebook.measurement(id) else { return };
    let like = notebook.measurements.iter().filter(|o| o.animal == m.animal && o.full_name() == m.full_name());
    let n = like.count();
    if n > 1 {
        let name = m.full_name();
        messages.done(format!("reading {n} of {name} is kept; Repeats in Notebook tells how far they differ"));
    }
}

/// What the place works on in a frame.
#[derive(Debug)]
pub(crate) struct Run<'a> {
    pub(crate) picture: Option<&'a Arc<OpenPicture>>,
    pub(crate) setups: &'a Setups,
    pub(crate) document: &'a mut Document,
    pub(crate) work: &'a mut Work,
    pub(crate) messages: &'a mut Messages,
    pub(crate) ctx: &'a egui::Context,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notebook::testing::{NOW, kept, measurement, picture};
    use crate::notebook::{Action, Animal, AnimalId, NotebookId};

    #[test]
    fn shapes_of_one_go_never_get_one_name() {
        let mut n = Notebook::new(NotebookId::of_seed(b"r"), "", "", NOW);
        n.apply(Action::AddSetup { setup: Box::new(kept(1)), at: None }).unwrap();
        n.apply(Action::AddPicture { picture: picture(2), at: None }).unwrap();
        n.apply(Action::AddAnimal { animal: Box::new(Animal::named(AnimalId::new(3), "thrips")), at: None }).unwrap();
        for (id, name) in [(4, "antenna 1"), (5, "antenna 2"), (6, "axis 1")] {
            let mut m = measurement(id, 3, 2, 1);
            m.quantity = name.to_owned();
            n.apply(Action::AddMeasurement { measurement: Box::new(m), at: None }).unwrap();
        }
        let place = AnimalPlace { animal: "thrips".to_owned(), ..AnimalPlace::default() };
        let at = [Point::new(1.0, 1.0), Point::new(9.0, 9.0)];
        let shape = |name: &str, kind: Kind| Shape::by_hand(name.to_owned(), kind, &at, MarkKind::Feature);
        let shapes = [
            shape("axis 1", Kind::Axis),
            shape("antenna 1", Kind::Appendage),
            shape("antenna 2", Kind::Appendage),
            shape("breadth 1", Kind::Breadth),
        ];
        assert_eq!(place.free_names(&shapes, &n), ["axis 2", "appendage 1", "appendage 2", "breadth 1"]);
        assert_eq!(place.free_name(Kind::Appendage, &n), "appendage 1");
    }
}
