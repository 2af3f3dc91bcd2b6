//! The breadth across an axis: the widest, or that at a station.

use super::edge::snap_to_silhouette;
use super::sides::{Station, find_sides, levels_about, stations, stations_at};
use super::silhouette::{SilhouettePoint, Snapping};
use super::strip::median_of;
use crate::animal::{Curve, CurveError, Kind, Levels, Mark, Placement, Shape};
use crate::photo::Light;
use crate::stats::{LinearFit, Matrix, least_squares};
use crate::units::{Image, Px, Vector};

/// Why there is no breadth.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoBreadth {
    /// The axis is none.
    #[error(transparent)]
    Axis(#[from] CurveError),
    /// Animal and ground look alike.
    #[error("the animal does not stand out from the ground along {axis}; set the breadth by hand with two marks")]
    NoContrast {
        /// Name of the axis.
        axis: String,
    },
    /// Not both sides.
    #[error(
        "both sides are clear at only {found} of {looked} stations along {axis}; set the breadth by hand with two marks"
    )]
    NoSides {
        /// Name of the axis.
        axis: String,
        /// Stations with both sides.
        found: usize,
        /// Stations looked at.
        looked: usize,
    },
    /// No edge at the place asked for.
    #[error(
        "no clear edge on both sides at {percent:.0} % of {axis}; ask for another place or set the breadth by hand with two marks"
    )]
    NotThere {
        /// Name of the axis.
        axis: String,
        /// Where along it.
        percent: f64,
    },
}

/// Stations along the axis.
const STATIONS: usize = 40;
/// Fewest stations with both sides.
const LEAST: usize = 8;
/// A limb stands out from the lower middle (40 %) over this many stations to either side by more than this share of the breadth.
const WIDE: usize = 7;
const LIKE: f64 = 0.12;
/// A side that runs aslant of the axis by more than this, radians, is no body's where it is widest: roots of limbs stand at 40° and more, the body
/// beside them at 18° at most (drawn limbs of the test below).
const FLANK_RAD: f64 = 0.3;
/// The widest place is the vertex of a parabola over this many stations to either side.
const AROUND: usize = 5;

/// The breadth square to an axis at a share of its length (0 to 1), or where it is widest: a shape with two snapped marks.
///
/// The widest place is that of the smoothed breadths; the breadth itself is measured anew there, so that it is not the largest of
/// many noisy ones.
///
/// # Errors
/// [`NoBreadth`]: no contrast, or no two clear sides.
pub fn breadth_across(light: &Light, axis: &Shape, at: Option<f64>, name: String, w: Px) -> Result<Shape, NoBreadth> {
    let curve = Curve::through(&axis.marks.iter().map(|m| m.at).collect::<Vec<_>>())?;
    let missing = || axis.name.clone();
    let levels = levels_about(light, &curve, w).ok_or_else(|| NoBreadth::NoContrast { axis: missing() })?;
    let length = curve.length().value;
    let mut all = stations(&curve, STATIONS);
    find_sides(light, &mut all, &levels, w, length);
    let both = plausible(&all);
    if both.len() < LEAST {
        return Err(NoBreadth::NoSides { axis: missing(), found: both.len(), looked: all.len() });
    }
    let clear = clear_of_limbs(&both);
    let widest = Widest::of(&clear);
    let (along, measured) = match at.map(|share| share * length) {
        // What stands at a place that was asked for is for a person to look at.
        Some(along) => (along, measured_at(light, &curve, along, &both, &levels, w).map(|m| m.0)),
        None => (widest.along, widest_clear(light, &curve, widest, &clear, &levels, w)),
    };
    let percent = 100.0 * along / length;
    let marks = measured.ok_or_else(|| NoBreadth::NotThere { axis: missing(), percent })?;
    Ok(Shape { name, kind: Kind::Breadth, marks: marks.to_vec() })
}

/// Distance along, and to both sides.
#[derive(Clone, Copy, Debug)]
struct Across {
    along: f64,
    left: f64,
    right: f64,
    /// Neither side runs off aslant, as at the root of a limb.
    clear: bool,
}

