//! The smooth curve through the marks of an axis.
//!
//! A cubic spline with continuous curvature, its parameter the accumulated chord, its third derivative zero on the first and last
//! piece (two marks: a straight line; three: a parabola). Why this one:
//!
//! * chord-length parameters keep the fourth-order accuracy of cubic splines on curves, where centripetal and uniform ones lose
//!   two orders (Floater and Surazhsky, Parameterization for curve interpolation, 2006): nine marks on a quarter circle, unevenly
//!   set, give its length within 2e-5, a centripetal Catmull–Rom curve within 1e-3;
//! * the end rule reproduces a parabola; the natural one flattens the ends of a bent animal and loses 10 to 50 times as much;
//!   "not a knot" is no better at the number of marks that people set and passes on more of their unsteadiness;
//! * straight lines come out exactly, however the marks are spaced.

use super::quadrature::{Integral, integrate};
use crate::units::{Point, Vector};

/// Why no curve goes through the marks.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CurveError {
    /// A curve needs two marks.
    #[error("{found} marks do not make a length, at least 2 are needed")]
    TooFewMarks {
        /// Number of marks.
        found: usize,
    },
    /// Two marks in a row at the same place.
    #[error("marks {first} and {second} are at the same place, remove one of them")]
    SamePlace {
        /// Number of the first, counted from 1.
        first: usize,
        /// Number of the second, counted from 1.
        second: usize,
    },
    /// A coordinate is not a number.
    #[error("mark {mark} has a coordinate that is not a finite number")]
    NotFinite {
        /// Number of the mark, counted from 1.
        mark: usize,
    },
}

/// Nodes and weights on [0, 1] of the 6-point Gauss–Legendre rule for [`Curve::quick_length`], symmetric about ½.
/// Source: Abramowitz and Stegun, table 25.4.
const QUICK: [(f64, f64); 3] = [
    (0.238_619_186_083_196_9, 0.467_913_934_572_691_05),
    (0.661_209_386_466_264_5, 0.360_761_573_048_138_6),
    (0.932_469_514_203_152, 0.171_324_492_379_170_36),
];

/// Relative tolerance of [`Curve::length`].
const LENGTH_TOLERANCE_REL: f64 = 1e-10;

/// A smooth curve through points of frame `F`.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve<F> {
    points: Vec<Point<F>>,
    /// Chord of each piece.
    chords: Vec<f64>,
    /// Second derivative by the chord parameter at each point.
    bends: Vec<Vector<F>>,
    /// Elimination factors, kept so that rebuilding needs no memory.
    factors: Vec<f64>,
}

impl<F: Copy> Curve<F> {
    /// The curve through `points` in their order.
    ///
    /// # Errors
    /// [`CurveError`] for fewer than two points, two equal ones in a row, or one that is not finite.
    pub fn through(points: &[Point<F>]) -> Result<Self, CurveError> {
        if points.len() < 2 {
            return Err(CurveError::TooFewMarks { found: points.len() });
        }
        if let Some(i) = points.iter().position(|p| !(p.x.is_finite() && p.y.is_finite())) {
            return Err(CurveError::NotFinite { mark: i + 1 });
        }
        let n = points.len();
        let mut curve = Self {
            points: points.to_vec(),
            chords: vec![0.0; n - 1],
            bends: vec![Vector::new(0.0, 0.0); n],
            factors: vec![0.0; n],
        };
        curve.rebuild();
        match curve.chords.iter().position(|&c| c <= 0.0) {
            Some(i) => Err(CurveError::SamePlace { first: i + 1, second: i + 2 }),
            None => Ok(curve),
        }
    }

    /// Moves the points and rebuilds without allocating, for many trials on one animal. `points` yields as many as there were.
    pub(crate) fn reshape(&mut self, points: impl Iterator<Item = Point<F>>) {
        for (old, new) in self.points.iter_mut().zip(points) {
            *old = new;
        }
        self.rebuild();
    }

