//! What is drawn over a notebook's picture: the marks, the lines that are measured, and the figures beside them.

use super::draw::{Corner, MarkShape, Overlay, OverlayItem, ScaleBar, Tone};
use crate::animal::{Curve, Kind, Shape, Unit};
use crate::notebook::{FigureNote, Measurement, Notebook, PictureId};
use crate::uncertainty::{Rounded, significant};
use crate::units::{Image, Point, PxPerUm};

/// What is drawn beside the scale bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Drawn {
    /// Marks, lines and figures.
    All,
    /// The scale bar alone.
    BarOnly,
}

/// The drawing over a picture; empty of a bar where nothing on it has a scale.
#[must_use]
pub fn overlay(notebook: &Notebook, picture: PictureId, drawn: Drawn) -> Overlay {
    let scale = scale_of(notebook, picture);
    let mut overlay =
        Overlay { items: Vec::new(), scale_bar: scale.map(|scale| ScaleBar { scale, corner: Corner::Quietest }) };
    if drawn == Drawn::All {
        for m in notebook.measurements_on(picture) {
            add(m, &mut overlay.items);
        }
    }
    overlay
}

/// The scale at the picture's centre by which it was last measured.
#[must_use]
pub fn scale_of(notebook: &Notebook, picture: PictureId) -> Option<PxPerUm> {
    let scales = notebook.measurements_on(picture).filter_map(|m| m.reported.as_ref());
    scales.last().map(|r| PxPerUm::new(r.scale_px_per_um))
}

fn add(m: &Measurement, items: &mut Vec<OverlayItem>) {
    let Some(shape) = m.shape() else { return };
    items.extend(shape_items(&shape));
    if let (Some(reported), Some(first)) = (&m.reported, shape.marks.first()) {
        // A name may end in a number, which must not be read as part of the figure.
        let text = format!("{}: {}", m.full_name(), figure_text(&reported.figure));
        items.push(OverlayItem::Label { at: first.at, text, tone: look(shape.kind).0 });
    }
}

/// Colour and marks of a kind of shape.
const fn look(kind: Kind) -> (Tone, MarkShape) {
    match kind {
        Kind::Axis => (Tone::Vermilion, MarkShape::Ring),
        Kind::Span => (Tone::Blue, MarkShape::Cross),
        Kind::Breadth => (Tone::Sky, MarkShape::Plus),
        Kind::Appendage => (Tone::Green, MarkShape::Diamond),
        Kind::Outline => (Tone::Orange, MarkShape::Square),
        _ => (Tone::Purple, MarkShape::Triangle),
    }
}

/// A shape's line and its marks.
#[must_use]
pub fn shape_items(shape: &Shape) -> Vec<OverlayItem> {
    let (tone, mark) = look(shape.kind);
    let closed = shape.kind == Kind::Outline;
    let mut items = vec![OverlayItem::Line { points: line(shape), closed, dashed: false, tone }];
    // The marks of a long outline would hide what they stand on.
    if !(closed && shape.marks.len() > 40) {
        items.extend(shape.marks.iter().map(|k| OverlayItem::Mark { at: k.at, shape: mark, tone }));
    }
    items
}

/// The line that is measured: smooth along an axis, straight from mark to mark elsewhere.
fn line(shape: &Shape) -> Vec<Point<Image>> {
    /// Pieces of a smooth line between two marks.
    const PIECES: usize = 24;
    let marks: Vec<Point<Image>> = shape.marks.iter().map(|m| m.at).collect();
    let smooth = || Curve::through(&marks).ok().map(|c| c.polyline(PIECES));
    if shape.kind == Kind::Axis { smooth().unwrap_or(marks) } else { marks }
}

/// `203.4 ± 5.7 µm`, or `at most 12 µm` of what is not resolved.
#[must_use]
pub fn figure_text(figure: &FigureNote) -> String {
    let unit = behind(figure.unit);
    match (figure.value, figure.low, figure.high) {
        (Some(value), Some(low), Some(high)) => {
            let rounded = Rounded::new(value, 0.5 * (high - low), 2);
            if unit.is_empty() { rounded.to_string() } else { format!("{rounded}{unit}") }
        }
        (None, _, Some(high)) => format!("at most {}{unit}", significant(high, 3)),
        _ => "not resolved".to_owned(),
    }
}

/// The unit behind a number, with its space.
#[must_use]
pub(super) fn behind(unit: Unit) -> String {
    match unit {
        Unit::One | Unit::Deg => unit.symbol().to_owned(),
        Unit::Um | Unit::Um2 => format!(" {}", unit.symbol()),
    }
}