impl Across {
    fn breadth(&self) -> f64 {
        (self.left - self.right).abs()
    }
}

/// Whether a side is that of the body, and not the flank of a limb: where the body is widest its sides run along the axis. What is merely hollow, as
/// beside a root, lies where the body's own side does.
fn is_clear(side: &SilhouettePoint, outward: Vector<Image>) -> bool {
    !side.is_aslant(outward, FLANK_RAD)
}

/// The stations where neither side is a limb's; all of them where these are few.
fn clear_of_limbs(both: &[Across]) -> Vec<Across> {
    let clear: Vec<Across> = both.iter().filter(|a| a.clear).copied().collect();
    if clear.len() < LEAST { both.to_vec() } else { clear }
}

/// Stations with both sides, without those where a limb stands out from its neighbours.
fn plausible(all: &[Station]) -> Vec<Across> {
    let across = |s: &Station| {
        let (left, right) = s.reach()?;
        let [a, b] = s.sides;
        let clear = is_clear(&a?, s.normal) && is_clear(&b?, s.normal * -1.0);
        Some(Across { along: s.along_px, left, right, clear })
    };
    let both: Vec<Across> = all.iter().filter_map(across).collect();
    let like = |i: usize| {
        let near = &both[i.saturating_sub(WIDE)..(i + WIDE + 1).min(both.len())];
        let typical = |pick: fn(&Across) -> f64| {
            let mut sides: Vec<f64> = near.iter().map(|a| pick(a).abs()).collect();
            sides.sort_by(f64::total_cmp);
            sides.get((0.4 * sides.len() as f64) as usize).copied().unwrap_or(0.0)
        };
        let (left, right) = (typical(|a| a.left), typical(|a| a.right));
        let most = LIKE * (left + right);
        both[i].left.abs() < left + most && both[i].right.abs() < right + most
    };
    (0..both.len()).filter(|i| like(*i)).map(|i| both[i]).collect()
}

/// Where the smoothed breadth is greatest.
#[derive(Clone, Copy, Debug)]
struct Widest {
    /// Px along.
    along: f64,
    /// How fast the breadth falls off from there, px per px².
    fall: f64,
}

impl Widest {
    fn of(both: &[Across]) -> Self {
        let smooth = |i: usize| {
            let near = &both[i.saturating_sub(2)..(i + 3).min(both.len())];
            median_of(near.iter().map(Across::breadth)).unwrap_or(0.0)
        };
        let top = (0..both.len()).max_by(|a, b| smooth(*a).total_cmp(&smooth(*b))).unwrap_or(0);
        let near = &both[top.saturating_sub(AROUND)..(top + AROUND + 1).min(both.len())];
        let (from, to) = (near[0].along, near[near.len() - 1].along);
        let origin = both[top].along;
        let curve = polynomial(near, origin, 2).map(|fit| fit.parameters).filter(|c| c[2] < 0.0);
        let along = origin + curve.as_ref().map_or(0.0, |c| -c[1] / (2.0 * c[2]));
        Self { along: along.clamp(from, to), fall: curve.map_or(0.0, |c| -c[2]) }
    }

    /// How much less broad the animal is at a place beside, px.
    fn less_at(&self, along: f64) -> f64 {
        self.fall * (along - self.along).powi(2)
    }
}

/// Both silhouettes where the breadth is greatest; where a limb springs from there, at the nearest place that is clear of it, with what the animal may
/// be broader between as part of the uncertainty.
fn widest_clear(
    light: &Light,
    curve: &Curve<Image>,
    widest: Widest,
    clear: &[Across],
    levels: &Levels,
    w: Px,
) -> Option<[Mark; 2]> {
    let measured = |along: f64| measured_at(light, curve, along, clear, levels, w);
    let at_top = measured(widest.along);
    let not_clear = match at_top {
        Some((marks, true)) => return Some(marks),
        other => other.map(|m| m.0),
    };
    let mut others: Vec<f64> = clear.iter().map(|a| a.along).collect();
    others.sort_by(|a, b| (a - widest.along).abs().total_cmp(&(b - widest.along).abs()));
    let beside = others.into_iter().take(AROUND).find_map(|along| {
        let (mut marks, _) = measured(along).filter(|m| m.1)?;
        widen(&mut marks, widest.less_at(along));
        Some(marks)
    });
    beside.or(not_clear)
}

