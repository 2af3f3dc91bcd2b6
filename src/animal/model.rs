//! Everything measured in one picture as one function of one vector of inputs.
//!
//! The inputs: the scale's sources, the observer's threshold, the tone curve's exponent, the threshold of snapped silhouettes,
//! both coordinates of every mark, how each shape lies and how its curve runs between the marks. Whatever is shared is one input, so that
//! lengths, sums and ratios come out with their covariances.

use super::curve::Curve;
use super::lying::Raise;
use super::mark::{Ground, Kind};
use crate::setup::ScalePlaces;
use crate::slide::ScaleMap;
use crate::uncertainty::Model;
use crate::units::{Image, Point, Slide};

/// An exponent of 1.3 moves an edge by this share of the blur spot, the same way at both ends: measurement model, section 1.
const TONE_SHIFT_PER_W: f64 = 0.08;
/// The exponent that does.
const TONE_EXPONENT: f64 = 1.3;

/// A mark with the places of its departures, px, among the inputs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct MarkPlace {
    pub(super) at: Point<Image>,
    pub(super) dx: usize,
    pub(super) dy: usize,
}

/// How a silhouette end moves outward with the shared inputs.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub(super) struct End {
    /// 1 for a silhouette set by hand, 0 otherwise: share of the observer's threshold.
    pub(super) observer: f64,
    /// −1 for a dark silhouette (the true edge lies inside), 1 for a bright one, 0 for a feature.
    pub(super) tone: f64,
    /// The same for snapped silhouettes: share of the threshold of partly coherent light.
    pub(super) threshold: f64,
}

impl End {
    pub(super) fn feature() -> Self {
        Self::default()
    }

    /// A silhouette set by hand. Which way the tone curve moves it is unknown, but it is the same for all; the sign matters little
    /// since the exponent's logarithm is nearly symmetric about 0.
    pub(super) fn by_hand() -> Self {
        Self { observer: 1.0, tone: -1.0, threshold: 0.0 }
    }

    pub(super) fn snapped(ground: Ground) -> Self {
        let outward = match ground {
            Ground::Bright => -1.0,
            Ground::Dark => 1.0,
        };
        Self { observer: 0.0, tone: outward, threshold: outward }
    }
}

/// Places of the inputs shared by all silhouettes; `None` where the source is off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct SharedPlaces {
    /// Outward shift by the observer, µm.
    pub(super) observer: Option<usize>,
    /// Tone exponent.
    pub(super) exponent: Option<usize>,
    /// Shift by partly coherent light toward the dark side, µm.
    pub(super) threshold: Option<usize>,
}

/// One shape ready to be evaluated.
#[derive(Clone, Debug)]
pub(super) struct Traced {
    pub(super) kind: Kind,
    pub(super) marks: Vec<MarkPlace>,
    pub(super) first: End,
    pub(super) last: End,
    pub(super) raise: Option<Raise>,
    /// Place of the length's departure for the curve between the marks, µm.
    pub(super) between: Option<usize>,
}

impl Traced {
    /// Number of outputs: the whole, and the segments of an appendage.
    pub(super) fn outputs(&self) -> usize {
        1 + self.segments()
    }

    /// The factor from projected to true length.
    fn lift(&self, inputs: &[f64], whole_um: f64) -> f64 {
        self.raise.map_or(1.0, |r| r.factor(inputs, whole_um))
    }

    fn segments(&self) -> usize {
        if self.kind == Kind::Appendage { self.marks.len().saturating_sub(1) } else { 0 }
    }
}

/// The model of a picture.
#[derive(Debug)]
pub(super) struct PictureModel<'a> {
    pub(super) map: &'a ScaleMap,
    /// Lengths through the map times this rest on the mean of all readings.
    pub(super) pooling: f64,
    pub(super) scale: ScalePlaces,
    pub(super) shared: SharedPlaces,
    /// The blur spot, µm.
    pub(super) w_um: f64,
    pub(super) shapes: Vec<Traced>,
}

impl PictureModel<'_> {
    fn on_slide(&self, mark: &MarkPlace, inputs: &[f64], across: f64) -> Point<Slide> {
        let p = Point::new(mark.at.x + inputs[mark.dx], mark.at.y + inputs[mark.dy]);
        let q = self.map.slide_from_image(p);
        Point::new(q.x, q.y * across)
    }

    /// Outward shift of an end, µm.
    fn shift(&self, end: End, inputs: &[f64]) -> f64 {
        let at = |place: Option<usize>| place.map_or(0.0, |i| inputs[i]);
        let tone = self
            .shared
            .exponent
            .map_or(0.0, |i| TONE_SHIFT_PER_W * self.w_um * inputs[i].max(f64::MIN_POSITIVE).ln() / TONE_EXPONENT.ln());
        end.observer * at(self.shared.observer) + end.tone * tone + end.threshold * at(self.shared.threshold)
    }
}

impl Model for PictureModel<'_> {
    type Scratch = Vec<Option<Curve<Slide>>>;

    fn run(&self, inputs: &[f64], outputs: &mut [f64], curves: &mut Self::Scratch) {
        let factor = self.scale.length_factor(inputs) * self.pooling;
        let across = self.scale.across_factor(inputs);
        curves.resize(self.shapes.len(), None);
        let mut rest = outputs;
        for (shape, curve) in self.shapes.iter().zip(curves) {
            let (mine, others) = rest.split_at_mut(shape.outputs().min(rest.len()));
            rest = others;
            let mut points = shape.marks.iter().map(|m| self.on_slide(m, inputs, across));
            let ends = (self.shift(shape.first, inputs), self.shift(shape.last, inputs));
            match (shape.kind, mine) {
                (Kind::Appendage, [whole, segments @ ..]) => {
                    let last = segments.len().saturating_sub(1);
                    let mut before = points.next();
                    *whole = 0.0;
                    for (i, (segment, p)) in segments.iter_mut().zip(points).enumerate() {
                        let drawn = before.map_or(f64::NAN, |b| (p - b).length());
                        before = Some(p);
                        *segment = drawn * factor;
                        *segment += if i == 0 { ends.0 } else { 0.0 } + if i == last { ends.1 } else { 0.0 };
                        *whole += *segment;
                    }
                    // The segments of one animal share the tilt.
                    let lift = shape.lift(inputs, *whole);
                    *whole *= lift;
                    segments.iter_mut().for_each(|s| *s *= lift);
                }
                (Kind::Axis, [whole]) => {
                    let between = shape.between.map_or(0.0, |i| inputs[i]);
                    *whole = axis_length(curve, points) * factor + between + ends.0 + ends.1;
                    *whole *= shape.lift(inputs, *whole);
                }
                (_, [whole]) => {
                    let drawn = match (points.next(), points.next()) {
                        (Some(a), Some(b)) => (b - a).length(),
                        _ => f64::NAN,
                    };
                    *whole = drawn * factor + ends.0 + ends.1;
                    *whole *= shape.lift(inputs, *whole);
                }
                (_, _) => {}
            }
        }
    }
}

/// Length of the curve through `points`, in the memory of an earlier trial where there was one.
fn axis_length(kept: &mut Option<Curve<Slide>>, points: impl Iterator<Item = Point<Slide>>) -> f64 {
    if let Some(curve) = kept {
        curve.reshape(points);
        return curve.quick_length();
    }
    match Curve::through(&points.collect::<Vec<_>>()) {
        Ok(curve) => kept.insert(curve).quick_length(),
        Err(_) => f64::NAN,
    }
}
