//! Antennae: limbs that leave the body near one of its tips, with the joints that the picture resolves.

use super::body::ways;
use super::detect::Chosen;
use super::mask::{Mask, Piece};
use crate::animal::snap::{Joint, snap_to_joint};
use crate::animal::{Kind, Mark, MarkKind, Placement, Shape};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Vector};

/// A limb of an antenna's shape and place.
#[derive(Clone, Debug)]
pub struct LimbProposal {
    /// Its joints from the body outward, the last the tip. Joints that a fit confirmed are snapped, the rest as by hand.
    pub shape: Shape,
    /// Number of joints that a fit confirmed.
    pub joints_resolved: usize,
    /// Why it may not be as proposed.
    pub doubts: Vec<String>,
}

/// An antenna leaves the body within this share of the axis from a tip.
const NEAR_TIP: f64 = 0.16;
/// It points away from the body: cosine of the angle to the axis at the tip.
const FORWARD: f64 = 0.2;
/// And is at least this many blur spots long.
const LEAST_LENGTH_W: f64 = 4.0;
/// A waist holds this share less light than the segments beside it at least.
const WAIST: f64 = 0.03;

/// Antennae at one of the two tips of the axis: that with more of them, in the order of their pieces' size.
pub(super) fn antennae(
    light: &Light,
    chosen: &Chosen,
    axis: &[Point<Image>],
    w: Px,
) -> (Vec<LimbProposal>, Option<usize>) {
    let (Some(first), Some(last)) = (axis.first(), axis.last()) else { return (Vec::new(), None) };
    let length: f64 = axis.windows(2).map(|p| (p[1] - p[0]).length()).sum();
    let n = axis.len();
    let unit = |v: Vector<Image>| v * (1.0 / v.length().max(1e-12));
    let tips = [(*first, unit(axis[0] - axis[n / 8])), (*last, unit(axis[n - 1] - axis[n - 1 - n / 8]))];
    let mut at_tip: [Vec<Vec<Point<Image>>>; 2] = [Vec::new(), Vec::new()];
    for piece in &chosen.body.limbs {
        let Some(path) = path(chosen, piece) else { continue };
        let (root, end) = (path[0], path[path.len() - 1]);
        if (end - root).length() < LEAST_LENGTH_W * w.get() {
            continue;
        }
        for (k, (tip, outward)) in tips.iter().enumerate() {
            let near = (root - *tip).length() < NEAR_TIP * length;
            if near && unit(end - root).dot(*outward) > FORWARD {
                at_tip[k].push(path.clone());
            }
        }
    }
    let head = usize::from(at_tip[1].len() > at_tip[0].len());
    let paths = std::mem::take(&mut at_tip[head]);
    if paths.is_empty() {
        return (Vec::new(), None);
    }
    let proposals =
        paths.iter().take(2).enumerate().filter_map(|(i, p)| proposal(light, chosen, p, i + 1, w)).collect();
    (proposals, Some(head))
}

/// The mid-line of a piece from its root on the body to its far end.
fn path(chosen: &Chosen, piece: &Piece) -> Option<Vec<Point<Image>>> {
    let (plane, body) = (&chosen.plane, &chosen.body.body);
    let root: Vec<u32> =
        piece.cells.iter().copied().filter(|c| body.around(*c as usize, true).any(|o| body.cells[o])).collect();
    if root.is_empty() {
        return None;
    }
    let own = Mask::of_pieces(plane.width, plane.height, [piece]);
    let (way, length) = ways(&own, &root);
    let bands = (length / 2.0) as usize;
    if bands < 4 {
        return None;
    }
    let mut sums = vec![(0.0, 0.0, 0.0); bands];
    for cell in &piece.cells {
        let v = way[*cell as usize];
        if v.is_finite() {
            let s = &mut sums[((f64::from(v) / length * bands as f64) as usize).min(bands - 1)];
            let (x, y) = (*cell as usize % plane.width, *cell as usize / plane.width);
            *s = (s.0 + x as f64 + 0.5, s.1 + y as f64 + 0.5, s.2 + 1.0);
        }
    }
    let line =
        sums.iter().filter(|s| s.2 > 0.0).map(|s| plane.image_from_cells(s.0 / s.2, s.1 / s.2)).collect::<Vec<_>>();
    (line.len() >= 4).then(|| smooth(&line))
}

