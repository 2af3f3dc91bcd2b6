//! What the program proposes: found in the background, drawn dashed, corrected by hand, accepted whole or in part.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use eframe::egui;
use egui::{Pos2, RichText, Stroke, Ui};

use super::super::canvas::Frame;
use super::super::keys::Command;
use super::super::message::first_large;
use super::super::pictures::OpenPicture;
use super::super::theme;
use super::super::work::Done;
use super::animal::{AnimalPlace, Grab, Run};
use super::animal_basis::{Basis, Situation};
use super::animal_draw::{REACH, outline};
use super::animal_figured::in_window_words;
use super::figures;
use crate::animal::find::{Confidence, Proposal, find};
use crate::animal::{AnimalError, Kind, Mark, Measured, Shape};
use crate::notebook::{EvaluateError, Notebook};
use crate::photo::Channel;
use crate::units::{Image, Point, Px};

/// What was found, with first figures, as the background sends it.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) picture: Arc<OpenPicture>,
    basis: Basis,
    proposal: Proposal,
    figures: Vec<Result<Measured, String>>,
}

/// One shape that is offered.
#[derive(Debug)]
struct Offered {
    shape: Shape,
    /// True where it will be measured when the proposal is accepted.
    ticked: bool,
    /// True once a hand has moved a mark of it.
    moved: bool,
    doubts: Vec<String>,
    /// The figure, and what it was worked out for.
    figure: Result<Measured, String>,
    worked_out_for: (Basis, Shape),
}

/// A proposal on its picture.
#[derive(Debug)]
pub(super) struct Proposed {
    picture: u64,
    offered: Vec<Offered>,
    contour: Vec<Point<Image>>,
    confidence: Confidence,
    /// True while what was accepted is worked out.
    asked: bool,
}

fn shapes_of(proposal: &Proposal) -> Vec<(Shape, bool, Vec<String>)> {
    let body = [&proposal.axis, &proposal.breadth, &proposal.outline];
    let antennae = proposal.antennae.iter().map(|a| (a.shape.clone(), false, a.doubts.clone()));
    body.into_iter().map(|s| (s.clone(), true, Vec::new())).chain(antennae).collect()
}

impl Proposed {
    fn of(found: Found) -> Self {
        let Found { picture, basis, proposal, figures } = found;
        let shapes = shapes_of(&proposal).into_iter().zip(figures);
        let offered = shapes.map(|((shape, ticked, doubts), figure)| Offered {
            worked_out_for: (basis.clone(), shape.clone()),
            shape,
            ticked,
            moved: false,
            doubts,
            figure,
        });
        let offered = offered.collect();
        Self { picture: picture.id, offered, contour: proposal.contour, confidence: proposal.confidence, asked: false }
    }

    /// Offers again what could not be worked out; true where this picture's proposal was accepted.
    pub(super) fn offer_again(&mut self, picture: u64) -> bool {
        self.picture == picture && std::mem::take(&mut self.asked)
    }

    /// True where it was this that is kept now.
    pub(super) fn was_kept(&self, picture: u64, shapes: &[Shape]) -> bool {
        let same = |s: &Shape| self.offered.iter().any(|o| o.shape.marks == s.marks);
        self.asked && self.picture == picture && shapes.iter().all(same)
    }

    /// The mark at a place on the screen. An outline's many marks give way to all others.
    fn mark_at(&self, frame: &Frame, at: Pos2) -> Option<(usize, usize)> {
        let near = |outlines: bool| {
            let of = self.offered.iter().enumerate().filter(|(_, o)| o.ticked);
            let of = of.filter(|(_, o)| (o.shape.kind == Kind::Outline) == outlines);
            let marks = of.flat_map(|(i, o)| o.shape.marks.iter().enumerate().map(move |(k, m)| (i, k, m.at)));
            let off = marks.map(|(i, k, p)| (i, k, frame.screen(p).distance(at))).filter(|n| n.2 <= REACH);
            off.min_by(|a, b| a.2.total_cmp(&b.2)).map(|(i, k, _)| (i, k))
        };
        near(false).or_else(|| near(true))
    }

