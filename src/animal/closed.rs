//! What a closed line encloses, and how its figures change with its points.

use super::curve::{Curve, CurveError};
use crate::units::{Point, Slide, Vector};

/// Points set between two marks of an outline, along the smooth curve.
const PER_PIECE: usize = 8;
/// Directions in which calipers are looked for: every half degree; a caliper's maximum is flat, its error below 1e-5.
const DIRECTIONS: usize = 360;

/// Area, perimeter and calipers of a closed line, in the order in which they are evaluated.
pub(super) const FIGURES: usize = 4;

/// A closed line on the slide.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Closed {
    /// Area µm², perimeter, longest and shortest caliper, µm.
    pub(super) values: [f64; FIGURES],
    /// How each grows with a further scale of the y direction: exponent of that factor.
    pub(super) across: [f64; FIGURES],
    /// Mean square of the direction for the perimeter, direction for the calipers: cos², cos sin, sin² against x.
    pub(super) spread: [[f64; 3]; FIGURES],
    /// Derivatives by each mark: of every figure, x and y.
    pub(super) slopes: Vec<[Vector<Slide>; FIGURES]>,
    /// Half-width by which area and perimeter may be off for the curve between the marks.
    pub(super) between: [f64; FIGURES],
}

impl Closed {
    /// The smooth closed curve through `marks` and its figures.
    ///
    /// # Errors
    /// [`CurveError`] for fewer than three marks or two at the same place.
    pub(super) fn through(marks: &[Point<Slide>]) -> Result<Self, CurveError> {
        if marks.len() < 3 {
            return Err(CurveError::TooFewMarks { found: marks.len() });
        }
        let ring = Ring::through(marks)?;
        let line = ring.points();
        let (signed, perimeter) = ring.area_and_perimeter();
        let (area, sign) = (signed.abs(), signed.signum());
        let (longest, shortest) = calipers(&line);
        let n = marks.len();
        let mut slopes = vec![[Vector::new(0.0, 0.0); FIGURES]; n];
        for (i, slope) in slopes.iter_mut().enumerate() {
            let (before, at, after) = (marks[(i + n - 1) % n], marks[i], marks[(i + 1) % n]);
            let chord = after - before;
            slope[0] = Vector::new(chord.y, -chord.x) * (0.5 * sign);
            let (a, b) = (at - before, at - after);
            slope[1] = a * (1.0 / a.length()) + b * (1.0 / b.length());
        }
        for (figure, caliper) in [(2, &longest), (3, &shortest)] {
            for (place, way) in [(caliper.first, -1.0), (caliper.last, 1.0)] {
                let nearest = nearest_mark(marks, line[place]);
                slopes[nearest][figure] = slopes[nearest][figure] + caliper.direction * way;
            }
        }
        let tangents = direction_spread(&line);
        let spread_of = |c: &Caliper| [c.direction.x.powi(2), c.direction.x * c.direction.y, c.direction.y.powi(2)];
        let spread = [[0.5, 0.0, 0.5], tangents, spread_of(&longest), spread_of(&shortest)];
        let sparse = sparse(marks).map(|s| s.area_and_perimeter()).map(|(a, p)| (a.abs(), p));
        let rough = chords(marks);
        let off = |fine: f64, sparse: Option<f64>, rough: f64| {
            sparse.map_or(0.5 * (fine - rough).abs(), |s| (fine - s).abs() / 7.0)
        };
        Ok(Self {
            values: [area, perimeter, longest.width, shortest.width],
            across: [1.0, spread[1][2], spread[2][2], spread[3][2]],
            spread,
            slopes,
            between: [off(area, sparse.map(|s| s.0), rough.0), off(perimeter, sparse.map(|s| s.1), rough.1), 0.0, 0.0],
        })
    }
}

/// A smooth closed curve: an open one that runs on past both ends, of which the middle is kept.
struct Ring {
    curve: Curve<Slide>,
    /// The pieces kept.
    pieces: std::ops::Range<usize>,
}

