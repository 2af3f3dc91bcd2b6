//! From lines to marks with their uncertainty.

use super::axis::{Chord, MidLine, evenly};
use super::edge::Rim;
use crate::animal::outline::perimeter;
use crate::animal::{Ground, Kind, Levels, Mark, MarkKind, Placement, Shape};
use crate::units::{Image, Point, Vector};

/// What a proposal cannot know about where an edge belongs to the body, as a standard uncertainty in blur spots: fillets where limbs
/// begin, patches, the shape of a tip. From rendered animals (tests/campaign/find.rs).
const UNKNOWN_W: f64 = 0.08;
/// How far a line drawn across a limb's root may lie off, as a share of its length: standard uncertainty. It leaves and arrives as the
/// outline does, so that only the bulge between is open.
const BULGE: f64 = 0.04;
/// Marks of an axis.
const AXIS_MARKS: usize = 13;
/// Marks of an outline, least and most.
const OUTLINE_MARKS: (usize, usize) = (24, 160);

/// What is known of a body when marks are made of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known<'a> {
    pub(super) rim: &'a Rim,
    pub(super) w_px: f64,
    pub(super) ground: Ground,
    /// Standard uncertainty of the axis' length from the ways to draw it, px.
    pub(super) u_axis_px: f64,
}

impl Known<'_> {
    /// Marks along the axis: tips on the silhouette, the others on the mid-line.
    pub(super) fn axis(&self, line: &MidLine) -> Shape {
        let points = evenly(&line.points, AXIS_MARKS);
        let n = points.len();
        let u_middle = (self.u_edge(false) / 2f64.sqrt()).hypot(0.3 * line.rms_px);
        let marks = (0..n).map(|i| {
            let (a, b) = (points[i.saturating_sub(1)], points[(i + 1).min(n - 1)]);
            let along = unit(b - a);
            if i == 0 || i + 1 == n {
                // Each tip bears half of the variance of the ways to draw the axis.
                let u = self.u_at(points[i]).hypot(self.u_axis_px / 2f64.sqrt());
                self.silhouette(points[i], along, u, u_middle.max(0.1 * self.w_px))
            } else {
                let covariance_px2 = covariance(along, u_middle, u_middle);
                Mark { at: points[i], kind: MarkKind::Feature, placement: Placement::snapped(covariance_px2, None) }
            }
        });
        Shape { name: "axis 1".to_owned(), kind: Kind::Axis, marks: marks.collect() }
    }

    pub(super) fn breadth(&self, chord: &Chord) -> Shape {
        let along = unit(chord.ends[1] - chord.ends[0]);
        // Where the body is widest under the root of a limb, anything up to that is possible; each end bears half of the variance.
        let hidden = chord.hidden_px / 3f64.sqrt() / 2f64.sqrt();
        let mark = |p: Point<Image>| self.silhouette(p, along, self.u_at(p).hypot(hidden), 0.1 * self.w_px);
        Shape { name: "breadth 1".to_owned(), kind: Kind::Breadth, marks: chord.ends.map(mark).to_vec() }
    }

    /// Vertices of the fine outline about a blur spot apart.
    pub(super) fn outline(&self) -> Shape {
        let points = &self.rim.points;
        let n = points.len();
        let wanted = (perimeter(points) / self.w_px.max(1.0)) as usize;
        let every = n.div_ceil(wanted.clamp(OUTLINE_MARKS.0, OUTLINE_MARKS.1)).max(1);
        let marks = (0..n).step_by(every).map(|i| {
            let along = unit(points[(i + 1) % n] - points[(i + n - 1) % n]);
            let normal = Vector::new(along.y, -along.x);
            let u = self.u_edge(!self.rim.seen[i]);
            self.silhouette(points[i], normal, u.hypot(if self.rim.seen[i] { 0.0 } else { self.u_bulge(i) }), 0.0)
        });
        Shape { name: "outline 1".to_owned(), kind: Kind::Outline, marks: marks.collect() }
    }

    fn silhouette(&self, at: Point<Image>, along: Vector<Image>, u_along: f64, u_across: f64) -> Mark {
        let covariance_px2 = covariance(along, u_along, u_across);
        Mark {
            at,
            kind: MarkKind::Silhouette,
            placement: Placement::snapped(covariance_px2, Some(Levels::of_ground(self.ground))),
        }
    }

    /// Of the silhouette near a place, with what a proposal cannot know.
    fn u_at(&self, p: Point<Image>) -> f64 {
        let points = &self.rim.points;
        let off = |i: &usize| (points[*i] - p).length();
        let nearest = (0..points.len()).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0);
        let hidden = !self.rim.seen.get(nearest).copied().unwrap_or(true);
        let own = self.u_edge(hidden).hypot(UNKNOWN_W * self.w_px);
        if hidden { own.hypot(self.u_bulge(nearest)) } else { own }
    }

    /// Of one stretch of the silhouette as long as crossings hang together.
    fn u_edge(&self, hidden: bool) -> f64 {
        let rim = self.rim.rim_px.map_or(0.0, |r| r / 12f64.sqrt());
        let of_fit = self.rim.scatter_px.hypot(0.01 * self.w_px).hypot(rim);
        if hidden { of_fit * 2f64.sqrt() } else { of_fit }
    }

    /// Of a line drawn across, from the length of its gap.
    fn u_bulge(&self, at: usize) -> f64 {
        let n = self.rim.points.len();
        let run = |back: bool| {
            (0..n).take_while(|k| !self.rim.seen[if back { (at + n - k) % n } else { (at + k) % n }]).count()
        };
        let vertices = (run(true) + run(false)).min(n) as f64;
        BULGE * vertices * perimeter(&self.rim.points) / n as f64
    }
}

fn unit(v: Vector<Image>) -> Vector<Image> {
    v * (1.0 / v.length().max(1e-12))
}

/// xx, xy, yy of independent departures along and across a direction.
fn covariance(along: Vector<Image>, u_along: f64, u_across: f64) -> [f64; 3] {
    let (a, c) = (u_along * u_along, u_across * u_across);
    let (x, y) = (along.x, along.y);
    [a * x * x + c * y * y, (a - c) * x * y, a * y * y + c * x * x]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn covariances_turn_with_their_direction() {
        let (sin, cos) = 0.7f64.sin_cos();
        let [xx, xy, yy] = covariance(Vector::new(cos, sin), 3.0, 0.5);
        let along = xx * cos * cos + 2.0 * xy * sin * cos + yy * sin * sin;
        let across = xx * sin * sin - 2.0 * xy * sin * cos + yy * cos * cos;
        assert!((along - 9.0).abs() < 1e-12 && (across - 0.25).abs() < 1e-12);
    }
}
