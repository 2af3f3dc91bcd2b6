//! `measure --overlay`: what was measured, drawn over the picture to look at.

use std::path::Path;

use super::Failure;
use super::opened::Opened;
use crate::animal::{Curve, Kind, Placement, Shape};
use crate::exchange::draw::{MarkShape, Overlay, OverlayItem, Tone};
use crate::units::{Image, Point};

/// Pieces of a curve between two marks.
const FINE: usize = 12;

/// Draws shapes over the picture: lines as they are measured, marks that were moved to what the picture shows as rings, marks by hand as crosses.
pub(super) fn draw(drawn: &Overlay, shapes: &[Shape], opened: &Opened, file: &Path) -> Result<(), Failure> {
    let items = drawn.items.iter().cloned().chain(shapes.iter().flat_map(items_of)).collect();
    let drawn = Overlay { items, scale_bar: None }.draw_on(&opened.photo).map_err(Failure::usage)?;
    std::fs::write(file, drawn.png).map_err(|e| Failure::Usage(format!("cannot write {}: {e}", file.display())))
}

fn items_of(shape: &Shape) -> Vec<OverlayItem> {
    let places: Vec<Point<Image>> = shape.marks.iter().map(|m| m.at).collect();
    let tone = match shape.kind {
        Kind::Axis => Tone::Sky,
        Kind::Breadth | Kind::Span => Tone::Green,
        Kind::Appendage => Tone::Purple,
        _ => Tone::Orange,
    };
    let curve = if shape.kind == Kind::Axis { Curve::through(&places).ok() } else { None };
    let points = curve.map_or(places, |c| c.polyline(FINE));
    let mut items = vec![OverlayItem::Line { points, closed: shape.kind == Kind::Outline, dashed: false, tone }];
    items.extend(shape.marks.iter().map(|m| {
        let shape = if m.placement == Placement::Hand { MarkShape::Cross } else { MarkShape::Ring };
        OverlayItem::Mark { at: m.at, shape, tone }
    }));
    items
}