impl Ring {
    fn through(marks: &[Point<Slide>]) -> Result<Self, CurveError> {
        let n = marks.len();
        let over = n.min(4);
        let around: Vec<_> = (0..n + 2 * over).map(|i| marks[(i + n - over) % n]).collect();
        let curve = Curve::through(&around).map_err(|e| match e {
            CurveError::SamePlace { first, .. } => {
                let first = (first - 1 + n - over) % n;
                CurveError::SamePlace { first: first + 1, second: (first + 1) % n + 1 }
            }
            CurveError::NotFinite { mark } => CurveError::NotFinite { mark: (mark - 1 + n - over) % n + 1 },
            other @ CurveError::TooFewMarks { .. } => other,
        })?;
        Ok(Self { curve, pieces: over..over + n })
    }

    fn points(&self) -> Vec<Point<Slide>> {
        let places = |k| (0..PER_PIECE).map(move |j| (k, j as f64 / PER_PIECE as f64));
        self.pieces.clone().flat_map(places).map(|(k, s)| self.curve.at(k, s)).collect()
    }

    /// Signed area, by Green's formula about the first mark, and perimeter.
    fn area_and_perimeter(&self) -> (f64, f64) {
        let origin = self.curve.at(self.pieces.start, 0.0);
        let cross = |piece: usize, s: f64| {
            let (p, t) = (self.curve.at(piece, s) - origin, self.curve.tangent(piece, s));
            p.x * t.y - p.y * t.x
        };
        let area = |k| 0.5 * self.curve.piece_integral(k, |s| cross(k, s));
        (self.pieces.clone().map(area).sum(), self.pieces.clone().map(|k| self.curve.piece_length(k)).sum())
    }
}

/// The smooth curve through every other mark, where enough are left.
fn sparse(marks: &[Point<Slide>]) -> Option<Ring> {
    let every_other: Vec<_> = marks.iter().copied().step_by(2).collect();
    if every_other.len() < 4 { None } else { Ring::through(&every_other).ok() }
}

fn pairs(line: &[Point<Slide>]) -> impl Iterator<Item = (Point<Slide>, Point<Slide>)> + '_ {
    line.iter().copied().zip(line.iter().copied().cycle().skip(1))
}

/// Area and perimeter by straight chords.
fn chords(marks: &[Point<Slide>]) -> (f64, f64) {
    let origin = marks.first().copied().unwrap_or(Point::new(0.0, 0.0));
    let cross = |(a, b): (Point<Slide>, Point<Slide>)| {
        let (a, b) = (a - origin, b - origin);
        0.5 * (a.x * b.y - a.y * b.x)
    };
    (pairs(marks).map(cross).sum::<f64>().abs(), pairs(marks).map(|(a, b)| (b - a).length()).sum())
}

/// Mean of cos², cos sin and sin² of the direction of travel.
fn direction_spread(line: &[Point<Slide>]) -> [f64; 3] {
    let (mut sums, mut total) = ([0.0; 3], 0.0);
    for (a, b) in pairs(line) {
        let v = b - a;
        let length = v.length().max(f64::MIN_POSITIVE);
        for (sum, part) in sums.iter_mut().zip([v.x * v.x, v.x * v.y, v.y * v.y]) {
            *sum += part / length;
        }
        total += length;
    }
    sums.map(|s| s / total)
}

struct Caliper {
    width: f64,
    direction: Vector<Slide>,
    first: usize,
    last: usize,
}

/// Longest and shortest distance between parallel tangents.
fn calipers(line: &[Point<Slide>]) -> (Caliper, Caliper) {
    let at = |k: usize| {
        let angle = std::f64::consts::PI * k as f64 / DIRECTIONS as f64;
        let direction = Vector::new(angle.cos(), angle.sin());
        let origin = line[0];
        let (mut first, mut last) = ((f64::INFINITY, 0), (f64::NEG_INFINITY, 0));
        for (i, p) in line.iter().enumerate() {
            let along = (*p - origin).dot(direction);
            if along < first.0 {
                first = (along, i);
            }
            if along > last.0 {
                last = (along, i);
            }
        }
        Caliper { width: last.0 - first.0, direction, first: first.1, last: last.1 }
    };
    let (mut longest, mut shortest) = (at(0), at(0));
    for caliper in (1..DIRECTIONS).map(at) {
        if caliper.width > longest.width {
            longest = caliper;
        } else if caliper.width < shortest.width {
            shortest = caliper;
        }
    }
    (longest, shortest)
}

