//! Snapping the marks of a whole shape.

use super::Expected;
use super::chain::fit_chain;
use super::clear::snap_between_limbs;
use super::edge::snap_to_silhouette;
use super::feature::{Joint, snap_to_joint};
use super::midline::MidLine;
use super::sides::levels_about;
use super::silhouette::{ASLANT_RAD, NoEdge, SilhouettePoint, Snapping};
use super::strip::median_of;
use crate::animal::{Curve, Kind, Levels, Mark, MarkKind, Placement, Shape, by_hand};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

/// A shape after snapping.
#[derive(Clone, Debug, PartialEq)]
pub struct SnappedShape {
    /// The shape, with the marks that moved.
    pub shape: Shape,
    /// What a person should know: marks that stayed and why, an axis that was not refined.
    pub notes: Vec<String>,
    /// Widths of the edges found, px, with their standard uncertainties: the picture's own blur spot.
    pub widths: Vec<(Px, Px)>,
}

/// Snaps every mark of a shape: silhouette ends along the shape, joints to the joint, and the inner marks of an axis to the
/// mid-line between the two sides. Marks without a clear edge stay and are named in the notes.
///
/// The blur spot is that in the picture at the shape.
#[must_use]
pub fn snap_shape(light: &Light, shape: &Shape, expected: Expected) -> SnappedShape {
    let w = expected.w;
    let mut out = SnappedShape { shape: shape.clone(), notes: Vec::new(), widths: Vec::new() };
    match shape.kind {
        Kind::Axis => snap_axis(light, &mut out, w),
        Kind::Appendage => snap_chain(light, &mut out, expected),
        Kind::Outline => snap_outline(light, &mut out, w),
        Kind::Angle => out
            .notes
            .push(format!("the marks of {} stay as set by hand: an angle's lines are not looked for", shape.name)),
        _ => snap_ends(light, &mut out, w, None),
    }
    out
}

impl SnappedShape {
    fn points(&self) -> Vec<Point<Image>> {
        self.shape.marks.iter().map(|m| m.at).collect()
    }

    fn stays(&mut self, mark: usize, why: &NoEdge) {
        self.notes.push(format!("mark {} of {} stays as set by hand: {why}", mark + 1, self.shape.name));
    }

    fn moved(&mut self, mark: usize, found: &SilhouettePoint) {
        if let Some(m) = self.shape.marks.get_mut(mark) {
            *m = found.mark();
        }
        self.widths.push((found.w, found.u_w));
    }
}

/// Both ends of a span or axis, along it.
fn snap_ends(light: &Light, out: &mut SnappedShape, w: Px, levels: Option<Levels>) {
    let points = out.points();
    let Ok(curve) = Curve::through(&points) else { return };
    let last = points.len() - 1;
    let directions = [curve.tangent(0, 0.0) * -1.0, curve.tangent(curve.pieces() - 1, 1.0)];
    let length = curve.length().value;
    let mut found = [None, None];
    for (which, (mark, direction)) in [0, last].into_iter().zip(directions).enumerate() {
        if out.shape.marks[mark].kind != MarkKind::Silhouette {
            continue;
        }
        let how = Snapping { tip: true, ..Snapping::by_hand(w) };
        let how = how.with_inside(Px::new(0.5 * length)).with_levels(levels);
        let along = snap_to_silhouette(light, points[mark], direction, &how);
        let along = match along {
            Ok(point) if !point.is_hollow(w) && !point.is_flank(direction, w) => Ok(point),
            other => snap_between_limbs(light, points[mark], direction, &how).map_err(|why| other.err().unwrap_or(why)),
        };
        match along {
            Ok(point) => found[which] = Some((mark, point)),
            Err(why) => out.stays(mark, &why),
        }
    }
    if let [Some((_, a)), Some((_, b))] = &found
        && a.ground != b.ground
    {
        out.notes.push(format!(
            "{}: the animal is darker than the ground at one end and brighter at the other; look whether both marks are right",
            out.shape.name
        ));
    }
    for (mark, point) in found.into_iter().flatten() {
        out.moved(mark, &point);
    }
}

