//! The animal's canvas: shapes, marks, and what the pointer does.

use eframe::egui;
use egui::{Align2, Color32, FontId, PointerButton, Pos2, Rect, Stroke, Ui, vec2};

use super::super::canvas::{About, Frame};
use super::super::theme;
use super::animal::{AnimalPlace, Grab, Run, Tool};
use super::figures;
use crate::animal::{Curve, Kind, MarkKind, Shape};
use crate::notebook::MeasurementId;
use crate::units::{Image, Point};

/// Distance within which the hand takes a mark, points.
pub(super) const REACH: f32 = 9.0;

impl AnimalPlace {
    /// Draws the canvas and does what the pointer asks.
    pub(crate) fn canvas(&mut self, ui: &mut Ui, run: &mut Run<'_>) {
        let Some(picture) = run.picture else { return };
        let about = self.situation(picture, run.setups);
        let canvas_about = About {
            id: picture.id,
            pyramid: &picture.pyramid,
            map: about.map.as_ref().map(|m| (m, about.pooling)),
            blur_px: about.blur_px,
        };
        let mut frame = self.canvas.begin(ui, &canvas_about);
        let shapes = if self.hidden { Vec::new() } else { self.shapes_here(run.document.notebook(), picture) };
        self.hand(ui, &frame, &shapes, run);
        self.canvas.navigate(ui, &mut frame, self.grab.is_none());
        self.pointer = frame.pointer();
        self.canvas.paint(ui, &frame, &canvas_about);
        for (id, shape) in &shapes {
            let chosen = self.chosen == Some(*id);
            draw_shape(&frame, shape, chosen, self.mark.filter(|_| chosen), !chosen);
        }
        for (_, shape) in &self.pending {
            draw_shape(&frame, shape, true, None, false);
        }
        let placing = self.tool != Tool::Look;
        self.refresh_proposal(&about, run.document.notebook());
        self.draw_proposal(&frame, picture);
        let work = self.at_work(self.pointer.filter(|_| placing));
        if let Some(shape) = &work {
            if self.edit.is_none() {
                draw_shape(&frame, shape, true, None, false);
            }
            self.evaluate_live(&about, shape, run.document.notebook());
            self.beside_pointer(&frame, shape);
        }
        let watched = match (&self.grab, &self.edit) {
            (Some(Grab::Drawn(i, _)), _) => self.drawing.get(*i).copied(),
            (_, Some(edit)) => edit.shape.marks.get(edit.mark).map(|m| m.at),
            _ => self.proposed_in_hand().map(|(_, at)| at),
        };
        self.next_step(&frame);
        self.canvas.finish(ui, &frame, &canvas_about, placing && self.grab.is_none(), watched);
    }

    /// Clicks and drags with the first button.
    fn hand(&mut self, ui: &Ui, frame: &Frame, shapes: &[(MeasurementId, Shape)], run: &mut Run<'_>) {
        let r = &frame.response;
        if r.drag_started_by(PointerButton::Primary)
            && let Some(origin) = ui.input(|i| i.pointer.press_origin())
        {
            self.grab = self.taken(frame, shapes, origin, run);
        }
        if r.dragged_by(PointerButton::Primary)
            && let (Some(grab), Some(at)) = (self.grab.clone(), r.interact_pointer_pos())
        {
            let p = frame.image(at);
            match grab {
                Grab::Drawn(i, off) => {
                    if let Some(mark) = self.drawing.get_mut(i) {
                        *mark = p + off;
                    }
                }
                Grab::Kept(off) => {
                    if let Some(edit) = &mut self.edit
                        && let Some(m) = edit.shape.marks.get_mut(edit.mark)
                    {
                        *m = crate::animal::Mark::by_hand(p + off, m.kind);
                    }
                }
                Grab::Proposed(i, k, off) => self.move_proposed(i, k, p + off),
            }
        }
        if r.drag_stopped_by(PointerButton::Primary)
            && let Some(Grab::Kept(_)) = self.grab.take()
        {
            self.keep_edit(run);
        }
        if r.clicked_by(PointerButton::Primary)
            && let Some(at) = r.interact_pointer_pos()
        {
            let p = frame.image(at);
            if self.tool == Tool::Look {
                self.choose_at(frame, shapes, at);
            } else if frame.is_inside(p) {
                self.set_mark(p, run);
            }
        }
        if r.double_clicked_by(PointerButton::Primary) && self.tool.kind().is_some() && self.drawing.len() > 2 {
            // The second click set one mark more at the same place.
            self.drawing.pop();
            self.finish_now(run);
        }
    }

