//! The breadth across an axis: the widest, or that at a station.

use super::edge::snap_to_silhouette;
use super::shape::SnappedShape;
use super::sides::{Station, find_sides, levels_about, stations, stations_at};
use super::silhouette::{SilhouettePoint, Snapping};
use super::strip::median_of;
use crate::animal::{Curve, CurveError, Kind, Levels, Mark, MarkKind, Placement, Shape};
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
/// Fewest stations at which a side is seen.
const LEAST: usize = 8;
/// A limb stands out from the lower middle (40 %) over this many stations to either side by more than this share of the breadth.
const WIDE: usize = 7;
const LIKE: f64 = 0.12;
/// A side that runs aslant of the axis by more than this, radians, is no body's where it is widest: roots of limbs stand at 40° and more, the body
/// beside them at 18° at most (drawn limbs of the test below).
const FLANK_RAD: f64 = 0.3;
/// How a side runs is told by this many stations to either side.
const AROUND: usize = 5;
/// Breadths seen are smoothed over this many stations to either side.
const RING: usize = 2;
/// Places between two stations where the breadth is looked at.
const BETWEEN: usize = 4;
/// Sides seen farther apart than this many stations have a gap between them.
const GAP: f64 = 2.2;
/// How far a side may lie from the parabola across a gap, as a share of what the parabola bulges over the straight line there.
const BULGE: f64 = 0.5;

/// The breadth square to an axis at a share of its length (0 to 1), or where it is widest: a shape with two marks.
///
/// The widest place is where the two smoothed sides are farthest apart; the breadth itself is measured anew there, so that it is not the largest
/// of many noisy ones. Each side is smoothed for itself, over what limbs leave of it: limbs of the two sides seldom spring from the same
/// places. Where one springs from the widest place itself, the side is drawn across its root, with what that leaves open in the
/// mark's uncertainty and said in the notes.
///
/// # Errors
/// [`NoBreadth`]: no contrast, or no two clear sides.
pub fn breadth_across(
    light: &Light,
    axis: &Shape,
    at: Option<f64>,
    name: String,
    w: Px,
) -> Result<SnappedShape, NoBreadth> {
    let curve = Curve::through(&axis.marks.iter().map(|m| m.at).collect::<Vec<_>>())?;
    let missing = || axis.name.clone();
    let levels = levels_about(light, &curve, w).ok_or_else(|| NoBreadth::NoContrast { axis: missing() })?;
    let length = curve.length().value;
    let mut all = stations(&curve, STATIONS);
    find_sides(light, &mut all, &levels, w, length);
    let sides = plausible(&all);
    let found = sides.iter().map(Vec::len).min().unwrap_or(0);
    if found < LEAST {
        return Err(NoBreadth::NoSides { axis: missing(), found, looked: all.len() });
    }
    let place = Place { light, curve: &curve, levels: &levels, w, spacing: length / STATIONS as f64 };
    let (along, sides) = match at.map(|share| share * length) {
        // What stands at a place that was asked for is for a person to look at.
        Some(along) => (Some(along), sides),
        None => {
            let clear = sides.map(clear_of_limbs);
            (widest(&clear, place.spacing), clear)
        }
    };
    let Some(along) = along else {
        return Err(NoBreadth::NoSides { axis: missing(), found, looked: all.len() });
    };
    let not_there = || NoBreadth::NotThere { axis: missing(), percent: 100.0 * along / length };
    let (marks, drawn_px) = place.measured(&sides, along, at.is_none()).ok_or_else(not_there)?;
    let notes = drawn_px.map(|u| {
        format!(
            "{name}: limbs spring from where {} is widest; the body's side is drawn across their roots, to ±{u:.1} px",
            axis.name
        )
    });
    let shape = Shape { name, kind: Kind::Breadth, marks: marks.to_vec() };
    Ok(SnappedShape { shape, notes: notes.into_iter().collect(), widths: Vec::new() })
}

/// One side seen at a station.
#[derive(Clone, Copy, Debug)]
struct Side {
    /// Place along the axis, and distance from it, px.
    along: f64,
    out: f64,
    /// It does not run off aslant, as at the root of a limb.
    clear: bool,
}

/// Whether a side is that of the body, and not the flank of a limb: where the body is widest its sides run along the axis. What is merely hollow, as
/// beside a root, lies where the body's own side does.
fn is_clear(side: &SilhouettePoint, outward: Vector<Image>) -> bool {
    !side.is_aslant(outward, FLANK_RAD)
}