    fn rebuild(&mut self) {
        for (chord, pair) in self.chords.iter_mut().zip(self.points.windows(2)) {
            *chord = (pair[1] - pair[0]).length();
        }
        let n = self.points.len();
        if n < 3 {
            return;
        }
        // Continuity of the slope at inner point i: h₋ M₋ + 2 (h₋ + h) M + h M₊ = 6 (slope difference), with M₀ = M₁ and
        // Mₙ₋₁ = Mₙ₋₂ put in. Diagonally dominant, so elimination without pivoting is stable.
        for i in 1..n - 1 {
            let (before, after) = (self.chords[i - 1], self.chords[i]);
            let slope_after = (self.points[i + 1] - self.points[i]) * (1.0 / after);
            let slope_before = (self.points[i] - self.points[i - 1]) * (1.0 / before);
            let mut diagonal = 2.0 * (before + after);
            let mut right = (slope_after + slope_before * -1.0) * 6.0;
            if i == 1 {
                diagonal += before;
            } else {
                let eliminate = before * self.factors[i - 1];
                diagonal -= eliminate;
                right = right + self.bends[i - 1] * -before;
            }
            if i == n - 2 {
                diagonal += after;
            }
            self.factors[i] = after / diagonal;
            self.bends[i] = right * (1.0 / diagonal);
        }
        for i in (1..n - 2).rev() {
            self.bends[i] = self.bends[i] + self.bends[i + 1] * -self.factors[i];
        }
        self.bends[0] = self.bends[1];
        self.bends[n - 1] = self.bends[n - 2];
    }

    /// The points it goes through.
    #[must_use]
    pub fn points(&self) -> &[Point<F>] {
        &self.points
    }

    /// Number of pieces between neighbouring points.
    #[must_use]
    pub fn pieces(&self) -> usize {
        self.chords.len()
    }

    /// Derivative by the chord parameter on `piece` at `s` of it (0 to 1); length near 1 along a gentle curve.
    #[must_use]
    pub fn tangent(&self, piece: usize, s: f64) -> Vector<F> {
        let h = self.chords[piece];
        let slope = (self.points[piece + 1] - self.points[piece]) * (1.0 / h);
        let r = 1.0 - s;
        slope
            + self.bends[piece] * (h / 6.0 * (1.0 - 3.0 * r * r))
            + self.bends[piece + 1] * (h / 6.0 * (3.0 * s * s - 1.0))
    }

    /// The point on `piece` at `s` of it (0 to 1).
    #[must_use]
    pub fn at(&self, piece: usize, s: f64) -> Point<F> {
        let h = self.chords[piece];
        let r = 1.0 - s;
        self.points[piece]
            + (self.points[piece + 1] - self.points[piece]) * s
            + self.bends[piece] * (h * h / 6.0 * (r * r * r - r))
            + self.bends[piece + 1] * (h * h / 6.0 * (s * s * s - s))
    }

    /// Points along the curve, `per_piece` to a piece and the last: for drawing.
    #[must_use]
    pub fn polyline(&self, per_piece: usize) -> Vec<Point<F>> {
        let n = per_piece.max(1);
        let mut out: Vec<_> = (0..self.pieces())
            .flat_map(|k| (0..n).map(move |j| (k, j as f64 / n as f64)))
            .map(|(k, s)| self.at(k, s))
            .collect();
        out.extend(self.points.last());
        out
    }

    /// Arc length by adaptive quadrature with a bound of the numerical error, in the frame's unit.
    ///
    /// # Accuracy
    /// The bound is at most 1e-10 of the chord length unless `converged` is false. It says nothing of how well the curve follows
    /// the animal between the marks; [`Curve::between_marks`] estimates that.
    #[must_use]
    pub fn length(&self) -> Integral {
        self.length_weighted(|_| 1.0)
    }

