//! Moving marks to edges and joints, and finding breadths across an axis.

use super::Failure;
use super::measure_shapes::Asked;
use crate::animal::snap::{Expected, SnappedShape, breadth_across, snap_shapes};
use crate::animal::{AnimalError, PictureBlur, Shape};
use crate::notebook::EvaluateError;
use crate::photo::Light;
use crate::setup::{PictureFacts, Setup};
use crate::units::{Px, Um};

/// Shapes as they are measured.
pub(super) struct Placed {
    pub(super) shapes: Vec<Shape>,
    /// Blur spot at the animal's edges in this picture, with its standard uncertainty.
    pub(super) blur: Option<(Um, Um)>,
    /// For each shape what a person should know of its marks.
    pub(super) notes: Vec<Vec<String>>,
}

/// Snaps the marks where that is wanted, finds the breadths across axes, and measures the picture's blur spot: the edges near the
/// marks show it whether or not the marks move there.
pub(super) fn placed(
    (asked, snap): (&Asked, bool),
    shapes: Vec<Shape>,
    light: &Light,
    setup: &Setup,
    facts: &PictureFacts,
) -> Result<Placed, Failure> {
    let map = setup.map_for(facts).ok_or_else(|| {
        let setup = setup.name.clone();
        Failure::usage(EvaluateError::NoReading { setup })
    })?;
    let optics = |e| Failure::usage(EvaluateError::Optics(e));
    let predicted = setup.predicted_blur().map_err(optics)?;
    let expected = PictureBlur::choose(predicted.as_ref(), None, setup.blur_on_slide())
        .ok_or_else(|| Failure::usage(AnimalError::BlurUnknown))?;
    let middle = shapes.first().map_or(map.centre(), Shape::middle);
    let scale = map.scale_at(middle, map.direction());
    let snapped = snap_shapes(light, &shapes, Expected { w: expected.w_um * scale, coherence: setup.coherence });
    let blur = snapped.blur.map(|(w, u)| (w / scale, u / scale));
    let (mut shapes, mut notes) = if snap {
        // What was found by its edges stays as it was found.
        let keep = |(s, drawn): (SnappedShape, Shape)| {
            if drawn.placement() == "snapped" { (drawn, Vec::new()) } else { (s.shape, s.notes) }
        };
        snapped.shapes.into_iter().zip(shapes).map(keep).unzip()
    } else {
        let notes = vec![Vec::new(); shapes.len()];
        (shapes, notes)
    };
    let w = blur.map_or(expected.w_um, |(w, _)| if w > expected.w_um { w } else { expected.w_um });
    for (name, axis, at) in asked.across() {
        let found = across(light, &shapes, axis, at, name, w * scale)?;
        shapes.push(found.shape);
        notes.push(found.notes);
    }
    Ok(Placed { shapes, blur, notes })
}

fn across(
    light: &Light,
    shapes: &[Shape],
    axis: &str,
    at: Option<f64>,
    name: String,
    w: Px,
) -> Result<SnappedShape, Failure> {
    let found = shapes.iter().find(|s| s.name.eq_ignore_ascii_case(axis)).ok_or_else(|| {
        let known = shapes.iter().map(|s| s.name.as_str()).collect::<Vec<_>>().join(", ");
        Failure::Usage(format!("--breadth: there is no axis \"{axis}\"; there are: {known}"))
    })?;
    breadth_across(light, found, at, name, w)
        .map_err(|e| Failure::Refused { reason: "no breadth across the axis".to_owned(), detail: e.to_string() })
}