/// The inner marks to the mid-line, the tips to the silhouette along it.
fn snap_axis(light: &Light, out: &mut SnappedShape, w: Px) {
    let Ok(curve) = Curve::through(&out.points()) else { return };
    let levels = levels_about(light, &curve, w);
    if let (Some(levels), true) = (levels, out.shape.marks.len() > 2) {
        match MidLine::of(light, &curve, &levels, w) {
            Some(line) => line.apply(out, w),
            None => out.notes.push(format!(
                "the axis {} is not moved to the mid-line: the two sides are not clear along most of it",
                out.shape.name
            )),
        }
    }
    snap_ends(light, out, w, levels);
}

/// Every mark of an outline square to it.
fn snap_outline(light: &Light, out: &mut SnappedShape, w: Px) {
    let points = out.points();
    let n = points.len();
    if n < 3 {
        return;
    }
    let turned = |v: Vector<Image>| Vector::new(v.y, -v.x);
    let area: f64 = (0..n).map(|i| points[i].x * points[(i + 1) % n].y - points[i].y * points[(i + 1) % n].x).sum();
    let outward = |i: usize| turned(points[(i + 1) % n] - points[(i + n - 1) % n]) * area.signum();
    let unit = |v: Vector<Image>| v * (1.0 / v.length().max(1e-9));
    let beside = |by: f64| {
        median_of((0..n).map(|i| light.sample(points[i] + unit(outward(i)) * (by * w.get())).unwrap_or(f64::NAN)))
    };
    let levels = match (beside(-1.5), beside(2.0)) {
        (Some(animal), Some(ground)) if (animal - ground).abs() > 1e-4 => Some(Levels { animal, ground }),
        _ => None,
    };
    for (i, at) in points.iter().enumerate() {
        // The hand follows the outline: what is farther away is a limb's.
        let capture = Px::new((3.0 * by_hand(w).get()).max(4.0));
        let how = Snapping { capture, ..Snapping::by_hand(w) }.with_inside(w * 3.0).with_levels(levels);
        match snap_to_silhouette(light, *at, outward(i), &how) {
            Ok(found) if found.is_hollow(w) || found.is_aslant(outward(i), ASLANT_RAD) => {
                out.stays(i, &NoEdge::Attached)
            }
            Ok(found) => out.moved(i, &found),
            Err(why) => out.stays(i, &why),
        }
    }
    for i in beside_its_neighbours(&out.points(), w.get()) {
        if out.shape.marks[i].placement != Placement::Hand {
            out.shape.marks[i] = Mark::by_hand(points[i], out.shape.marks[i].kind);
            out.notes.push(format!(
                "mark {} of {} stays as set by hand: the edge found there, a limb's perhaps, does not run on to its neighbours",
                i + 1,
                out.shape.name
            ));
        }
    }
}

/// Marks of a closed line that lie farther beside the smooth curve through their four neighbours than the others do.
fn beside_its_neighbours(points: &[Point<Image>], w: f64) -> Vec<usize> {
    /// Departures of this many median absolute ones, and of this many blur spots, are no accident.
    const FAR: f64 = 4.0;
    const FAR_W: f64 = 0.25;
    let n = points.len();
    if n < 8 {
        return Vec::new();
    }
    let off = |i: usize| {
        let around = [n - 2, n - 1, 1, 2].map(|k| points[(i + k) % n]);
        Curve::through(&around).map_or(0.0, |c| {
            let (middle, t) = (c.at(1, 0.5), c.tangent(1, 0.5));
            (points[i] - middle).dot(Vector::new(-t.y, t.x)) / t.length().max(1e-9)
        })
    };
    let all: Vec<f64> = (0..n).map(off).collect();
    let typical = median_of(all.iter().map(|v| v.abs())).unwrap_or(0.0);
    (0..n).filter(|i| all[*i].abs() > (FAR * typical).max(FAR_W * w)).collect()
}

