//! What a chain of segments looks like: the parameters and the light that follows.

use std::sync::LazyLock;

use super::raster::Layer;
use crate::units::{Image, Point, Vector};

/// Stations of a segment's profile, crowded toward both ends, where it rises steeply.
const PROFILE: usize = 48;
/// Farthest that one segment reaches over another, in half widths of the joint.
const MOST_OVERLAP: f64 = 2.5;
/// Stations as shares of a segment's length, and sin πt there.
static STATIONS: LazyLock<[(f64, f64); PROFILE + 1]> = LazyLock::new(|| {
    std::array::from_fn(|k| {
        let t = 0.5 * (1.0 - (std::f64::consts::PI * k as f64 / PROFILE as f64).cos());
        (t, (std::f64::consts::PI * t).sin().max(0.0))
    })
});
/// Half width of a joint over the mean of its neighbours' greatest, at most. In a short chain joints are waists, no wider than the segments
/// beside them: let be wider, a joint behind a segment of one blur spot was drawn as a bulge in the middle of the next one, with a small u. In a
/// longer one that happens not, and an even bar would seem to have a joint that is known, where it ends at the limit.
const WIDEST_NECK: f64 = 1.5;
const WIDEST_NECK_SHORT: f64 = 1.0;
/// A box about nothing.
const NOWHERE: [f64; 4] = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
/// Everywhere.
const NO_BOUNDS: [f64; 4] = [f64::NEG_INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::INFINITY];

/// What there is at one end of the chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum EndKind {
    /// It springs from a body, whose edge crosses it there.
    Body,
    /// A free, rounded tip.
    Tip,
    /// It goes on: what lies beyond is not measured.
    On,
}

/// Places of the parameters.
#[derive(Clone, Copy, Debug)]
pub(super) struct Layout {
    pub(super) marks: usize,
    pub(super) first: EndKind,
    pub(super) last: EndKind,
    /// Whether its segments are short against the blur spot.
    pub(super) short: bool,
}

impl Layout {
    pub(super) fn segments(&self) -> usize {
        self.marks - 1
    }
    /// x of a mark, y behind it; cells.
    pub(super) fn mark(&self, i: usize) -> usize {
        2 * i
    }
    /// Greatest half width of a segment, cells.
    pub(super) fn half(&self, i: usize) -> usize {
        2 * self.marks + i
    }
    /// Light of a segment against the ground.
    pub(super) fn tone(&self, i: usize) -> usize {
        self.half(self.segments()) + i
    }
    /// Half width at the joint where segment `i` begins, over the mean of its neighbours' greatest.
    pub(super) fn neck(&self, i: usize) -> usize {
        self.tone(self.segments()) + i
    }
    /// ln of the exponent of the profile.
    pub(super) fn belly(&self) -> usize {
        self.neck(self.segments())
    }
    /// How far the later of two segments reaches over the earlier, in half widths of the joint; negative the other way round.
    pub(super) fn overlap(&self) -> usize {
        self.belly() + 1
    }
    /// ln of the width of the core of the blur over the one expected.
    pub(super) fn blur(&self) -> usize {
        self.belly() + 2
    }
    /// Length of the rounded tip in half widths.
    pub(super) fn cap(&self) -> usize {
        self.belly() + 3
    }
    /// Light of the ground in the middle of the patch, and how the light that falls on everything changes per patch width.
    pub(super) fn ground(&self) -> usize {
        self.belly() + 4
    }
    /// Light of the body against the ground, the turn of its edge, its curvature per cell.
    pub(super) fn body(&self) -> usize {
        self.belly() + 7
    }
    /// How far behind the body's edge the first segment's own outline begins, cells: edge and waist of a socket are two things, and the
    /// threshold of the edge moves the one alone.
    pub(super) fn sunk(&self) -> usize {
        self.body() + 3
    }
    pub(super) fn count(&self) -> usize {
        self.body() + if self.first == EndKind::Body { 4 } else { 0 }
    }

