//! Snapping all shapes of a picture, and the blur spot that their edges show.

use super::Expected;
use super::shape::{SnappedShape, snap_shape};
use super::strip::median_of;
use crate::animal::Shape;
use crate::photo::Light;
use crate::units::Px;

/// All shapes of a picture after snapping.
#[derive(Clone, Debug, PartialEq)]
pub struct SnappedPicture {
    /// The shapes in their order, each with its notes.
    pub shapes: Vec<SnappedShape>,
    /// Blur spot at the edges of the animal with its standard uncertainty; `None` with fewer than two edges or where they disagree.
    pub blur: Option<(Px, Px)>,
}

/// When the edges are wider than expected by more than this, marks are snapped anew with what was found.
const BLURRED: f64 = 1.3;

/// Snaps every mark of every shape.
///
/// Where the picture turns out less sharp, everything is snapped once more with the blur spot found, from where the hand set it.
#[must_use]
pub fn snap_shapes(light: &Light, shapes: &[Shape], expected: Expected) -> SnappedPicture {
    let once = |w: Px| {
        let expected = Expected { w, ..expected };
        let shapes: Vec<SnappedShape> = shapes.iter().map(|s| snap_shape(light, s, expected)).collect();
        let blur = blur_of(shapes.iter().flat_map(|s| s.widths.iter().copied()));
        SnappedPicture { shapes, blur }
    };
    let first = once(expected.w);
    match first.blur {
        Some((found, _)) if found / expected.w > BLURRED => once(found),
        _ => first,
    }
}

/// Median of the widths of edges, with the standard error of the median: by their scatter and by their own uncertainties.
fn blur_of(widths: impl Iterator<Item = (Px, Px)>) -> Option<(Px, Px)> {
    /// Standard error of a median over that of a mean, for normal scatter: √(π/2).
    const MEDIAN: f64 = 1.2533;
    /// Less certain than this share of itself it says nothing.
    const VAGUE: f64 = 0.25;
    let all: Vec<(f64, f64)> = widths.map(|(w, u)| (w.get(), u.get())).collect();
    if all.len() < 2 {
        return None;
    }
    let n = all.len() as f64;
    let middle = median_of(all.iter().map(|v| v.0))?;
    let scatter = 1.4826 * median_of(all.iter().map(|v| (v.0 - middle).abs()))?;
    let own = median_of(all.iter().map(|v| v.1))?;
    let u = MEDIAN * scatter.max(own) / n.sqrt();
    (u <= VAGUE * middle).then_some((Px::new(middle), Px::new(u)))
}

#[cfg(test)]
mod tests {
    use super::super::scene::Scene;
    use super::*;
    use crate::animal::{Kind, MarkKind, Placement};
    use crate::units::{Image, Point};

    #[test]
    fn a_disc_is_as_long_as_it_is_and_as_blurred() {
        let light = Scene::of(160, 140, |x, y| (x - 80.4).hypot(y - 70.2) < 40.0).lit(0.1, 0.6);
        let light = light.blurred(8.0).photographed(0.006, 3);
        let at = |x: f64, y: f64| Point::<Image>::new(x, y);
        let span =
            Shape::by_hand("span 1".into(), Kind::Span, &[at(42.0, 70.2), at(118.0, 70.2)], MarkKind::Silhouette);
        let round: Vec<_> = (0..8)
            .map(|i| {
                let t = 0.785 * f64::from(i);
                at(80.4 + 38.0 * t.cos(), 70.2 + 38.0 * t.sin())
            })
            .collect();
        let outline = Shape::by_hand("outline 1".into(), Kind::Outline, &round, MarkKind::Silhouette);
        // Expected sharper by half.
        let out = snap_shapes(&light, &[span, outline], Expected::blurred(Px::new(4.0)));
        let (w, u) = out.blur.unwrap();
        assert!((w.get() - 8.0).abs() < 0.6 && u.get() < 0.5, "{w:?} {u:?}");
        let marks = &out.shapes[0].shape.marks;
        assert!(((marks[1].at - marks[0].at).length() - 80.0).abs() < 0.2, "{marks:?}");
        for m in &out.shapes[1].shape.marks {
            assert!(((m.at.x - 80.4).hypot(m.at.y - 70.2) - 40.0).abs() < 0.3, "{m:?}");
            assert!(matches!(m.placement, Placement::Snapped { levels: Some(_), .. }));
        }
    }
}