/// Variance of a snapped mark's place along a unit vector, px².
fn variance_along(mark: &Mark, n: Vector<Image>) -> f64 {
    let Placement::Snapped { covariance_px2: [xx, xy, yy], .. } = mark.placement else { return 0.0 };
    n.x * n.x * xx + 2.0 * n.x * n.y * xy + n.y * n.y * yy
}

/// Makes the distance of two marks more uncertain by this, px.
fn widen(marks: &mut [Mark; 2], by_px: f64) {
    let apart = marks[1].at - marks[0].at;
    let (n, more) = (apart * (1.0 / apart.length().max(1e-9)), 0.5 * by_px * by_px);
    for m in marks {
        if let Placement::Snapped { covariance_px2: [xx, xy, yy], .. } = &mut m.placement {
            (*xx, *xy, *yy) = (*xx + more * n.x * n.x, *xy + more * n.x * n.y, *yy + more * n.y * n.y);
        }
    }
}

/// Standard deviation of the breadths about a smooth curve through those near a place, robust, px.
fn unevenness(both: &[Across], along: f64) -> f64 {
    let mut near = both.to_vec();
    near.sort_by(|a, b| (a.along - along).abs().total_cmp(&(b.along - along).abs()));
    near.truncate(2 * AROUND + 1);
    // A parabola alone leaves of a body that tapers to one end more than its sides scatter.
    let rest = polynomial(&near, along, 3).map(|fit| fit.residuals).unwrap_or_default();
    1.4826 * median_of(rest.iter().map(|r| r.abs())).unwrap_or(0.0)
}

/// The breadths as a polynomial of the distance along from `origin`, lowest power first.
fn polynomial(near: &[Across], origin: f64, degree: i32) -> Option<LinearFit> {
    let row = |a: &Across| {
        let x = a.along - origin;
        (0..=degree).map(move |power| x.powi(power))
    };
    let design = Matrix::from_rows(near.len(), degree as usize + 1, near.iter().flat_map(row).collect())?;
    let breadths: Vec<f64> = near.iter().map(Across::breadth).collect();
    least_squares(&design, &breadths, None).ok()
}

/// Both silhouettes so far along, px, and whether they are clear of limbs.
fn measured_at(
    light: &Light,
    curve: &Curve<Image>,
    along: f64,
    both: &[Across],
    levels: &Levels,
    w: Px,
) -> Option<([Mark; 2], bool)> {
    let station = *stations_at(curve, &[along / curve.length().value]).first()?;
    let mut near: Vec<&Across> = both.iter().collect();
    near.sort_by(|a, b| (a.along - station.along_px).abs().total_cmp(&(b.along - station.along_px).abs()));
    let near = &near[..near.len().min(3)];
    let side = |distance: f64| {
        let outward = station.normal * distance.signum();
        let how = Snapping { capture: w * 1.5, inside: Px::new(distance.abs()), ..Snapping::by_hand(w) };
        // The station is where it is: what lies along the silhouette does not change the breadth square to the axis.
        let how = Snapping { u_across: Px::new(0.0), ..how }.with_levels(Some(*levels));
        let start = station.at + outward * distance.abs();
        let found = snap_to_silhouette(light, start, outward, &how).ok()?;
        Some((found.mark(), is_clear(&found, outward)))
    };
    let left = median_of(near.iter().map(|a| a.left))?;
    let right = median_of(near.iter().map(|a| a.right))?;
    let ((left_mark, left_clear), (right_mark, right_clear)) = (side(left)?, side(right)?);
    let mut marks = [left_mark, right_mark];
    let breadth = (marks[1].at - marks[0].at).length();
    if (breadth / (left - right).abs() - 1.0).abs() > LIKE {
        return None;
    }
    // How unevenly the sides run there beyond what the two marks know of themselves: joints, and what is left of limbs.
    let own: f64 = marks.iter().map(|m| variance_along(m, station.normal)).sum();
    widen(&mut marks, (unevenness(both, station.along_px).powi(2) - own).max(0.0).sqrt());
    Some((marks, left_clear && right_clear))
}