    /// First and end of the segments that a parameter changes; `None` where it changes what has no bounds: the body, or a segment that
    /// goes on beyond its end.
    fn touched(&self, parameter: usize) -> Option<(usize, usize)> {
        let n = self.segments();
        let around = |i: usize, before: usize, behind: usize| (i.saturating_sub(before), (i + behind + 1).min(n));
        let (from, to) = match parameter {
            j if j < self.half(0) => around(j / 2, 1, 0),
            j if j < self.tone(0) => around(j - self.half(0), 1, 1),
            j if j < self.neck(0) => around(j - self.tone(0), 0, 1),
            j if j < self.belly() => around(j - self.neck(0), 1, 0),
            j if j == self.cap() => (n - 1, n),
            j if j == self.sunk() => (0, 1),
            _ => (0, n),
        };
        let of_body = (self.body()..self.sunk()).contains(&parameter)
            || (parameter < self.mark(2) && self.first == EndKind::Body);
        let goes_on = (from == 0 && self.first == EndKind::On) || (to == n && self.last == EndKind::On);
        (!(of_body || goes_on)).then_some((from, to))
    }
}

/// A segment in its own frame.
struct Segment {
    from: Point<Image>,
    along: Vector<Image>,
    across: Vector<Image>,
    length: f64,
    /// Half widths from end to end: station k at the share (1 − cos(π k / 48)) / 2.
    profile: [f64; PROFILE + 1],
    widest: f64,
    /// Where the round tip begins, and its half axes; none for a joint.
    cap: Option<(f64, f64, f64)>,
}

impl Segment {
    fn half_at(&self, u: f64) -> f64 {
        let share = (u / self.length).clamp(0.0, 1.0);
        let x = (1.0 - 2.0 * share).acos() * (PROFILE as f64 / std::f64::consts::PI);
        let k = (x as usize).min(PROFILE - 1);
        self.profile[k] + (x - k as f64) * (self.profile[k + 1] - self.profile[k])
    }

    /// Signed distance, positive inside, good near the rim.
    fn inside(&self, x: f64, y: f64) -> f64 {
        let v = Point::new(x, y) - self.from;
        let (u, t) = (v.dot(self.along), v.dot(self.across));
        let lengthwise = u.min(self.length - u);
        // Well outside nothing needs to be exact.
        let outside = lengthwise.min(self.widest - t.abs());
        if outside < -1.0 {
            return outside;
        }
        let sides = self.half_at(u) - t.abs();
        match self.cap {
            Some((begin, a, b)) if u > begin => ellipse((u - begin) / a, t / b, a, b),
            Some(_) => sides.min(u),
            None => sides.min(lengthwise),
        }
    }

    fn bounds(&self) -> [f64; 4] {
        around([self.from, self.from + self.along * self.length], self.widest)
    }
}

fn both(a: [f64; 4], b: [f64; 4]) -> [f64; 4] {
    [a[0].min(b[0]), a[1].min(b[1]), a[2].max(b[2]), a[3].max(b[3])]
}

fn around(points: [Point<Image>; 2], r: f64) -> [f64; 4] {
    let [a, b] = points;
    [a.x.min(b.x) - r, a.y.min(b.y) - r, a.x.max(b.x) + r, a.y.max(b.y) + r]
}

/// `value` over the root of `square`; a cell or more from the rim only its sign counts.
fn near_rim(value: f64, square: f64) -> f64 {
    if value * value >= square { 1f64.copysign(value) } else { value / square.sqrt() }
}

/// Signed distance to an ellipse to first order, positive inside: (1 − f) over the gradient of f = p² + q².
fn ellipse(p: f64, q: f64, a: f64, b: f64) -> f64 {
    let f = p * p + q * q;
    let (x, y) = (p / a, q / b);
    let square = 4.0 * (x * x + y * y);
    if square < 1e-12 { a.min(b) } else { near_rim(1.0 - f, square) }
}