/// What of a side is not a limb's; all of it where that is little.
fn clear_of_limbs(side: Vec<Side>) -> Vec<Side> {
    let clear: Vec<Side> = side.iter().filter(|a| a.clear).copied().collect();
    if clear.len() < LEAST { side } else { clear }
}

/// Both sides where they are seen, without what stands out from its neighbours as a limb does.
fn plausible(all: &[Station]) -> [Vec<Side>; 2] {
    let seen = |s: &Station, k: usize| {
        let outward = s.normal * if k == 0 { 1.0 } else { -1.0 };
        let side = s.sides[k].as_ref()?;
        Some(Side { along: s.along_px, out: (side.at - s.at).dot(outward), clear: is_clear(side, outward) })
    };
    let typical = |i: usize, k: usize| {
        let near = &all[i.saturating_sub(WIDE)..(i + WIDE + 1).min(all.len())];
        let mut outs: Vec<f64> = near.iter().filter_map(|s| seen(s, k)).map(|a| a.out).collect();
        outs.sort_by(f64::total_cmp);
        outs.get((0.4 * outs.len() as f64) as usize).copied().unwrap_or(0.0)
    };
    [0, 1].map(|k| {
        let like = |i: &usize| {
            let most = LIKE * (typical(*i, 0) + typical(*i, 1));
            seen(&all[*i], k).filter(|a| a.out < typical(*i, k) + most)
        };
        (0..all.len()).filter_map(|i| like(&i)).collect()
    })
}

/// How one side runs near a place.
#[derive(Clone, Copy, Debug)]
struct Run {
    /// Distance from the axis there, px.
    out: f64,
    /// Scatter of the side about a smooth curve, robust, px.
    scatter: f64,
    /// Standard uncertainty where nothing is seen there itself, px.
    u: f64,
}

impl Run {
    /// `None` beyond the first and last place at which the side is seen.
    fn at(side: &[Side], along: f64, spacing: f64) -> Option<Self> {
        let next = side.partition_point(|a| a.along <= along);
        let (before, after) = (side.get(next.checked_sub(1)?)?, side.get(next).or_else(|| side.last())?);
        if along > after.along {
            return None;
        }
        let near = &side[next.saturating_sub(AROUND)..(next + AROUND).min(side.len())];
        let curve = polynomial(near, along, 2)?;
        // A parabola alone leaves of a body that tapers to one end more than its sides scatter.
        let rest = polynomial(near, along, 3).map(|fit| fit.residuals).unwrap_or(curve.residuals);
        let scatter = 1.4826 * median_of(rest.iter().map(|r| r.abs())).unwrap_or(0.0);
        let (out, gap) = (curve.parameters[0], after.along - before.along);
        let straight = before.out + (after.out - before.out) * (along - before.along) / gap.max(f64::MIN_POSITIVE);
        let open = if gap > GAP * spacing { BULGE * (out - straight) } else { 0.0 };
        Some(Self { out, scatter, u: scatter.hypot(open) })
    }
}

/// A side's distances as a polynomial of the way along from `origin`, lowest power first.
fn polynomial(near: &[Side], origin: f64, degree: i32) -> Option<LinearFit> {
    let row = |a: &Side| {
        let x = a.along - origin;
        (0..=degree).map(move |power| x.powi(power))
    };
    let design = Matrix::from_rows(near.len(), degree as usize + 1, near.iter().flat_map(row).collect())?;
    let outs: Vec<f64> = near.iter().map(|a| a.out).collect();
    least_squares(&design, &outs, None).ok()
}

/// Place along the axis at which the two sides are farthest apart, px: by what is seen at the stations, and between them where sides are hidden.
fn widest(sides: &[Vec<Side>; 2], spacing: f64) -> Option<f64> {
    let [left, right] = sides;
    let on_right = |a: &Side| right.iter().find(|b| (b.along - a.along).abs() < 0.5 * spacing);
    let across = |a: &Side| Some(Side { out: a.out + on_right(a)?.out, ..*a });
    let seen: Vec<Side> = left.iter().filter_map(across).collect();
    // A body of rings is widest on one of them, not between.
    let smooth = |i: usize| {
        let reach = (RING as f64 + 0.5) * spacing;
        let near: Vec<Side> = seen.iter().filter(|b| (b.along - seen[i].along).abs() < reach).copied().collect();
        (near.len() > RING + 1).then(|| polynomial(&near, seen[i].along, 2).map(|fit| fit.parameters[0]))?
    };
    let at_stations: Vec<(f64, f64)> = (0..seen.len()).filter_map(|i| Some((seen[i].along, smooth(i)?))).collect();
    let hidden = |x: f64| at_stations.iter().all(|b| (b.0 - x).abs() > 1.1 * spacing);
    let breadth = |x: f64| Some(Run::at(left, x, spacing)?.out + Run::at(right, x, spacing)?.out);
    let step = spacing / BETWEEN as f64;
    let between = (0..=STATIONS * BETWEEN).map(|i| step * i as f64).filter(|x| hidden(*x));
    let all = at_stations.iter().copied().chain(between.filter_map(|x| Some((x, breadth(x)?))));
    all.max_by(|a, b| a.1.total_cmp(&b.1)).map(|best| best.0)
}