fn nearest_mark(marks: &[Point<Slide>], p: Point<Slide>) -> usize {
    let distance = |i: usize| (marks[i] - p).length();
    (0..marks.len()).min_by(|a, b| distance(*a).total_cmp(&distance(*b))).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{PI, TAU};

    fn ellipse(n: usize, a: f64, b: f64, turn: f64) -> Vec<Point<Slide>> {
        let at = |i: usize| {
            let t = TAU * i as f64 / n as f64;
            let (x, y) = (a * t.cos(), b * t.sin());
            Point::new(1e4 + x * turn.cos() - y * turn.sin(), x * turn.sin() + y * turn.cos() - 3e3)
        };
        (0..n).map(at).collect()
    }

    #[test]
    fn an_ellipse_has_its_area_perimeter_and_axes() {
        let closed = Closed::through(&ellipse(24, 120.0, 50.0, 0.4)).unwrap();
        // Perimeter 4 a E(e): E(0.909) of semi-axes 120 and 50, by the arithmetic-geometric mean.
        let (mut a, mut b, mut sum, mut power) = (120.0f64, 50.0f64, 120.0f64 * 120.0, 1.0);
        for _ in 0..20 {
            let c = 0.5 * (a - b);
            (a, b) = (0.5 * (a + b), (a * b).sqrt());
            sum -= power * c * c;
            power *= 2.0;
        }
        // a² − Σ 2ⁿ⁻¹ cₙ² (Abramowitz and Stegun 17.6), with c₀² = 120² − 50².
        let sum = sum - 0.5 * (120.0f64.powi(2) - 50.0f64.powi(2));
        let perimeter = TAU * sum / a;
        let [area, p, longest, shortest] = closed.values;
        assert!((area / (PI * 6000.0) - 1.0).abs() < 1e-4, "{area}");
        assert!((p / perimeter - 1.0).abs() < 1e-4, "{p} {perimeter}");
        assert!((longest / 240.0 - 1.0).abs() < 3e-4 && (shortest / 100.0 - 1.0).abs() < 3e-4, "{longest} {shortest}");
        assert!(closed.between[0] / area < 0.02 && closed.between[0] > (area - PI * 6000.0).abs());
    }

    #[test]
    fn slopes_are_those_of_moved_marks() {
        let marks = ellipse(16, 80.0, 60.0, 1.1);
        let closed = Closed::through(&marks).unwrap();
        for i in [0, 5, 11] {
            let mut moved = marks.clone();
            moved[i] = moved[i] + (marks[i] - Point::new(1e4, -3e3)) * 0.01;
            let step = moved[i] - marks[i];
            let after = Closed::through(&moved).unwrap();
            // The smooth curve carries the neighbours along a little: within a seventh.
            let change = after.values[0] - closed.values[0];
            assert!((closed.slopes[i][0].dot(step) / change - 1.0).abs() < 0.15, "{i}");
            assert!(change > 0.0, "outward is larger, whichever way round the marks run");
        }
        let backwards: Vec<_> = marks.iter().rev().copied().collect();
        assert!((Closed::through(&backwards).unwrap().values[0] / closed.values[0] - 1.0).abs() < 1e-5);
    }

    #[test]
    fn impossible_outlines_name_the_mark() {
        let p = |x: f64, y: f64| Point::<Slide>::new(x, y);
        assert_eq!(Closed::through(&[p(0.0, 0.0), p(1.0, 0.0)]), Err(CurveError::TooFewMarks { found: 2 }));
        let e = Closed::through(&[p(0.0, 0.0), p(1.0, 0.0), p(1.0, 0.0), p(0.0, 1.0)]).unwrap_err();
        assert_eq!(e, CurveError::SamePlace { first: 2, second: 3 });
        let e = Closed::through(&[p(0.0, 0.0), p(1.0, 0.0), p(0.0, 1.0), p(0.0, 0.0)]).unwrap_err();
        assert_eq!(e, CurveError::SamePlace { first: 4, second: 1 });
    }
}