/// Half widths of a segment at its ends and between.
fn halves(layout: &Layout, p: &[f64], i: usize) -> (f64, f64, f64) {
    let half = |i: usize| p[layout.half(i)].abs().max(0.2);
    let widest = if layout.short { WIDEST_NECK_SHORT } else { WIDEST_NECK };
    let neck = |i: usize| {
        let beside = if i == 0 { half(0) } else { 0.5 * (half(i - 1) + half(i)) };
        (p[layout.neck(i)].clamp(0.05, widest) * beside).max(0.1)
    };
    (neck(i), half(i), if i + 1 < layout.segments() { neck(i + 1) } else { half(i) })
}

fn mark(layout: &Layout, p: &[f64], i: usize) -> Point<Image> {
    Point::new(p[layout.mark(i)], p[layout.mark(i) + 1])
}

/// Where a segment is drawn from and to.
fn ends(layout: &Layout, p: &[f64], i: usize) -> (Point<Image>, Point<Image>) {
    let (a, b) = (mark(layout, p, i), mark(layout, p, i + 1));
    if i > 0 || layout.first != EndKind::Body {
        return (a, b);
    }
    let v = b - a;
    // The segment keeps some length whatever is tried.
    let sunk = p[layout.sunk()].max(-0.5 * v.length());
    (a + v * (-sunk / v.length().max(1e-9)), b)
}

fn segments(layout: &Layout, p: &[f64]) -> Vec<Segment> {
    let n = layout.segments();
    let exponent = p[layout.belly()].exp();
    let mut bellies = [0.0; PROFILE + 1];
    bellies.iter_mut().zip(STATIONS.iter()).for_each(|(out, (_, sine))| *out = sine.powf(exponent));
    let of = |i: usize| {
        let to_tip = i + 1 == n && layout.last != EndKind::On;
        segment(ends(layout, p, i), halves(layout, p, i), &bellies, (p[layout.cap()], to_tip))
    };
    (0..n).map(of).collect()
}

/// The cells within `of` outside of which a change of one parameter from `p` to `moved` changes nothing.
pub(super) fn changed(layout: &Layout, parameter: usize, p: &[f64], moved: &[f64], of: [usize; 4]) -> [usize; 4] {
    let Some((from, to)) = layout.touched(parameter) else { return of };
    let bounds = |p: &[f64], i: usize| {
        let (neck, half, next) = halves(layout, p, i);
        let (a, b) = ends(layout, p, i);
        both(around([a, b], half.max(neck).max(next)), around([a, a], MOST_OVERLAP * neck))
    };
    let [x0, y0, x1, y1] = (from..to).map(|i| both(bounds(p, i), bounds(moved, i))).fold(NOWHERE, both);
    let first = |v: f64, least: usize, most: usize| (v - 1.0).floor().clamp(least as f64, most as f64) as usize;
    let end = |v: f64, least: usize, most: usize| (v + 1.0).ceil().clamp(least as f64, most as f64) as usize;
    let (x0, y0) = (first(x0, of[0], of[2]), first(y0, of[1], of[3]));
    [x0, y0, end(x1, x0, of[2]), end(y1, y0, of[3])]
}

