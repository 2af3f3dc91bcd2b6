//! Everything measured in one picture as one function of one vector of inputs.
//!
//! The inputs: the scale's sources, the observer's threshold, the tone curve's exponent, the threshold of snapped silhouettes,
//! both coordinates of every mark, how each shape lies and how its curve runs between the marks. Whatever is shared is one input, so that
//! lengths, sums and ratios come out with their covariances.

use super::closed::{Closed, FIGURES};
use super::curve::Curve;
use super::lying::Raise;
use super::mark::{Ground, Kind, Levels};
use crate::setup::ScalePlaces;
use crate::slide::ScaleMap;
use crate::uncertainty::Model;
use crate::units::{Image, Point, Slide, Vector};

/// An exponent of 1.3 moves an edge by this share of the blur spot, the same way at both ends: measurement model, section 1.
const TONE_SHIFT_PER_W: f64 = 0.08;
/// The exponent that does.
const TONE_EXPONENT: f64 = 1.3;

/// An edge met at less than a sixth of a right angle is no end of a length.
const MOST_SLANT: f64 = 4.0;

/// Slope of the edge response at its middle, per blur spot: diffraction 1.12 (closed form), Gaussian 1.02.
const EDGE_SLOPE_PER_W: f64 = 1.1;

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
    /// Recorded light of animal and ground, where it is known.
    pub(super) levels: Option<Levels>,
}

impl End {
    pub(super) fn feature() -> Self {
        Self::default()
    }

    /// A silhouette set by hand. Which way the tone curve moves it is unknown, but it is the same for all; the sign matters little
    /// since the exponent's logarithm is nearly symmetric about 0.
    pub(super) fn by_hand() -> Self {
        Self { observer: 1.0, tone: -1.0, ..Self::default() }
    }

    pub(super) fn snapped(levels: Levels) -> Self {
        let outward = match levels.ground_is() {
            Ground::Bright => -1.0,
            Ground::Dark => 1.0,
        };
        Self { observer: 0.0, tone: outward, threshold: outward, levels: Some(levels) }
    }

    /// A silhouette set by hand beside a snapped one: the eye sees the edge of the same recorded light, so that a tone curve moves both alike.
    pub(super) fn beside(self, snapped: Self) -> Self {
        let known = self.observer > 0.0 && snapped.threshold != 0.0;
        if known { Self { tone: self.tone.abs().copysign(snapped.threshold), ..self } } else { self }
    }

    /// What it adds to the shift of a closed line of which this share is like it.
    pub(super) fn share(self, share: f64) -> Self {
        let Self { observer, tone, threshold, levels } = self;
        Self { observer: share * observer, tone: share * tone, threshold: share * threshold, levels }
    }

    /// The same where the edge is met aslant: it moves by the same square to itself, and by this much more along the shape.
    pub(super) fn aslant(self, slant: Option<f64>) -> Self {
        let slant = slant.filter(|s| s.is_finite()).map_or(1.0, |s| s.clamp(1.0, MOST_SLANT));
        Self { tone: slant * self.tone, threshold: slant * self.threshold, ..self }
    }

    /// By how many blur spots a tone curve of this exponent moves the half-way point to the bright side.
    ///
    /// With the levels known, the recorded half-way point is at the share `q` of the true light, and `(q − ½) / slope` away.
    fn tone_shift_w(&self, exponent: f64) -> f64 {
        let exponent = exponent.max(0.05);
        let Some(Levels { animal, ground }) = self.levels else {
            return TONE_SHIFT_PER_W * exponent.ln() / TONE_EXPONENT.ln();
        };
        let (low, high) = (animal.min(ground).max(0.0), animal.max(ground).max(1e-6));
        let power = 1.0 / exponent;
        let (dark, bright) = (low.powf(power), high.powf(power));
        ((0.5 * (low + high)).powf(power) - dark) / (bright - dark).max(1e-12) / EDGE_SLOPE_PER_W
            - 0.5 / EDGE_SLOPE_PER_W
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

/// A closed line ready to be evaluated: its figures as drawn, and the places of their departures among the inputs.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Enclosed {
    pub(super) figures: Closed,
    /// Of the block of departures by the marks, and of the first departure by the curve between them.
    pub(super) departures: usize,
    pub(super) between: usize,
}

/// One shape ready to be evaluated.
#[derive(Clone, Debug)]
pub(super) struct Traced {
    pub(super) kind: Kind,
    pub(super) marks: Vec<MarkPlace>,
    /// Its ends; of an outline what its marks by hand and its snapped ones move it outward by, each by their share of it.
    pub(super) first: End,
    pub(super) last: End,
    pub(super) raise: Option<Raise>,
    /// The same across an outline's longest caliper, where it is tilted both ways.
    pub(super) raise_across: Option<Raise>,
    /// Place of the direction in which it is tilted, radians, for outlines and angles that are tilted one way.
    pub(super) azimuth: Option<usize>,
    /// Place of the length's departure for the curve between the marks, µm.
    pub(super) between: Option<usize>,
    pub(super) enclosed: Option<Enclosed>,
}

impl Traced {
    /// Number of outputs: the whole, and its parts.
    pub(super) fn outputs(&self) -> usize {
        1 + match self.kind {
            Kind::Appendage => self.marks.len().saturating_sub(1),
            Kind::Outline => FIGURES - 1,
            _ => 0,
        }
    }