    /// The mark at a place, taken into the hand.
    fn taken(
        &mut self,
        frame: &Frame,
        shapes: &[(MeasurementId, Shape)],
        origin: Pos2,
        run: &mut Run<'_>,
    ) -> Option<Grab> {
        let from = frame.image(origin);
        if let Some(i) = self.drawing.iter().position(|p| frame.screen(*p).distance(origin) <= REACH) {
            return Some(Grab::Drawn(i, self.drawing[i] - from));
        }
        if !self.drawing.is_empty() {
            return None;
        }
        if let Some(grab) = run.picture.and_then(|p| self.proposed_at(frame, origin, p)) {
            return Some(grab);
        }
        let (id, mark, at) = mark_at(frame, shapes, origin)?;
        self.take_up(id, mark, run.document.notebook());
        Some(Grab::Kept(at - from))
    }

    fn choose_at(&mut self, frame: &Frame, shapes: &[(MeasurementId, Shape)], at: Pos2) {
        if let Some((id, mark, _)) = mark_at(frame, shapes, at) {
            (self.chosen, self.mark) = (Some(id), Some(mark));
            return;
        }
        let near = |shape: &Shape| {
            let line: Vec<Pos2> = outline(shape).iter().map(|p| frame.screen(*p)).collect();
            line.windows(2).map(|w| distance_to_segment(at, w[0], w[1])).fold(f32::MAX, f32::min)
        };
        let nearest = shapes.iter().map(|(id, s)| (*id, near(s))).min_by(|a, b| a.1.total_cmp(&b.1));
        self.chosen = nearest.filter(|n| n.1 <= REACH).map(|n| n.0);
        self.mark = None;
    }

    /// Value, U and verdict beside the pointer, or the mark that is moved.
    fn beside_pointer(&self, frame: &Frame, shape: &Shape) {
        let Some(live) = &self.live else { return };
        let (first, second) = match &live.result {
            Ok(m) => (figures::of_measured(m), figures::verdict(m.verdict).to_owned()),
            Err(words) => (super::super::message::first_large(words), String::new()),
        };
        let at = match (&self.edit, self.pointer) {
            (Some(edit), _) => edit.shape.marks.get(edit.mark).map(|m| frame.screen(m.at)),
            (None, _) if self.proposed_in_hand().is_some() => self.proposed_in_hand().map(|(_, at)| frame.screen(at)),
            (None, Some(p)) => Some(frame.screen(p)),
            (None, None) => shape.marks.last().map(|m| frame.screen(m.at)),
        };
        let Some(at) = at else { return };
        let width = 320.0_f32.min(0.6 * frame.rect.width());
        let painter = &frame.painter;
        let one = painter.layout(first, FontId::proportional(16.0), Color32::WHITE, width);
        let two = painter.layout(second, FontId::proportional(13.0), Color32::from_gray(215), width);
        let size = vec2(one.size().x.max(two.size().x), one.size().y + two.size().y);
        let mut min = at + vec2(18.0, 18.0);
        min.x = min.x.min(frame.rect.right() - size.x - 14.0);
        if min.y + size.y > frame.rect.bottom() - 50.0 {
            min.y = at.y - 18.0 - size.y;
        }
        painter.rect_filled(Rect::from_min_size(min, size).expand2(vec2(8.0, 5.0)), 4.0, theme::PLATE);
        let below = min + vec2(0.0, one.size().y);
        painter.galley(min, one, Color32::WHITE);
        painter.galley(below, two, Color32::WHITE);
    }
}