/// The light of the chain and its body against the ground, without blur, in a window of cells.
pub(super) fn drawn(layout: &Layout, p: &[f64], window: [usize; 4]) -> Layer {
    let mut layer = Layer::window(window);
    let n = layout.segments();
    let segments = segments(layout, p);
    let overlap = p[layout.overlap()].clamp(-MOST_OVERLAP, MOST_OVERLAP);
    let tone = |i: usize| p[layout.tone(i)];
    if layout.first == EndKind::On {
        run_on(&mut layer, &segments[0], tone(0), -1.0);
    }
    for (i, segment) in segments.iter().enumerate() {
        let r = segment.profile[0];
        if i > 0 || layout.first != EndKind::Tip {
            // The wedge that two straight segments leave open at a bend.
            let before = if i > 0 { tone(i - 1) } else { tone(i) };
            disc(&mut layer, segment, r, r, before);
        }
        if overlap > 0.0 && i > 0 {
            disc(&mut layer, segment, overlap * r, r, tone(i));
        }
        layer.lay(segment.bounds(), tone(i), |x, y| segment.inside(x, y));
        if overlap < 0.0 && i > 0 {
            disc(&mut layer, segment, -overlap * r, r, tone(i - 1));
        }
    }
    if layout.last == EndKind::On {
        run_on(&mut layer, &segments[n - 1], tone(n - 1), 1.0);
    }
    if layout.first == EndKind::Body {
        body(&mut layer, mark(layout, p, 0), &segments[0], p, layout);
    }
    layer
}

/// A segment narrowed to `from` and `to` at its joints and `mid` wide between.
fn segment(
    (a, b): (Point<Image>, Point<Image>),
    (from, mid, to): (f64, f64, f64),
    bellies: &[f64; PROFILE + 1],
    (cap, to_tip): (f64, bool),
) -> Segment {
    let v = b - a;
    let length = v.length().max(0.5);
    let along = v * (1.0 / length);
    let mut profile = [0.0; PROFILE + 1];
    for (out, (t, belly)) in profile.iter_mut().zip(STATIONS.iter().map(|s| s.0).zip(bellies)) {
        *out = if to_tip {
            if t < 0.5 { from + (mid - from) * belly } else { mid }
        } else {
            let ends = from + (to - from) * t;
            ends + (mid - ends) * belly
        };
    }
    let cap = to_tip.then(|| {
        let a = (cap.clamp(0.2, 3.0) * mid).min(0.6 * length);
        (length - a, a, mid)
    });
    let widest = profile.iter().copied().fold(0.0, f64::max);
    Segment { from: a, along, across: Vector::new(-along.y, along.x), length, profile, widest, cap }
}

/// An ellipse about the place where a segment begins, half axes along and across.
fn disc(layer: &mut Layer, segment: &Segment, a: f64, b: f64, tone: f64) {
    let (a, b) = (a.max(0.05), b.max(0.05));
    layer.lay(around([segment.from, segment.from], a.max(b)), tone, |x, y| {
        let v = Point::new(x, y) - segment.from;
        ellipse(v.dot(segment.along) / a, v.dot(segment.across) / b, a, b)
    });
}

/// What lies beyond an end that is not measured: as wide as the segment, as far as the patch.
fn run_on(layer: &mut Layer, segment: &Segment, tone: f64, way: f64) {
    let half = segment.profile[PROFILE / 2];
    let end = if way > 0.0 { segment.from + segment.along * segment.length } else { segment.from };
    layer.lay(NO_BOUNDS, tone, |x, y| {
        let v = Point::new(x, y) - end;
        (way * v.dot(segment.along)).min(half - v.dot(segment.across).abs())
    });
}

/// The body lies over the first segment; its edge, an arc, crosses it at the first mark.
fn body(layer: &mut Layer, at_edge: Point<Image>, first: &Segment, p: &[f64], layout: &Layout) {
    let at = layout.body();
    let (sin, cos) = p[at + 1].sin_cos();
    let outward = first.along * cos + first.across * sin;
    let beside = Vector::new(-outward.y, outward.x);
    let bend = p[at + 2];
    // A circle through the first mark: negative within, its gradient beside it.
    layer.lay(NO_BOUNDS, p[at], |x, y| {
        let v = Point::new(x, y) - at_edge;
        let (out, t) = (v.dot(outward), v.dot(beside));
        let (x, y) = (1.0 + bend * out, bend * t);
        near_rim(-(out + 0.5 * bend * (out * out + t * t)), (x * x + y * y).max(0.01))
    });
}