/// Means of three, ends kept.
fn smooth(line: &[Point<Image>]) -> Vec<Point<Image>> {
    let n = line.len();
    let inner = (1..n - 1).map(|i| line[i] + ((line[i - 1] - line[i]) + (line[i + 1] - line[i])) * (1.0 / 3.0));
    std::iter::once(line[0]).chain(inner).chain([line[n - 1]]).collect()
}

fn proposal(light: &Light, chosen: &Chosen, path: &[Point<Image>], number: usize, w: Px) -> Option<LimbProposal> {
    let length = super::axis::length_of(path);
    let step = (w.get() / 6.0).max(0.5);
    let count = (length / step) as usize + 1;
    let even = super::axis::evenly(path, count);
    let mass = masses(light, chosen, &even, w.get());
    let mut places = waists(&mass, (1.5 * w.get() / step) as usize);
    places.insert(0, 0);
    places.push(even.len() - 1);
    let mut marks: Vec<Mark> = places.iter().map(|i| Mark::by_hand(even[*i], MarkKind::Feature)).collect();
    let at: Vec<Point<Image>> = marks.iter().map(|m| m.at).collect();
    let mut joints_resolved = 0;
    for i in 1..at.len().saturating_sub(1) {
        if let Ok(Joint { at, covariance_px2 }) = snap_to_joint(light, at[i - 1], at[i], at[i + 1], w) {
            marks[i] = Mark { at, kind: MarkKind::Feature, placement: Placement::snapped(covariance_px2, None) };
            joints_resolved += 1;
        }
    }
    let inner = marks.len().checked_sub(2)?;
    let mut doubts = vec!["where it meets the body is a guess; set the first joint by eye".to_owned()];
    if inner == 0 {
        doubts.push("no joints are resolved".to_owned());
    } else if joints_resolved < inner {
        doubts.push(format!("{} of {inner} joints are only faint waists", inner - joints_resolved));
    }
    let shape = Shape { name: format!("antenna {number}"), kind: Kind::Appendage, marks };
    Some(LimbProposal { shape, joints_resolved, doubts })
}

/// Departure of light summed square to the path at each of its points.
fn masses(light: &Light, chosen: &Chosen, path: &[Point<Image>], w: f64) -> Vec<f64> {
    let n = path.len();
    let half = (2.2 * w).max(3.0 * chosen.plane.step_px as f64);
    let lines = (half / (w / 6.0).max(0.5)) as i32;
    (0..n)
        .map(|i| {
            let (a, b) = (path[i.saturating_sub(4)], path[(i + 4).min(n - 1)]);
            let along = (b - a) * (1.0 / (b - a).length().max(1e-12));
            let across = Vector::new(-along.y, along.x);
            let sum: f64 = (-lines..=lines)
                .filter_map(|k| {
                    let t = f64::from(k) / f64::from(lines);
                    let p = path[i] + across * (half * t);
                    // Falls toward the ends, so that nothing beside it comes in at once.
                    light.sample(p).map(|v| (v - chosen.ground.at(p)) * (1.0 - t * t))
                })
                .sum();
            sum.abs()
        })
        .collect()
}

/// Places of minima that lie deeper than both sides by a share, at least `apart` points from each other and the ends.
fn waists(mass: &[f64], apart: usize) -> Vec<usize> {
    let n = mass.len();
    let apart = apart.max(2);
    let mut out: Vec<usize> = Vec::new();
    for i in apart..n.saturating_sub(apart) {
        let (left, right) = (&mass[i - apart..i], &mass[i + 1..=i + apart]);
        let least = left.iter().chain(right).all(|v| *v >= mass[i]);
        let peak = |part: &[f64]| part.iter().copied().fold(0.0, f64::max);
        if least && mass[i] < (1.0 - WAIST) * peak(left).min(peak(right)) {
            out.push(i);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waists_are_minima_with_two_sides() {
        let mass: Vec<f64> = (0..90).map(|i| 1.0 + 0.3 * (std::f64::consts::TAU * f64::from(i) / 30.0).cos()).collect();
        assert_eq!(waists(&mass, 8), [15, 45, 75]);
        assert!(waists(&vec![1.0; 40], 5).is_empty(), "an even limb has no joints");
    }
}
