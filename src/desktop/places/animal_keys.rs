//! What keys and the hand do with marks.

use eframe::egui;

use super::super::keys::Command;
use super::super::work::Work;
use super::animal::{AnimalPlace, Edit, Run, Tool};
use crate::animal::{Kind, Mark};
use crate::notebook::{Measurement, MeasurementId, Notebook};
use crate::units::{Image, Point};

/// Seconds after the last nudge until the measurement is kept.
const NUDGE_REST_S: f64 = 0.8;

/// Marks with which a shape is finished by itself.
const fn finished_at(kind: Kind) -> Option<usize> {
    match kind {
        Kind::Span | Kind::Breadth => Some(2),
        Kind::Angle => Some(3),
        _ => None,
    }
}

impl AnimalPlace {
    /// Keeps what was nudged once the hand rests.
    pub(crate) fn rest(&mut self, run: &mut Run<'_>) {
        let Some(at) = self.edit.as_ref().and_then(|e| e.nudged) else { return };
        let left = at + NUDGE_REST_S - run.ctx.input(|i| i.time);
        if left > 0.0 {
            run.ctx.request_repaint_after(std::time::Duration::from_secs_f64(left));
        } else {
            self.keep_edit(run);
        }
    }

    /// Keeps the shape whose marks were moved.
    pub(super) fn keep_edit(&mut self, run: &mut Run<'_>) {
        let (Some(edit), Some(picture)) = (&mut self.edit, run.picture) else { return };
        edit.nudged = None;
        let (shape, id) = (edit.shape.clone(), edit.id);
        let about = self.situation(picture, run.setups);
        let notebook = run.document.notebook();
        if let Err(words) = self.evaluate(&about, vec![shape], (Some(id), false), notebook, (run.work, run.ctx)) {
            run.messages.problem(words);
            self.edit = None;
        }
    }

    /// Lets go of what was not kept: the notebook has changed under it.
    pub(crate) fn forget(&mut self) {
        (self.edit, self.grab, self.live) = (None, None, None);
    }

    /// True while figures are worked out, or marks are nudged, that belong to the notebook at work.
    pub(crate) fn is_at_it(&self, work: &Work) -> bool {
        self.pending.iter().any(|(t, _)| work.is_running(Some(*t)))
            || self.edit.as_ref().is_some_and(|e| e.nudged.is_some())
    }

    /// Another notebook is at work now: nothing of the one before is chosen any more.
    pub(crate) fn forget_chosen(&mut self) {
        self.forget();
        (self.chosen, self.mark, self.renamed) = (None, None, None);
    }

    /// Moves the chosen mark, or the last one set, on the screen's directions; false where there is none.
    pub(crate) fn nudge(&mut self, right_px: f64, down_px: f64, notebook: &Notebook, ctx: &egui::Context) -> bool {
        let step = self.canvas.step(right_px, down_px);
        if let Some(last) = self.drawing.last_mut() {
            *last = *last + step;
            return true;
        }
        let (Some(id), Some(mark)) = (self.chosen, self.mark) else { return false };
        self.take_up(id, mark, notebook);
        let time = ctx.input(|i| i.time);
        let Some(edit) = &mut self.edit else { return false };
        let Some(m) = edit.shape.marks.get_mut(edit.mark) else { return false };
        *m = Mark::by_hand(m.at + step, m.kind);
        edit.nudged = Some(time);
        true
    }

    /// Takes a kept shape up for moving one of its marks.
    pub(super) fn take_up(&mut self, id: MeasurementId, mark: usize, notebook: &Notebook) {
        (self.chosen, self.mark) = (Some(id), Some(mark));
        match &mut self.edit {
            Some(edit) if edit.id == id => edit.mark = mark,
            _ => {
                let shape = notebook.measurement(id).and_then(Measurement::shape);
                self.edit = shape.map(|shape| Edit { id, shape, mark, nudged: None });
            }
        }
    }

