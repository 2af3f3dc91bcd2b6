//! Snapping a tip to the piece of silhouette that is clear of the limbs beside it.

use super::crossing::Crossing;
use super::edge::{Bow, fitted};
use super::silhouette::{NoEdge, SilhouettePoint, Snapping};
use super::strip::{Frame, Stations, along};
use crate::animal::Levels;
use crate::photo::Light;
use crate::units::{Image, Point, Vector};

/// The silhouette is followed this many blur spots beyond where the hand may have missed the tip, three times its uncertainty.
const BEYOND_W: f64 = 1.5;
const HAND_U: f64 = 3.0;
/// It is followed while it runs within this of square to the line; steeper, it is a limb's flank or the animal's own.
const STEEPEST: f64 = 1.0;
/// Where it turns up into a limb this many blur spots are left out. Half-way light runs at 45° in a right-angled corner at 0.2 blur spots
/// from either side; 0.6 farther the limb gives 4 % of its light, which moves the half-way point by 0.02 blur spots.
const BESIDE_LIMB_W: f64 = 0.6;
/// Least width of what is left, in blur spots.
const LEAST_W: f64 = 0.4;

/// Snaps the tip of an animal beside which limbs spring, as antennae do from a head: the silhouette is fitted on the piece that is clear of
/// them, as any other ([`super::edge::snap_to_silhouette`]). The mark stays across where it is, or goes to the nearest end of that piece.
///
/// # Errors
/// [`NoEdge::Attached`] where no clear piece is near and wide enough; others as for any mark.
pub(super) fn snap_between_limbs(
    light: &Light,
    mark: Point<Image>,
    outward: Vector<Image>,
    how: &Snapping,
) -> Result<SilhouettePoint, NoEdge> {
    let frame = Frame::new(mark, outward).ok_or(NoEdge::NoDirection)?;
    let levels = how.levels.ok_or(NoEdge::Attached)?;
    let (Clear { from, to, points }, moved) = clear_of_limbs(light, &frame, how, &levels).ok_or(NoEdge::Attached)?;
    let frame = Frame { origin: frame.at(0.0, moved), ..frame };
    let bow = Bow::of_piece(&points, (from, to), how.w.get());
    let chosen = Crossing { s: bow.course.level, levels, lead: f64::INFINITY };
    let found = fitted(light, &frame, &chosen, bow, how)?;
    if found.is_hollow(how.w) || found.is_flank(outward, how.w) { Err(NoEdge::Attached) } else { Ok(found) }
}

/// A piece of silhouette, across from the mark.
struct Clear {
    from: f64,
    to: f64,
    /// Across and along, half-way crossings.
    points: Vec<(f64, f64)>,
}

/// The clear piece nearest to the frame's origin, with places across measured from its nearest point, and how far across that one is.
/// `None` where none is near and wide enough.
fn clear_of_limbs(light: &Light, frame: &Frame, how: &Snapping, levels: &Levels) -> Option<(Clear, f64)> {
    let w = how.w.get();
    let far = HAND_U * how.u_across.get();
    let step = (w / 8.0).clamp(0.25, 2.0);
    let count = ((far + BEYOND_W * w) / step).ceil() as i32;
    let line: Vec<(f64, Option<f64>)> = (-count..=count)
        .map(|k| {
            let t = f64::from(k) * step;
            (t, outermost_near(light, frame, t, how, levels))
        })
        .collect();
    let pieces =
        runs(&line, step).into_iter().filter_map(|(a, b)| trimmed(light, frame, &line[a..=b], (step, w), levels));
    let nearest = |c: &Clear| 0f64.clamp(c.from, c.to);
    let best = pieces.min_by(|a, b| nearest(a).abs().total_cmp(&nearest(b).abs()))?;
    let moved = nearest(&best);
    if moved.abs() > far {
        return None;
    }
    let points = best.points.iter().map(|(t, s)| (t - moved, *s)).collect();
    Some((Clear { from: best.from - moved, to: best.to - moved, points }, moved))
}

/// The crossing from animal to ground nearest to the mark on the line `t`.
fn outermost_near(light: &Light, frame: &Frame, t: f64, how: &Snapping, levels: &Levels) -> Option<f64> {
    let (w, capture) = (how.w.get(), how.capture.get());
    let stations = Stations::new(-capture, capture, (w / 8.0).clamp(0.25, 1.0));
    let middle = 0.5 * (levels.animal + levels.ground);
    let outward = levels.ground - levels.animal;
    let light = along(light, frame, t, &stations);
    let crossings = light.windows(2).enumerate().filter_map(|(i, v)| {
        let (a, b) = (v[0] - middle, v[1] - middle);
        let right = a * b <= 0.0 && a != b && (b - a) * outward > 0.0;
        right.then(|| stations.at(i) + stations.step * a / (a - b))
    });
    crossings.min_by(|a, b| a.abs().total_cmp(&b.abs()))
}

/// First and last index of every stretch that runs on without steep parts.
fn runs(line: &[(f64, Option<f64>)], step: f64) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for i in 0..line.len() {
        let Some(here) = line[i].1 else {
            start = None;
            continue;
        };
        let first = *start.get_or_insert(i);
        let goes_on = line.get(i + 1).and_then(|n| n.1).is_some_and(|next| (next - here).abs() <= STEEPEST * step);
        if !goes_on {
            found.push((first, i));
            start = None;
        }
    }
    found
}