    /// The factor from projected to true length.
    fn lift(&self, inputs: &[f64], whole_um: f64) -> f64 {
        self.raise.map_or(1.0, |r| r.factor(inputs, whole_um))
    }

    /// Unit vector of the direction in which it is tilted.
    fn tilted_along(&self, inputs: &[f64]) -> Vector<Slide> {
        let angle = self.azimuth.map_or(0.0, |i| inputs[i]);
        Vector::new(angle.cos(), angle.sin())
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
    /// Ratios and sums, behind the shapes' outputs; they name places among the outputs.
    pub(super) combined: Vec<Combined>,
}

/// A ratio or sum over places among the outputs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Combined {
    Ratio(usize, usize),
    Sum(Vec<usize>),
}

/// What every shape of a trial shares.
#[derive(Clone, Copy, Debug)]
struct Common {
    factor: f64,
    across: f64,
}

impl PictureModel<'_> {
    fn common(&self, inputs: &[f64]) -> Common {
        Common { factor: self.scale.length_factor(inputs) * self.pooling, across: self.scale.across_factor(inputs) }
    }

    fn on_slide(&self, mark: &MarkPlace, inputs: &[f64], across: f64) -> Point<Slide> {
        let p = Point::new(mark.at.x + inputs[mark.dx], mark.at.y + inputs[mark.dy]);
        let q = self.map.slide_from_image(p);
        Point::new(q.x, q.y * across)
    }

    /// Outward shift of an end, µm.
    fn shift(&self, end: End, inputs: &[f64]) -> f64 {
        let at = |place: Option<usize>| place.map_or(0.0, |i| inputs[i]);
        let tone = self.shared.exponent.map_or(0.0, |i| self.w_um * end.tone_shift_w(inputs[i]));
        end.observer * at(self.shared.observer) + end.tone * tone + end.threshold * at(self.shared.threshold)
    }

    /// The outputs of one shape.
    fn shape(
        &self,
        shape: &Traced,
        inputs: &[f64],
        common: Common,
        mine: &mut [f64],
        curve: &mut Option<Curve<Slide>>,
    ) {
        let mut points = shape.marks.iter().map(|m| self.on_slide(m, inputs, common.across));
        let ends = (self.shift(shape.first, inputs), self.shift(shape.last, inputs));
        match (shape.kind, mine) {
            (Kind::Appendage, [whole, segments @ ..]) => {
                let last = segments.len().saturating_sub(1);
                let mut before = points.next();
                *whole = 0.0;
                for (i, (segment, p)) in segments.iter_mut().zip(points).enumerate() {
                    let drawn = before.map_or(f64::NAN, |b| (p - b).length());
                    before = Some(p);
                    *segment = drawn * common.factor;
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
                *whole = axis_length(curve, points) * common.factor + between + ends.0 + ends.1;
                *whole *= shape.lift(inputs, *whole);
            }
            (Kind::Outline, mine) => self.outline(shape, inputs, common, ends.0 + ends.1, mine),
            (Kind::Angle, [whole]) => {
                let (Some(a), Some(vertex), Some(b)) = (points.next(), points.next(), points.next()) else {
                    *whole = f64::NAN;
                    return;
                };
                let e = shape.tilted_along(inputs);
                let longer = ((a - vertex).length() + (b - vertex).length()) * common.factor;
                let more = shape.lift(inputs, longer) - 1.0;
                let raised = |v: Vector<Slide>| v + e * (more * v.dot(e));
                let (a, b) = (raised(a - vertex), raised(b - vertex));
                *whole = (a.x * b.y - a.y * b.x).abs().atan2(a.dot(b)).to_degrees();
            }
            (_, [whole]) => {
                let drawn = match (points.next(), points.next()) {
                    (Some(a), Some(b)) => (b - a).length(),
                    _ => f64::NAN,
                };
                *whole = drawn * common.factor + ends.0 + ends.1;
                *whole *= shape.lift(inputs, *whole);
            }
            (_, _) => {}
        }
    }

    /// Area, perimeter and calipers: all silhouette moves outward by `shift`, µm.
    fn outline(&self, shape: &Traced, inputs: &[f64], common: Common, shift: f64, mine: &mut [f64]) {
        let Some(Enclosed { figures, departures, between }) = &shape.enclosed else {
            mine.fill(f64::NAN);
            return;
        };
        let f = common.factor;
        let drawn = |k: usize| {
            let stretched = 1.0 + figures.across[k] * (common.across - 1.0);
            figures.values[k] * stretched + inputs[departures + k] + inputs[between + k]
        };
        let perimeter = drawn(1) * f;
        // Steiner's formulae for a parallel curve; exact where it is convex.
        let turn = std::f64::consts::PI;
        let flat = [
            drawn(0) * f * f + shift * perimeter + turn * shift * shift,
            perimeter + 2.0 * turn * shift,
            drawn(2) * f + 2.0 * shift,
            drawn(3) * f + 2.0 * shift,
        ];
        let more = shape.lift(inputs, flat[2]) - 1.0;
        let aside = shape.raise_across.map_or(0.0, |r| r.factor(inputs, flat[3]) - 1.0);
        let [xx, xy, yy] = figures.spread[2];
        let longest = Vector::new(xx.sqrt(), yy.sqrt().copysign(xy));
        let e = if shape.raise_across.is_some() { longest } else { shape.tilted_along(inputs) };
        for (k, (out, flat)) in mine.iter_mut().zip(flat).enumerate() {
            let [xx, xy, yy] = figures.spread[k];
            let along = xx * e.x * e.x + 2.0 * xy * e.x * e.y + yy * e.y * e.y;
            let longer = if k == 0 { more + aside + more * aside } else { more * along + aside * (1.0 - along) };
            *out = flat * (1.0 + longer);
        }
    }

    /// The outputs of shape `s` alone.
    pub(super) fn run_one(&self, s: usize, inputs: &[f64], mine: &mut [f64], curves: &mut Vec<Option<Curve<Slide>>>) {
        curves.resize(self.shapes.len(), None);
        if let (Some(shape), Some(curve)) = (self.shapes.get(s), curves.get_mut(s)) {
            self.shape(shape, inputs, self.common(inputs), mine, curve);
        }
    }

    /// Inputs that are coordinates of marks of shape `s`.
    pub(super) fn marks_of(&self, s: usize) -> Vec<usize> {
        self.shapes.get(s).map_or(Vec::new(), |shape| shape.marks.iter().flat_map(|m| [m.dx, m.dy]).collect())
    }

    fn combine(&self, outputs: &mut [f64], shapes: usize) {
        let (own, combined) = outputs.split_at_mut(shapes);
        for (out, how) in combined.iter_mut().zip(&self.combined) {
            *out = match how {
                Combined::Ratio(a, b) => own[*a] / own[*b],
                Combined::Sum(terms) => terms.iter().map(|t| own[*t]).sum(),
            };
        }
    }
}

impl Model for PictureModel<'_> {
    type Scratch = Vec<Option<Curve<Slide>>>;

