//! What a chain of segments looks like: the parameters and the light that follows.

use super::raster::Layer;
use crate::units::{Image, Point, Vector};

/// Stations of a segment's profile, crowded toward both ends, where it rises steeply.
const PROFILE: usize = 48;

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
    /// Light of the ground in the middle of the patch, and its slopes per patch width.
    pub(super) fn ground(&self) -> usize {
        self.belly() + 4
    }
    /// Light of the body against the ground, the turn of its edge, its curvature per cell.
    pub(super) fn body(&self) -> usize {
        self.belly() + 7
    }
    pub(super) fn count(&self) -> usize {
        self.body() + if self.first == EndKind::Body { 3 } else { 0 }
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
        let sides = self.half_at(u) - t.abs();
        let lengthwise = u.min(self.length - u);
        match self.cap {
            Some((begin, a, b)) if u > begin => ellipse((u - begin) / a, t / b, a, b),
            Some(_) => sides.min(u),
            None => sides.min(lengthwise),
        }
    }

    fn bounds(&self) -> [f64; 4] {
        let to = self.from + self.along * self.length;
        let r = self.profile.iter().copied().fold(0.0, f64::max);
        around([self.from, to], r)
    }
}

fn around(points: [Point<Image>; 2], r: f64) -> [f64; 4] {
    let [a, b] = points;
    [a.x.min(b.x) - r, a.y.min(b.y) - r, a.x.max(b.x) + r, a.y.max(b.y) + r]
}

/// Signed distance to an ellipse to first order, positive inside: (1 − f) over the gradient of f = p² + q².
fn ellipse(p: f64, q: f64, a: f64, b: f64) -> f64 {
    let f = p * p + q * q;
    let gradient = 2.0 * (p / a).hypot(q / b);
    if gradient < 1e-6 { a.min(b) } else { (1.0 - f) / gradient }
}

/// The light of the chain and its body against the ground, without blur.
pub(super) fn drawn(layout: &Layout, p: &[f64], columns: usize, rows: usize) -> Layer {
    let mut layer = Layer::new(columns, rows);
    let n = layout.segments();
    let mark = |i: usize| Point::<Image>::new(p[layout.mark(i)], p[layout.mark(i) + 1]);
    let half = |i: usize| p[layout.half(i)].abs().max(0.2);
    let neck = |i: usize| {
        let beside = if i == 0 { half(0) } else { 0.5 * (half(i - 1) + half(i)) };
        (p[layout.neck(i)].clamp(0.05, 1.5) * beside).max(0.1)
    };
    let segments: Vec<Segment> = (0..n)
        .map(|i| {
            let to_tip = i + 1 == n && layout.last != EndKind::On;
            let from_neck = neck(i);
            let to_neck = if i + 1 < n { neck(i + 1) } else { half(i) };
            segment((mark(i), mark(i + 1)), (from_neck, half(i), to_neck), p, layout, to_tip)
        })
        .collect();
    let overlap = p[layout.overlap()].clamp(-2.5, 2.5);
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
        body(&mut layer, &segments[0], p, layout);
    }
    layer
}

/// A segment narrowed to `from` and `to` at its joints and `mid` wide between.
fn segment(
    (a, b): (Point<Image>, Point<Image>),
    (from, mid, to): (f64, f64, f64),
    p: &[f64],
    layout: &Layout,
    to_tip: bool,
) -> Segment {
    let v = b - a;
    let length = v.length().max(0.5);
    let along = v * (1.0 / length);
    let exponent = p[layout.belly()].exp();
    let mut profile = [0.0; PROFILE + 1];
    for (k, out) in profile.iter_mut().enumerate() {
        let t = 0.5 * (1.0 - (std::f64::consts::PI * k as f64 / PROFILE as f64).cos());
        let belly = (std::f64::consts::PI * t).sin().max(0.0).powf(exponent);
        *out = if to_tip {
            if t < 0.5 { from + (mid - from) * belly } else { mid }
        } else {
            let ends = from + (to - from) * t;
            ends + (mid - ends) * belly
        };
    }
    let cap = to_tip.then(|| {
        let a = (p[layout.cap()].clamp(0.2, 3.0) * mid).min(0.6 * length);
        (length - a, a, mid)
    });
    Segment { from: a, along, across: Vector::new(-along.y, along.x), length, profile, cap }
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
    let everywhere = [0.0, 0.0, layer.columns as f64, layer.rows as f64];
    let end = if way > 0.0 { segment.from + segment.along * segment.length } else { segment.from };
    layer.lay(everywhere, tone, |x, y| {
        let v = Point::new(x, y) - end;
        (way * v.dot(segment.along)).min(half - v.dot(segment.across).abs())
    });
}

/// The body lies over the first segment; its edge, an arc, crosses it where that begins.
fn body(layer: &mut Layer, first: &Segment, p: &[f64], layout: &Layout) {
    let at = layout.body();
    let (sin, cos) = p[at + 1].sin_cos();
    let outward = first.along * cos + first.across * sin;
    let beside = Vector::new(-outward.y, outward.x);
    let bend = p[at + 2];
    let everywhere = [0.0, 0.0, layer.columns as f64, layer.rows as f64];
    // A circle through the place where the segment begins: negative within, its gradient beside it.
    layer.lay(everywhere, p[at], |x, y| {
        let v = Point::new(x, y) - first.from;
        let (out, t) = (v.dot(outward), v.dot(beside));
        -(out + 0.5 * bend * (out * out + t * t)) / (1.0 + bend * out).hypot(bend * t).max(0.1)
    });
}