    /// Integral along the arc of a function of the tangent direction (a unit vector).
    pub(crate) fn length_weighted(&self, weight: impl Fn(Vector<F>) -> f64) -> Integral {
        let total: f64 = self.chords.iter().sum();
        let mut sum = Integral { value: 0.0, error_bound: 0.0, converged: true };
        for (piece, &h) in self.chords.iter().enumerate() {
            let part = integrate(
                &|s| {
                    let t = self.tangent(piece, s);
                    let speed = t.length();
                    if speed > 0.0 { speed * weight(t * (1.0 / speed)) } else { 0.0 }
                },
                0.0,
                1.0,
                LENGTH_TOLERANCE_REL * total / self.pieces() as f64 / h,
            );
            sum.value += part.value * h;
            sum.error_bound += part.error_bound * h;
            sum.converged &= part.converged;
        }
        sum
    }

    /// Arc length of one piece by the fixed rule.
    pub(crate) fn piece_length(&self, piece: usize) -> f64 {
        self.piece_integral(piece, |s| self.tangent(piece, s).length())
    }

    /// Integral over the chord parameter along one piece, of a function of the place on it (0 to 1), by the fixed rule of six nodes.
    pub(crate) fn piece_integral(&self, piece: usize, of: impl Fn(f64) -> f64) -> f64 {
        let h = self.chords[piece];
        QUICK.iter().map(|(x, w)| 0.5 * h * w * (of(0.5 - 0.5 * x) + of(0.5 + 0.5 * x))).sum()
    }

    /// Arc length by a fixed rule of six nodes a piece: for trials by the thousand.
    ///
    /// # Accuracy
    /// Within 1e-6 relative of [`Curve::length`] where no piece turns by more than a right angle (test).
    pub(crate) fn quick_length(&self) -> f64 {
        let mut sum = 0.0;
        for (piece, &h) in self.chords.iter().enumerate() {
            if h <= 0.0 {
                continue;
            }
            for (x, w) in QUICK {
                let both = self.tangent(piece, 0.5 - 0.5 * x).length() + self.tangent(piece, 0.5 + 0.5 * x).length();
                sum += 0.5 * h * w * both;
            }
        }
        sum
    }

    /// How far the length may be off for the curve between the marks: half-width, in the frame's unit.
    ///
    /// The larger of two: a seventh of the change when every other mark is left out (halving the spacing lessens the error of the
    /// spline's length by 16 where marks are dense, by 4 to 8 where they are few), and the distance from what Richardson's
    /// extrapolation makes of the chords alone. 0 for two marks.
    ///
    /// # Accuracy
    /// On bent curves with five to seventeen marks and no turn above 1 rad the error was at most 1.5 times the figure plus 5e-5
    /// of the length, mostly far less (test).
    #[must_use]
    pub fn between_marks(&self) -> f64 {
        let n = self.points.len();
        if n < 3 {
            return 0.0;
        }
        let mut sparse: Vec<_> = self.points.iter().copied().step_by(2).collect();
        if n.is_multiple_of(2) {
            // An even number: the last of the sparse marks gives way to the true end.
            if sparse.len() > 2 {
                sparse.pop();
            }
            sparse.extend(self.points.last());
        }
        Self::through(&sparse).map_or(0.0, |coarse| {
            let length = self.quick_length();
            let chords: f64 = self.chords.iter().sum();
            let coarse_chords: f64 = coarse.chords.iter().sum();
            let by_sparse = (length - coarse.quick_length()).abs() / 7.0;
            by_sparse.max((length - (4.0 * chords - coarse_chords) / 3.0).abs())
        })
    }