/// The whole chain at once; where that cannot be, joints one by one, and silhouette ends along the end segments.
fn snap_chain(light: &Light, out: &mut SnappedShape, expected: Expected) {
    let w = expected.w;
    let points = out.points();
    let last = points.len().saturating_sub(1);
    let ends = out.shape.ends().unwrap_or(MarkKind::Feature);
    if let Some(found) = fit_chain(light, &points, ends, expected) {
        for (i, found) in found.into_iter().enumerate() {
            match found {
                Some(found) => out.shape.marks[i] = found.mark(),
                None if (i == 0 || i == last) && ends == MarkKind::Feature => out.notes.push(format!(
                    "mark {} of {} stays as set by hand: a first joint may lie within the body, whose edge alone is seen; to \
                     begin at that edge, let the ends stand on the outer edge (silhouette)",
                    i + 1,
                    out.shape.name
                )),
                None => out.notes.push(format!(
                    "mark {} of {} stays as set by hand: the picture does not tell its place better",
                    i + 1,
                    out.shape.name
                )),
            }
        }
        return;
    }
    for i in 0..points.len() {
        let before = i.checked_sub(1).map(|k| points[k]);
        let after = points.get(i + 1).copied();
        if out.shape.marks[i].kind == MarkKind::Silhouette {
            let inner = if i == 0 { after } else { before };
            let Some(inner) = inner else { continue };
            let length = (points[i] - inner).length();
            let how = Snapping::by_hand(w).with_inside(Px::new(0.7 * length));
            match snap_to_silhouette(light, points[i], points[i] - inner, &how) {
                Ok(found) => out.moved(i, &found),
                Err(why) => out.stays(i, &why),
            }
        } else if i > 0 && i < last {
            let (Some(before), Some(after)) = (before, after) else { continue };
            match snap_to_joint(light, before, points[i], after, w) {
                Ok(Joint { at, covariance_px2 }) => {
                    out.shape.marks[i] =
                        Mark { at, kind: MarkKind::Feature, placement: Placement::snapped(covariance_px2, None) };
                }
                Err(why) => out.notes.push(format!("mark {} of {} stays as set by hand: {why}", i + 1, out.shape.name)),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::scene::Scene;
    use super::*;

    /// A span whose right end is an edge that stands aslant by so many degrees, and how far that end moved; `None` where it stays.
    fn right_end(slant_deg: f64) -> Option<f64> {
        let slope = slant_deg.to_radians().tan();
        let inside = |x: f64, y: f64| x > 30.0 && x < 110.0 + slope * (y - 60.0);
        let light = Scene::of(160, 120, inside).lit(0.15, 0.6).blurred(5.0).photographed(0.004, 3);
        let marks = [Point::new(31.0, 60.0), Point::new(108.5, 60.0)];
        let shape = Shape::by_hand("span 1".to_owned(), Kind::Span, &marks, MarkKind::Silhouette);
        let found = snap_shape(&light, &shape, Expected::blurred(Px::new(5.0)));
        assert!(found.shape.marks[0].placement != Placement::Hand, "the left end is square");
        let end = &found.shape.marks[1];
        (end.placement != Placement::Hand).then_some(end.at.x - 110.0)
    }

    #[test]
    fn a_flank_is_no_tip() {
        for slant_deg in [0.0, 20.0] {
            assert!(right_end(slant_deg).is_some_and(|off| off.abs() < 0.3), "{slant_deg}° is an end");
        }
        for slant_deg in [40.0, -42.0] {
            assert_eq!(right_end(slant_deg), None, "{slant_deg}° is the flank of something");
        }
    }

    #[test]
    fn a_flank_far_from_the_mark_is_no_tip() {
        // Aslant by 23°, which is an end where the hand saw it, and a flank ten pixels farther on.
        let slope = 23f64.to_radians().tan();
        let inside = |x: f64, y: f64| x > 30.0 && x < 110.0 + slope * (y - 60.0);
        let light = Scene::of(160, 120, inside).lit(0.15, 0.6).blurred(5.0).photographed(0.004, 3);
        let moved = |x: f64| {
            let marks = [Point::new(31.0, 60.0), Point::new(x, 60.0)];
            let shape = Shape::by_hand("span 1".to_owned(), Kind::Span, &marks, MarkKind::Silhouette);
            snap_shape(&light, &shape, Expected::blurred(Px::new(5.0))).shape.marks[1].placement != Placement::Hand
        };
        assert!(moved(108.5) && moved(105.0));
        assert!(!moved(99.5));
    }
}