    fn run(&self, inputs: &[f64], outputs: &mut [f64], curves: &mut Self::Scratch) {
        let common = self.common(inputs);
        curves.resize(self.shapes.len(), None);
        let mut at = 0;
        for (shape, curve) in self.shapes.iter().zip(curves) {
            let n = shape.outputs();
            if let Some(mine) = outputs.get_mut(at..at + n) {
                self.shape(shape, inputs, common, mine, curve);
            }
            at += n;
        }
        self.combine(outputs, at);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_edge_met_aslant_moves_farther_along_the_shape() {
        let end = End::snapped(Levels { animal: 0.1, ground: 0.6 });
        let slanted = end.aslant(Some(1.25));
        assert!(
            (slanted.threshold / end.threshold - 1.25).abs() < 1e-12 && (slanted.tone / end.tone - 1.25).abs() < 1e-12
        );
        assert_eq!(end.aslant(None), end);
        // What a file says against all geometry is not followed.
        assert_eq!(end.aslant(Some(0.2)), end);
        assert_eq!(end.aslant(Some(f64::NAN)), end);
        assert!((end.aslant(Some(1e9)).threshold / end.threshold - MOST_SLANT).abs() < 1e-12);
    }

    #[test]
    fn a_tone_curve_moves_edges_less_where_the_contrast_is_less() {
        let end = |animal, ground| End::snapped(Levels { animal, ground }).tone_shift_w(1.3);
        // Black on white: 0.5^(1/1.3) = 0.5867 of the light at the recorded half-way point; the model's 0.08 w.
        assert!((end(0.0, 0.8) - 0.0867 / 1.1).abs() < 1e-3 && (end(0.0, 0.8) - 0.08).abs() < 0.005);
        // Animal at 0.3 of the ground: (0.65^(1/1.3) − 0.3961) / 0.6039 = 0.5327.
        assert!((end(0.24, 0.8) - 0.0327 / 1.1).abs() < 2e-3, "{}", end(0.24, 0.8));
        assert!((end(0.8, 0.24) - end(0.24, 0.8)).abs() < 1e-12);
        assert!(End::snapped(Levels { animal: 0.1, ground: 0.6 }).tone_shift_w(1.0).abs() < 1e-12);
        assert!((End::by_hand().tone_shift_w(1.3) - 0.08).abs() < 1e-12);
    }
}