    /// What a key does here.
    pub(crate) fn command(&mut self, command: Command, run: &mut Run<'_>) {
        match command {
            Command::Look => self.choose_tool(Tool::Look),
            Command::Axis => self.choose_tool(Tool::Axis),
            Command::Span => self.choose_tool(Tool::Other(Kind::Span)),
            Command::Breadth => self.choose_tool(Tool::Other(Kind::Breadth)),
            Command::Appendage => self.choose_tool(Tool::Other(Kind::Appendage)),
            Command::Outline => self.choose_tool(Tool::Other(Kind::Outline)),
            Command::Angle => self.choose_tool(Tool::Other(Kind::Angle)),
            Command::Snap => {
                self.snap = !self.snap;
                let words =
                    if self.snap { "marks snap when a shape is finished" } else { "marks stay where they are set" };
                run.messages.done(words);
            }
            Command::Propose => self.ask_for_proposal(run),
            Command::Accept => self.accept_proposal(run),
            Command::Again => self.measure_again(run),
            Command::CopyFigure => self.copy_figure(run),
            Command::Hide => self.hidden = !self.hidden,
            Command::Drop => {
                self.drawing.clear();
                (self.edit, self.grab, self.live, self.mark) = (None, None, None, None);
                self.proposed = None;
            }
            Command::LastMark => {
                self.drawing.pop();
            }
            Command::Remove => self.remove_chosen(run),
            Command::NextMark => self.step_mark(1, run),
            Command::MarkBefore => self.step_mark(-1, run),
            Command::SetMark => {
                if let (Some(at), true) = (self.pointer.or_else(|| self.canvas.middle()), self.tool != Tool::Look) {
                    self.set_mark(at, run);
                }
            }
            Command::Finish if self.edit.is_some() => {
                self.keep_edit(run);
            }
            Command::Finish => self.finish_now(run),
            _ => {}
        }
    }

    /// Chooses a measurement that was asked for elsewhere.
    pub(crate) fn choose(&mut self, id: MeasurementId, notebook: &Notebook) {
        self.choose_tool(Tool::Look);
        (self.chosen, self.mark, self.hidden) = (Some(id), None, false);
        if let Some(animal) = notebook.measurement(id).and_then(|m| notebook.animal(m.animal)) {
            self.animal.clone_from(&animal.name);
        }
    }

    pub(super) fn choose_tool(&mut self, tool: Tool) {
        if self.tool != tool {
            self.tool = tool;
            self.drawing.clear();
            self.live = None;
        }
    }

    pub(super) fn finish_now(&mut self, run: &mut Run<'_>) {
        let Some(picture) = run.picture else { return };
        let about = self.situation(picture, run.setups);
        if let Err(words) = self.finish(&about, run.document.notebook(), run.work, run.ctx) {
            run.messages.problem(words);
        }
    }

    /// Sets a mark of what is being drawn.
    pub(super) fn set_mark(&mut self, at: Point<Image>, run: &mut Run<'_>) {
        let Some(kind) = self.tool.kind() else { return };
        self.drawing.push(at);
        (self.chosen, self.mark) = (None, None);
        if finished_at(kind) == Some(self.drawing.len()) {
            self.finish_now(run);
        }
    }

    /// Hides what is there and takes up the tool and the names of the chosen measurement, so that it is measured once more
    /// without being led by its marks.
    pub(super) fn measure_again(&mut self, run: &mut Run<'_>) {
        let notebook = run.document.notebook();
        let Some(m) = self.chosen.and_then(|id| notebook.measurement(id)) else {
            run.messages.done("choose a measurement first; it is then measured again without its marks in sight");
            return;
        };
        let Some(animal) = notebook.animal(m.animal) else { return };
        self.animal.clone_from(&animal.name);
        self.choose_tool(Tool::of(m.kind));
        self.quantity.clone_from(&m.quantity);
        self.take_lying(m.lying);
        self.hidden = true;
        (self.chosen, self.mark, self.edit) = (None, None, None);
    }

    /// Puts the figure of the chosen measurement on the clipboard.
    pub(super) fn copy_figure(&mut self, run: &mut Run<'_>) {
        let notebook = run.document.notebook();
        let Some(m) = self.chosen.and_then(|id| notebook.measurement(id)) else {
            run.messages.done("choose a measurement first; its figure is then copied");
            return;
        };
        if let Some(r) = &m.reported {
            let text = format!("{}\t{}", m.full_name(), super::figures::of_note(&r.figure));
            run.ctx.copy_text(text.clone());
            run.messages.done(format!("on the clipboard: {}", text.replace('\t', " ")));
        }
    }

    fn step_mark(&mut self, by: isize, run: &mut Run<'_>) {
        let Some(shape) =
            self.chosen.and_then(|id| run.document.notebook().measurement(id)).and_then(Measurement::shape)
        else {
            return;
        };
        let n = shape.marks.len() as isize;
        let to = self.mark.map_or(0, |m| (m as isize + by).rem_euclid(n.max(1)));
        self.mark = Some(to as usize);
        if self.edit.as_ref().is_some_and(|e| e.nudged.is_some()) {
            self.keep_edit(run);
        }
    }

    pub(super) fn remove_chosen(&mut self, run: &mut Run<'_>) {
        let Some(id) = self.chosen.take() else { return };
        let action = run.document.notebook().removal_of_measurement(id);
        let name = action.name();
        match run.document.apply(action) {
            Ok(()) => run.messages.done(format!("{name}; undo brings it back")),
            Err(e) => run.messages.problem(e),
        }
        (self.mark, self.edit) = (None, None);
    }
}