#[cfg(test)]
mod tests {
    use super::super::scene::Scene;
    use super::*;
    use crate::animal::MarkKind;
    use crate::units::Point;

    fn axis(points: &[(f64, f64)]) -> Shape {
        let points: Vec<Point<Image>> = points.iter().map(|p| Point::new(p.0, p.1)).collect();
        Shape::by_hand("axis 1".to_owned(), Kind::Axis, &points, MarkKind::Silhouette)
    }

    #[test]
    fn an_ellipse_is_widest_in_its_middle_and_known_elsewhere() {
        let (a, b, turn) = (70.0, 22.0, 0.35f64);
        let inside = |x: f64, y: f64| {
            let (dx, dy) = (x - 110.3, y - 90.8);
            let (u, v) = (dx * turn.cos() + dy * turn.sin(), dy * turn.cos() - dx * turn.sin());
            // A leg at a fifth of the length.
            (u / a).powi(2) + (v / b).powi(2) < 1.0 || ((u + 40.0).abs() < 2.5 && v > 0.0 && v < 45.0)
        };
        let light = Scene::of(220, 180, inside).lit(0.12, 0.6).blurred(5.0).photographed(0.008, 5);
        let end = |s: f64| (110.3 + s * a * turn.cos(), 90.8 + s * a * turn.sin());
        let axis = axis(&[end(-1.0), end(-0.4), end(0.1), end(0.6), end(1.0)]);
        let length = |s: &Shape| (s.marks[1].at - s.marks[0].at).length();
        let widest = breadth_across(&light, &axis, None, "breadth 1".into(), Px::new(5.0)).unwrap();
        assert!((length(&widest) - 2.0 * b).abs() < 0.12, "{}", length(&widest));
        let at = breadth_across(&light, &axis, Some(0.8), "breadth 2".into(), Px::new(5.0)).unwrap();
        assert!((length(&at) - 2.0 * b * 0.8).abs() < 0.25, "{} {}", length(&at), 2.0 * b * 0.8);
        let flat = Scene::of(220, 180, |_, _| false).lit(0.1, 0.6).photographed(0.004, 1);
        let none = breadth_across(&flat, &axis, None, "b".into(), Px::new(5.0));
        assert!(none.is_err(), "{none:?}");
    }

    #[test]
    fn roots_of_limbs_are_no_breadth() {
        let (a, b) = (90.0, 22.0);
        // Three limbs a side, met aslant, about the middle, where the body is widest.
        let limb = |u: f64, v: f64| (v > 0.0 && v < 60.0) && (u - 0.7 * (v - b)).abs() < 4.0;
        let inside = |x: f64, y: f64| {
            let (u, v) = (x - 120.3, y - 80.8);
            let body = (u / a).powi(4) + (v / b).powi(2) < 1.0;
            body || [-22.0, 0.0, 22.0].iter().any(|at| limb(u - at, v) || limb(u - at, -v))
        };
        let light = Scene::of(240, 160, inside).lit(0.12, 0.6).blurred(5.0).photographed(0.008, 5);
        let axis = axis(&[-1.0, -0.4, 0.1, 0.6, 1.0].map(|share| (120.3 + share * a, 80.8)));
        let widest = breadth_across(&light, &axis, None, "breadth 1".into(), Px::new(5.0)).unwrap();
        let breadth = (widest.marks[1].at - widest.marks[0].at).length();
        assert!((breadth - 2.0 * b).abs() < 0.7, "{breadth}");
    }
}