    fn draw(&self, frame: &Frame) {
        for o in self.offered.iter().filter(|o| o.ticked) {
            let closed_finely = o.shape.kind == Kind::Outline && !o.moved;
            let mut line: Vec<Pos2> = if closed_finely {
                self.contour.iter().map(|p| frame.screen(*p)).collect()
            } else {
                outline(&o.shape).iter().map(|p| frame.screen(*p)).collect()
            };
            if closed_finely && let Some(first) = line.first().copied() {
                line.push(first);
            }
            for (width, color) in [(4.0, theme::HALO), (1.5, theme::PROPOSED)] {
                let dashes = egui::Shape::dashed_line(&line, Stroke::new(width, color), 7.0, 5.0);
                frame.painter.extend(dashes);
            }
            // So many marks would hide the line; they show where they are far enough apart to be taken.
            let apart = line.windows(2).map(|w| w[0].distance(w[1])).sum::<f32>() / o.shape.marks.len().max(1) as f32;
            if o.shape.kind == Kind::Outline && apart < 2.0 * REACH {
                continue;
            }
            for m in &o.shape.marks {
                frame.painter.circle_stroke(frame.screen(m.at), 4.0, Stroke::new(3.0, theme::HALO));
                frame.painter.circle_stroke(frame.screen(m.at), 4.0, Stroke::new(1.5, theme::PROPOSED));
            }
        }
    }
}

impl AnimalPlace {
    /// Looks for the animal in the background; words where nothing can be looked for.
    pub(super) fn propose(
        &mut self,
        about: &Situation<'_>,
        notebook: &Notebook,
        (work, ctx): (&mut super::super::work::Work, &egui::Context),
    ) -> Result<(), String> {
        if work.is_running(self.finding) {
            return Ok(());
        }
        let basis = self.basis(about, notebook, None)?;
        let blur = about.blur_px.ok_or_else(|| in_window_words(&EvaluateError::Animal(AnimalError::BlurUnknown)))?;
        let picture = Arc::clone(about.picture);
        self.proposed = None;
        self.finding = work.start(ctx, "looking for the animal", move |cancelled| {
            let light = picture.opened.photo.light(Channel::Luminance);
            if cancelled.load(Ordering::Relaxed) {
                return None;
            }
            let found = find(&light, Px::new(blur)).map_err(|e| e.to_string());
            let found = found.map(|proposal| {
                let figure = |(s, _, _): &(Shape, bool, Vec<String>)| basis.at_once(&picture, s);
                let figures = shapes_of(&proposal).iter().map(figure).collect();
                Box::new(Found { picture: Arc::clone(&picture), basis, proposal, figures })
            });
            Some(Done::Found(found))
        });
        Ok(())
    }

    /// Takes what was found, where its picture is still shown.
    pub(crate) fn found(&mut self, found: Found) {
        self.finding = None;
        if self.picture.as_deref() == Some(found.picture.path.as_path()) {
            self.proposed = Some(Proposed::of(found));
        }
    }

    /// The proposal on this picture, while it is open to changes.
    fn open_proposal(&mut self, picture: &OpenPicture) -> Option<&mut Proposed> {
        self.proposed.as_mut().filter(|p| p.picture == picture.id && !p.asked)
    }

    /// True while something is proposed on this picture and waits for a decision.
    pub(super) fn has_proposal(&self, picture: &OpenPicture) -> bool {
        self.proposed.as_ref().is_some_and(|p| p.picture == picture.id && !p.asked)
    }

    /// Works the figures out anew where a mark was moved, or setup or lying changed.
    pub(super) fn refresh_proposal(&mut self, about: &Situation<'_>, notebook: &Notebook) {
        let held = match self.grab {
            Some(Grab::Proposed(i, _, _)) => Some(i),
            _ => None,
        };
        if self.proposed.is_none() {
            return;
        }
        let Ok(basis) = self.basis(about, notebook, None) else { return };
        let Some(proposed) = self.open_proposal(about.picture) else { return };
        for (i, o) in proposed.offered.iter_mut().enumerate() {
            let known = o.worked_out_for.0 == basis && o.worked_out_for.1 == o.shape;
            // While the hand holds a mark, its figure stands beside the pointer.
            if known || held == Some(i) {
                continue;
            }
            o.figure = basis.at_once(about.picture, &o.shape);
            o.worked_out_for = (basis.clone(), o.shape.clone());
        }
    }

    pub(super) fn draw_proposal(&mut self, frame: &Frame, picture: &OpenPicture) {
        if let Some(p) = self.open_proposal(picture) {
            p.draw(frame);
        }
    }

    /// The proposed mark under the hand.
    pub(super) fn proposed_at(&mut self, frame: &Frame, at: Pos2, picture: &OpenPicture) -> Option<Grab> {
        let p = self.open_proposal(picture)?;
        let (i, k) = p.mark_at(frame, at)?;
        Some(Grab::Proposed(i, k, p.offered[i].shape.marks[k].at - frame.image(at)))
    }