/// The mark at a place on the screen: whose, which, and where it is.
fn mark_at(frame: &Frame, shapes: &[(MeasurementId, Shape)], at: Pos2) -> Option<(MeasurementId, usize, Point<Image>)> {
    let all = shapes.iter().flat_map(|(id, s)| s.marks.iter().enumerate().map(move |(i, m)| (*id, i, m.at)));
    let near = all.map(|(id, i, p)| (id, i, p, frame.screen(p).distance(at))).filter(|n| n.3 <= REACH);
    near.min_by(|a, b| a.3.total_cmp(&b.3)).map(|(id, i, p, _)| (id, i, p))
}

fn distance_to_segment(p: Pos2, a: Pos2, b: Pos2) -> f32 {
    let d = b - a;
    let t = if d.length_sq() > 0.0 { ((p - a).dot(d) / d.length_sq()).clamp(0.0, 1.0) } else { 0.0 };
    p.distance(a + d * t)
}

/// The line that a shape is measured along.
pub(super) fn outline(shape: &Shape) -> Vec<Point<Image>> {
    let mut points: Vec<Point<Image>> = shape.marks.iter().map(|m| m.at).collect();
    match shape.kind {
        Kind::Axis if points.len() > 2 => Curve::through(&points).map_or(points, |c| c.polyline(12)),
        Kind::Outline if points.len() > 2 => {
            points.push(points[0]);
            points
        }
        _ => points,
    }
}

/// Marks nearer to the one drawn before are not drawn, points.
const LEAST_APART: f32 = 11.0;

fn draw_shape(frame: &Frame, shape: &Shape, strong: bool, mark: Option<usize>, named: bool) {
    let color = if strong { theme::AT_WORK } else { theme::SHAPE };
    let line: Vec<Pos2> = outline(shape).iter().map(|p| frame.screen(*p)).collect();
    frame.painter.line(line.clone(), Stroke::new(4.0, theme::HALO));
    frame.painter.line(line, Stroke::new(if strong { 2.0 } else { 1.5 }, color));
    let mut last: Option<Pos2> = None;
    for (i, m) in shape.marks.iter().enumerate() {
        let at = frame.screen(m.at);
        // Of a dense outline some marks stand for all until one looks nearer: a chain of rings would hide the edge.
        if mark != Some(i) && last.is_some_and(|l| l.distance(at) < LEAST_APART) {
            continue;
        }
        last = Some(at);
        let size = if mark == Some(i) { 7.0 } else { 4.5 };
        match m.kind {
            MarkKind::Silhouette => {
                frame.painter.circle_stroke(at, size, Stroke::new(3.5, theme::HALO));
                frame.painter.circle_stroke(at, size, Stroke::new(1.5, color));
            }
            MarkKind::Feature => {
                let d = size - 0.5;
                let square = vec![
                    at + vec2(0.0, -d),
                    at + vec2(d, 0.0),
                    at + vec2(0.0, d),
                    at + vec2(-d, 0.0),
                    at + vec2(0.0, -d),
                ];
                frame.painter.line(square.clone(), Stroke::new(3.5, theme::HALO));
                frame.painter.line(square, Stroke::new(1.5, color));
            }
        }
        frame.painter.circle_filled(at, 1.0, color);
    }
    if let Some(first) = shape.marks.first().filter(|_| named) {
        let at = frame.screen(first.at) + vec2(8.0, -8.0);
        let text = |offset, color| {
            frame.painter.text(at + offset, Align2::LEFT_BOTTOM, &shape.name, FontId::proportional(13.0), color);
        };
        for offset in [vec2(1.0, 1.0), vec2(-1.0, 1.0), vec2(1.0, -1.0), vec2(-1.0, -1.0)] {
            text(offset, theme::HALO);
        }
        text(vec2(0.0, 0.0), color);
    }
}