/// A stretch without what lies beside limbs.
fn trimmed(
    light: &Light,
    frame: &Frame,
    run: &[(f64, Option<f64>)],
    (step, w): (f64, f64),
    levels: &Levels,
) -> Option<Clear> {
    let (first, last) = (run.first()?, run.last()?);
    // Whether there is animal beside an end of it.
    let limb = |(t, s): (f64, Option<f64>), way: f64| {
        let beside = light.sample(frame.at(s?, t + way * (2.0 * step).max(0.3 * w)))?;
        Some((beside - levels.ground) / (levels.animal - levels.ground) > 0.5)
    };
    let from = if limb(*first, -1.0)? { first.0 + BESIDE_LIMB_W * w } else { first.0 };
    let to = if limb(*last, 1.0)? { last.0 - BESIDE_LIMB_W * w } else { last.0 };
    if to - from < LEAST_W * w {
        return None;
    }
    let points = run.iter().filter(|p| (from..=to).contains(&p.0)).filter_map(|p| Some((p.0, p.1?))).collect();
    Some(Clear { from, to, points })
}

#[cfg(test)]
mod tests {
    use super::super::edge::snap_to_silhouette;
    use super::super::scene::Scene;
    use super::*;
    use crate::animal::by_hand;
    use crate::units::Px;

    const W: Px = Px::new(5.0);
    const LEVELS: Levels = Levels { animal: 0.15, ground: 0.6 };

    /// A round head of radius 24 with its tip at (84, 60); two limbs `apart` at their middles run to the right.
    fn head(apart: f64, seed: u64) -> Light {
        let limb = |x: f64, y: f64| x > 60.0 && ((y - 60.0).abs() - 0.5 * apart).abs() < 4.0;
        let inside =
            |x: f64, y: f64| (x - 60.0).hypot(y - 60.0) < 24.0 || (x < 60.0 && (y - 60.0).abs() < 24.0) || limb(x, y);
        Scene::of(150, 120, inside).lit(LEVELS.animal, LEVELS.ground).blurred(W.get()).photographed(0.006, seed)
    }

    fn how() -> Snapping {
        let how = Snapping { tip: true, ..Snapping::by_hand(W) };
        how.with_inside(Px::new(40.0)).with_levels(Some(LEVELS))
    }

    #[test]
    fn a_head_between_two_limbs_is_found() {
        let right = Vector::new(1.0, 0.0);
        let mut astray = 0;
        for (seed, (x, y)) in [(1, (82.0, 60.0)), (2, (86.0, 61.5)), (3, (83.0, 57.5)), (4, (85.0, 65.0))] {
            let (light, mark) = (head(21.0, seed), Point::<Image>::new(x, y));
            let along = snap_to_silhouette(&light, mark, right, &how());
            astray += usize::from(!along.is_ok_and(|p| !p.is_hollow(W)));
            let found = snap_between_limbs(&light, mark, right, &how()).unwrap();
            let u = found.covariance_px2[0].sqrt();
            let error = found.at.x - 84.0;
            assert!(error.abs() < 0.5 && error.abs() < 2.5 * u, "seed {seed}: {error:+.2} ± {u:.2} px");
            // Limbs' flanks are 6.5 px from the middle, and 0.8 blur spots beside them are left out.
            assert!((found.at.y - 60.0).abs() < 3.0 && u < 1.0, "seed {seed}: {found:?}");
        }
        assert!(astray > 0, "the limbs show");
    }

    #[test]
    fn a_head_that_limbs_hide_is_not_made_up() {
        let right = Vector::new(1.0, 0.0);
        for (seed, apart) in [(5, 8.0), (6, 11.0)] {
            let found = snap_between_limbs(&head(apart, seed), Point::new(84.0, 60.0), right, &how());
            assert_eq!(found, Err(NoEdge::Attached), "{apart} px apart");
        }
        let no_levels = how().with_levels(None);
        assert_eq!(
            snap_between_limbs(&head(18.0, 7), Point::new(84.0, 60.0), right, &no_levels),
            Err(NoEdge::Attached)
        );
    }

    #[test]
    fn a_mark_that_moves_is_known_better_than_the_hand() {
        // A narrow blur spot leaves a pixel or two between limbs, through which any parabola goes.
        let w = Px::new(2.6);
        let mut found = 0;
        for (seed, apart) in (0..40).map(|i| (i, 9.0 + 0.1 * i as f64)) {
            let limb = |x: f64, y: f64| x > 60.0 && ((y - 60.2).abs() - 0.5 * apart).abs() < 2.6;
            let inside = |x: f64, y: f64| x < 84.0 && (y - 60.2).abs() < 18.0 || limb(x, y);
            let light = Scene::of(140, 120, inside).lit(0.5, 0.05).blurred(w.get()).photographed(0.006, seed);
            let levels = Levels { animal: 0.5, ground: 0.05 };
            let how = Snapping { tip: true, ..Snapping::by_hand(w) };
            let how = how.with_inside(Px::new(40.0)).with_levels(Some(levels));
            let right = Vector::new(1.0, 0.0);
            for y in [58.9, 60.2, 61.7] {
                let Ok(p) = snap_between_limbs(&light, Point::new(83.0, y), right, &how) else { continue };
                found += 1;
                assert!(p.u_along.get() <= by_hand(w).get(), "{apart} px apart, from {y}: {}", p.u_along);
            }
        }
        assert!(found > 20, "{found} marks moved");
    }
}