    /// Moves a proposed mark, which is then one set by hand.
    pub(super) fn move_proposed(&mut self, shape: usize, mark: usize, to: Point<Image>) {
        let Some(o) = self.proposed.as_mut().and_then(|p| p.offered.get_mut(shape)) else { return };
        if let Some(m) = o.shape.marks.get_mut(mark) {
            *m = Mark::by_hand(to, m.kind);
            o.moved = true;
        }
    }

    /// The proposed shape under the hand, and its mark.
    pub(super) fn proposed_in_hand(&self) -> Option<(&Shape, Point<Image>)> {
        let Some(Grab::Proposed(i, k, _)) = self.grab else { return None };
        let shape = &self.proposed.as_ref()?.offered.get(i)?.shape;
        Some((shape, shape.marks.get(k)?.at))
    }

    /// Measures what is ticked as one step.
    pub(super) fn accept_proposal(&mut self, run: &mut Run<'_>) {
        let Some(picture) = run.picture else { return };
        let Some(p) = self.open_proposal(picture) else {
            run.messages
                .done(format!("nothing is proposed on this picture; {} asks for it", Command::Propose.keys_text()));
            return;
        };
        let mut shapes: Vec<Shape> = p.offered.iter().filter(|o| o.ticked).map(|o| o.shape.clone()).collect();
        if shapes.is_empty() {
            run.messages.problem("nothing of the proposal is ticked; tick what is right, or drop it");
            return;
        }
        let about = self.situation(picture, run.setups);
        let notebook = run.document.notebook();
        // Two antennae must not become two readings of one quantity.
        let names = self.free_names(&shapes, notebook);
        for (shape, name) in shapes.iter_mut().zip(names) {
            shape.name = name;
        }
        match self.evaluate(&about, shapes, (None, false), notebook, (run.work, run.ctx)) {
            Ok(()) => {
                if let Some(p) = &mut self.proposed {
                    p.asked = true;
                }
            }
            Err(words) => run.messages.problem(words),
        }
    }

    /// The button that asks for a proposal.
    pub(super) fn propose_button(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        let (running, waiting) = (run.work.is_running(self.finding), self.proposed.is_some());
        let words = if running { "Looking for the animal…" } else { "Propose" };
        let free = !running && !waiting && self.drawing.is_empty() && self.edit.is_none();
        let button = ui.add_enabled(free, egui::Button::new(words));
        if button.on_hover_text(Command::Propose.hint()).clicked() {
            self.ask_for_proposal(run);
        }
    }

    /// What the shapes of the proposal will be called.
    fn names_when_accepted(&self, notebook: &Notebook) -> Vec<String> {
        let Some(p) = &self.proposed else { return Vec::new() };
        let ticked = p.offered.iter().filter(|o| o.ticked).map(|o| &o.shape);
        let mut names = self.free_names(ticked, notebook).into_iter();
        let mut of = |o: &Offered| if o.ticked { names.next() } else { None }.unwrap_or_else(|| o.shape.name.clone());
        p.offered.iter().map(&mut of).collect()
    }

    /// What is proposed, at the side.
    pub(super) fn proposal(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        let Some(picture) = run.picture else { return };
        let mut moved = false;
        let names = self.names_when_accepted(run.document.notebook());
        if let Some(p) = self.open_proposal(picture) {
            ui.label(RichText::new(format!("Proposed, sureness {}", p.confidence.sureness.name())).strong());
            for reason in &p.confidence.reasons {
                ui.add(egui::Label::new(first_large(reason)).wrap());
            }
            for (o, name) in p.offered.iter_mut().zip(names) {
                let figure = match &o.figure {
                    Ok(m) => format!("{}, {}", figures::of_measured(m), figures::verdict(m.verdict)),
                    Err(words) => words.clone(),
                };
                ui.checkbox(&mut o.ticked, format!("{name}   {figure}")).on_hover_text(o.doubts.join("; "));
                moved |= o.moved;
            }
        }
        let hint = if moved { "Moved marks count as set by hand." } else { "Drag its marks where it is wrong." };
        ui.label(RichText::new(hint).weak());
        ui.horizontal(|ui| {
            if ui
                .button(RichText::new("Accept what is ticked").strong())
                .on_hover_text(Command::Accept.hint())
                .clicked()
            {
                self.accept_proposal(run);
            }
            if ui.button("Drop the proposal").on_hover_text(Command::Drop.hint()).clicked() {
                self.proposed = None;
            }
        });
    }

    pub(super) fn ask_for_proposal(&mut self, run: &mut Run<'_>) {
        let Some(picture) = run.picture else { return };
        let about = self.situation(picture, run.setups);
        if let Err(words) = self.propose(&about, run.document.notebook(), (run.work, run.ctx)) {
            run.messages.problem(words);
        }
    }
}