/// Where a breadth is measured.
struct Place<'a> {
    light: &'a Light,
    curve: &'a Curve<Image>,
    levels: &'a Levels,
    w: Px,
    /// Way from station to station, px.
    spacing: f64,
}

impl Place<'_> {
    /// Both silhouettes so far along, px; with `across`, drawn across limbs, and then how uncertain that is.
    fn measured(&self, sides: &[Vec<Side>; 2], along: f64, across: bool) -> Option<([Mark; 2], Option<f64>)> {
        let station = *stations_at(self.curve, &[along / self.curve.length().value]).first()?;
        let runs = [Run::at(&sides[0], along, self.spacing)?, Run::at(&sides[1], along, self.spacing)?];
        let far = 0.5 * LIKE * (runs[0].out + runs[1].out);
        let mut drawn: Option<f64> = None;
        let mut mark = |run: &Run, outward: Vector<Image>| {
            let how = Snapping { capture: self.w * 1.5, inside: Px::new(run.out), ..Snapping::by_hand(self.w) };
            // The station is where it is: what lies along the silhouette does not change the breadth square to the axis.
            let how = Snapping { u_across: Px::new(0.0), ..how }.with_levels(Some(*self.levels));
            let start = station.at + outward * run.out;
            let found = snap_to_silhouette(self.light, start, outward, &how).ok();
            let near = found.filter(|f| ((f.at - start).dot(outward)).abs() < far.max(3.0 * run.u));
            match near {
                Some(found) if !across || is_clear(&found, outward) => {
                    // How unevenly the side runs there beyond what the mark knows of itself: joints, and what is left of limbs.
                    let mut mark = found.mark();
                    let more = run.scatter.powi(2) - variance_along(&mark, outward);
                    widen(&mut mark, outward, more.max(0.0));
                    Some(mark)
                }
                _ if across => {
                    drawn = Some(drawn.unwrap_or(0.0).hypot(run.u));
                    let mut mark = Mark {
                        at: start,
                        kind: MarkKind::Silhouette,
                        placement: Placement::snapped([0.0; 3], Some(*self.levels)),
                    };
                    widen(&mut mark, outward, run.u.powi(2));
                    Some(mark)
                }
                _ => None,
            }
        };
        let marks = [mark(&runs[0], station.normal)?, mark(&runs[1], station.normal * -1.0)?];
        Some((marks, drawn))
    }
}

/// Variance of a snapped mark's place along a unit vector, px².
fn variance_along(mark: &Mark, n: Vector<Image>) -> f64 {
    let Placement::Snapped { covariance_px2: [xx, xy, yy], .. } = mark.placement else { return 0.0 };
    n.x * n.x * xx + 2.0 * n.x * n.y * xy + n.y * n.y * yy
}

/// Makes a snapped mark more uncertain along a unit vector by a variance, px².
fn widen(mark: &mut Mark, n: Vector<Image>, more: f64) {
    if let Placement::Snapped { covariance_px2: [xx, xy, yy], .. } = &mut mark.placement {
        (*xx, *xy, *yy) = (*xx + more * n.x * n.x, *xy + more * n.x * n.y, *yy + more * n.y * n.y);
    }
}

#[cfg(test)]
mod tests {
    use super::super::scene::Scene;
    use super::*;
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
        let widest = breadth_across(&light, &axis, None, "breadth 1".into(), Px::new(5.0)).unwrap().shape;
        assert!((length(&widest) - 2.0 * b).abs() < 0.12, "{}", length(&widest));
        let at = breadth_across(&light, &axis, Some(0.8), "breadth 2".into(), Px::new(5.0)).unwrap().shape;
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
        let widest = breadth_across(&light, &axis, None, "breadth 1".into(), Px::new(5.0)).unwrap().shape;
        let breadth = (widest.marks[1].at - widest.marks[0].at).length();
        assert!((breadth - 2.0 * b).abs() < 0.7, "{breadth} {widest:?}");
    }
}