    /// Largest angle between neighbouring chords, radians: above about 1 the marks are too few for the bend.
    #[must_use]
    pub fn sharpest_turn_rad(&self) -> f64 {
        self.points
            .windows(3)
            .map(|p| {
                let (a, b) = (p[1] - p[0], p[2] - p[1]);
                (a.x * b.y - a.y * b.x).atan2(a.dot(b)).abs()
            })
            .fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Slide;
    use std::f64::consts::PI;

    fn sampled(f: impl Fn(f64) -> (f64, f64), from: f64, to: f64, n: usize, uneven: f64) -> Curve<Slide> {
        let points: Vec<_> = (0..n)
            .map(|i| {
                // Unevenly set marks: the parameter runs back and forth about the even one, the ends stay.
                let u = i as f64 / (n - 1) as f64;
                let u = u + uneven / (n - 1) as f64 * (if i % 2 == 0 { 0.4 } else { -0.4 }) * (PI * u).sin();
                let (x, y) = f(from + (to - from) * u);
                Point::new(x, y)
            })
            .collect();
        Curve::through(&points).unwrap()
    }

    #[test]
    fn straight_lines_are_exact() {
        let points: Vec<Point<Slide>> =
            [0.0, 0.01, 3.0, 3.5, 40.0, 100.0].iter().map(|&t| Point::new(3.0 * t + 1.0, 4.0 * t - 7.0)).collect();
        let length = Curve::through(&points).unwrap().length();
        assert!((length.value - 500.0).abs() < 1e-10, "{}", length.value);
        assert!(length.error_bound < 1e-9);
        assert!(Curve::through(&points).unwrap().between_marks() < 1e-10);
    }

    #[test]
    fn a_parabola_at_three_even_marks_is_followed() {
        // Chords of a symmetric parabola are equal, so the spline is the parabola: 2 (√5/2 + asinh(2)/4), REFERENCE.md section 6.
        let curve = sampled(|t| (t, t * t), -1.0, 1.0, 3, 0.0);
        assert!((curve.length().value / (2.0 * 1.478_942_857_544_597_5) - 1.0).abs() < 1e-10);
    }

    /// Name, relative error expected at most with 9, 17, 33, 65 marks, curve, range, true length.
    type Case = (&'static str, [f64; 4], fn(f64) -> (f64, f64), f64, f64, f64);

    #[test]
    fn arc_lengths_converge_to_known_values() {
        // Lengths: REFERENCE.md section 6. The limits are what the rule reached here, doubled: they fail when the order is lost.
        let cases: [Case; 8] = [
            (
                "quarter circle",
                [1e-4, 6e-6, 4e-7, 3e-8],
                |t| (100.0 * t.cos(), 100.0 * t.sin()),
                0.0,
                PI / 2.0,
                157.079_632_679_489_66,
            ),
            (
                "half ellipse 2, 1",
                [3e-3, 1e-4, 4e-6, 2e-7],
                |t| (2.0 * t.cos(), t.sin()),
                0.0,
                PI,
                9.688_448_220_547_675 / 2.0,
            ),
            (
                "half ellipse 5, 3",
                [2e-3, 6e-5, 2e-6, 7e-8],
                |t| (5.0 * t.cos(), 3.0 * t.sin()),
                0.0,
                PI,
                25.526_998_863_398_124 / 2.0,
            ),
            ("parabola", [2e-5, 1e-6, 5e-8, 5e-9], |t| (t, t * t), 0.0, 1.0, 1.478_942_857_544_597_5),
            ("sine", [7e-4, 5e-5, 3e-6, 2e-7], |t| (t, t.sin()), 0.0, PI, 3.820_197_789_027_712),
            ("catenary", [1e-5, 5e-7, 3e-8, 2e-9], |t| (t, t.cosh()), 0.0, 1.0, 1.175_201_193_643_801_4),
            ("cycloid", [3e-4, 2e-5, 2e-6, 2e-7], |t| (t - t.sin(), 1.0 - t.cos()), 0.0, 2.0 * PI, 8.0),
            (
                "logarithmic spiral",
                [1.8e-2, 1.3e-3, 9e-5, 6e-6],
                |t| ((0.2 * t).exp() * t.cos(), (0.2 * t).exp() * t.sin()),
                0.0,
                2.0 * PI,
                12.816_822_147_319_256,
            ),
        ];
        for (name, limits, f, from, to, wanted) in cases {
            for uneven in [0.0, 1.0] {
                for (n, limit) in [9, 17, 33, 65].into_iter().zip(limits) {
                    let got = sampled(f, from, to, n, uneven).length();
                    assert!(got.converged);
                    let e = got.value / wanted - 1.0;
                    assert!(e.abs() < limit, "{name}, {n} marks, uneven {uneven}: {e:.1e}, limit {limit:.0e}");
                }
            }
        }
    }

    /// Curve, range, true length.
    type Bend = (fn(f64) -> (f64, f64), f64, f64, f64);

    #[test]
    fn the_estimate_between_marks_holds() {
        let curves: [Bend; 5] = [
            (|t| (t.cos(), t.sin()), 0.0, PI / 2.0, PI / 2.0),
            (|t| (t.cos(), t.sin()), 0.0, PI, PI),
            (|t| (5.0 * t.cos(), 3.0 * t.sin()), 0.0, PI, 25.526_998_863_398_124 / 2.0),
            (|t| (t, t * t), 0.0, 1.0, 1.478_942_857_544_597_5),
            (|t| (t, t.cosh()), 0.0, 1.0, 1.175_201_193_643_801_4),
        ];
        for (k, (f, from, to, wanted)) in curves.into_iter().enumerate() {
            for n in [5, 6, 7, 9, 12, 17] {
                for uneven in [0.0, 0.5] {
                    let curve = sampled(f, from, to, n, uneven);
                    if curve.sharpest_turn_rad() > 1.0 {
                        continue;
                    }
                    let (error, bound) = ((curve.quick_length() - wanted).abs(), curve.between_marks());
                    assert!(
                        error <= 1.5 * bound + 5e-5 * wanted,
                        "curve {k}, {n} marks, uneven {uneven}: {error:.1e}, bound {bound:.1e}"
                    );
                    assert!(bound < 0.02 * wanted, "curve {k}, {n} marks, uneven {uneven}: bound {bound:.1e}");
                }
            }
        }
    }

    #[test]
    fn the_quick_rule_agrees_with_the_careful_one() {
        for n in [3, 5, 8, 12] {
            let curve = sampled(|t| (5.0 * t.cos(), 3.0 * t.sin()), 0.0, 2.0, n, 1.0);
            let e = curve.quick_length() / curve.length().value - 1.0;
            assert!(e.abs() < 1e-6, "{n} marks: {e:.1e}");
        }
    }

    #[test]
    fn reshaping_is_building_anew() {
        let a = sampled(|t| (t, t * t), 0.0, 1.0, 7, 1.0);
        let mut b = sampled(|t| (t, t.sin()), 0.0, 3.0, 7, 0.0);
        b.reshape(a.points().iter().copied());
        assert_eq!(a, b);
    }

    #[test]
    fn the_curve_passes_its_marks_and_turns_are_told() {
        let c = sampled(|t| (t, t.sin()), 0.0, 3.0, 6, 1.0);
        let line = c.polyline(4);
        assert_eq!(line.len(), 21);
        for (i, p) in c.points().iter().enumerate() {
            assert!((line[4 * i] - *p).length() < 1e-12);
        }
        let corner =
            Curve::<Slide>::through(&[Point::new(0.0, 0.0), Point::new(1.0, 0.0), Point::new(1.0, 1.0)]).unwrap();
        assert!((corner.sharpest_turn_rad() - PI / 2.0).abs() < 1e-12);
    }

    #[test]
    fn impossible_marks_are_refused() {
        let p = |x| Point::<Slide>::new(x, 0.0);
        assert_eq!(Curve::through(&[p(1.0)]).unwrap_err(), CurveError::TooFewMarks { found: 1 });
        let e = Curve::through(&[p(1.0), p(2.0), p(2.0)]).unwrap_err();
        assert_eq!(e.to_string(), "marks 2 and 3 are at the same place, remove one of them");
        assert_eq!(Curve::through(&[p(1.0), p(f64::NAN)]).unwrap_err(), CurveError::NotFinite { mark: 2 });
    }
}
